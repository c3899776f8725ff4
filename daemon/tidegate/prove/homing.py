"""The end of every run, however it came about: supply on, and seen to be on."""

from __future__ import annotations

import asyncio
from typing import Final

from tidegate.core.effects import Kind
from tidegate.core.policy import MS, Proof
from tidegate.core.reading import Supply
from tidegate.prove.device import Device, Told
from tidegate.prove.findings import Finding
from tidegate.prove.judging import shows_on
from tidegate.prove.looks import POLL_S

# Whoever pressed Ctrl-C waits for this; a relay that does not answer gets this long.
TELL_LIMIT_S: Final = 20.0
# A gauge that says nothing gets this long; what one says counts after ``settle``, and a
# run waits for that so long at most.
LOOK_LIMIT_S: Final = 15.0
SURE_LIMIT_S: Final = 120.0


async def supply_on(device: Device) -> None:
    """Leave the supply on, whichever way that is wired; what is seen goes to ``seen``.

    Nothing is told where it is known to be on. May be called after anything at all.
    """
    if is_on(device):
        device.seen.is_on = True
        return
    await _Homing(device).come()


def is_on(device: Device) -> bool:
    """Return whether the supply is known to be on without another command."""
    commanded, last = device.commanded, device.last
    if last is None or device.is_silent:
        return False
    if commanded is not None:
        return commanded.supply is Supply.ON and device.is_proven
    return not device.may_have_moved and bool(shows_on(last.sample, device.policy))


class _Homing:
    """The way back to on; nothing cuts it short, and all of it is bounded."""

    def __init__(self, device: Device) -> None:
        self._device = device
        self._seen = device.seen
        self._settle_s = device.policy.settle_ms / MS

    async def come(self) -> None:
        device, seen = self._device, self._seen
        device.say("Supply on.")
        seen.is_on = await self._on()
        if seen.is_on is False and device.policy.proof is Proof.CHARGING:
            seen.is_on = None  # it need not charge; the supply itself never left
        if seen.is_on is False and self._may_be_reversed():
            await self._other_way()
        if seen.is_on is False:
            seen.find(Finding.STILL_DARK)

    async def _on(self) -> bool | None:
        """Command on; return what the gauge shows of it."""
        device = self._device
        before = device.commanded
        told = await self._told_on()
        if told is None:
            self._seen.find(Finding.STILL_DARK)
            return None
        was_on = before is not None and before.supply is Supply.ON
        since_ms = before.done_ms if before is not None and was_on else told.done_ms
        shown = await self._looked(since_ms, at_once=device.knows_polarity)
        if shown:
            await device.proven(told)
        else:
            await device.unproven(told, seen=shown)
        return shown

    async def _told_on(self) -> Told | None:
        loop = asyncio.get_running_loop()
        until_s = loop.time() + TELL_LIMIT_S
        told = await self._device.tell(Supply.ON)
        while told.error is not None:
            if loop.time() >= until_s:
                self._device.say(f"The relay does not take the on: {told.error}")
                return None
            await asyncio.sleep(POLL_S)
            told = await self._device.tell(Supply.ON, kind=Kind.REPEAT)
        return told

    async def _looked(self, since_ms: int, *, at_once: bool) -> bool | None:
        """Return whether the gauge shows the supply, which it may do since then.

        ``at_once``: the first sight of it is enough. Else it must still be there when
        the gauge can no longer be showing what was before.
        """
        device = self._device
        began_ms = device.now_ms()
        shown: bool | None = None
        while True:
            reading = await device.read()
            if reading is not None and reading.trusted:
                shown = shows_on(reading.sample, device.policy)
            elif reading is None and device.policy.gauge_needs_supply:
                shown = None
            began_s = (device.now_ms() - began_ms) / MS
            since_s = (device.now_ms() - since_ms) / MS
            is_over = shown is None and began_s >= LOOK_LIMIT_S
            if is_over or (shown and at_once) or since_s >= self._sure_s(shown):
                return shown
            await asyncio.sleep(POLL_S)

    def _sure_s(self, shown: bool | None) -> float:
        """Return after how long what the gauge shows is what there is."""
        # Where there was power a moment ago, it may be slower than the settings say.
        times = 2 if shown is False and self._device.was_fed else 1
        return min(times * self._settle_s, SURE_LIMIT_S)

    def _may_be_reversed(self) -> bool:
        """Return whether on was commanded for so long, and no off was ever seen."""
        return self._settle_s <= SURE_LIMIT_S and not self._device.knows_polarity

    async def _other_way(self) -> None:
        device, seen = self._device, self._seen
        device.say(
            "No power comes. Trying the contact the other way round, "
            f"for {self._settle_s:g} s."
        )
        told = await device.tell(Supply.OFF, kind=Kind.TRIAL, is_last=True)
        shown = None
        if told.error is None:
            shown = await self._looked(told.done_ms, at_once=False)
        await device.unproven(told, seen=False if shown else None)
        if shown:
            seen.is_reversed = True
            seen.swapped = not seen.swapped
            seen.find(Finding.RELAY_REVERSED)
            device.knows_polarity = True
        seen.is_on = await self._on()
