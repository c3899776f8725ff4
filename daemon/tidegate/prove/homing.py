"""The end of every run, however it came about: supply on, and seen to be on."""

from __future__ import annotations

import asyncio
from typing import Final

from tidegate.core.effects import Kind
from tidegate.core.policy import MS, Proof
from tidegate.core.reading import Supply
from tidegate.prove.device import Device, Told
from tidegate.prove.findings import Finding
from tidegate.prove.judging import shows_on, why_not_go_on
from tidegate.prove.looks import BACK_MS, POLL_S, TRIES

# Whoever pressed Ctrl-C waits for this; a relay that does not answer gets this long.
TELL_LIMIT_S: Final = 20.0
# A gauge that says nothing gets this long; what one says counts after ``settle``, and a
# run waits for that so long at most.
LOOK_LIMIT_S: Final = 15.0
SURE_LIMIT_S: Final = 120.0
# Slower than this is no gauge.
SHADOW_LIMIT_S: Final = 300.0


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
        # What was late by so much may be an on of the base, seen as an off.
        self._settle_s = (device.policy.settle_ms + device.late_ms) / MS
        # Since when on is commanded, as far as the gauge could show it.
        self._on_since_ms = device.now_ms()

    async def come(self) -> None:
        device, seen = self._device, self._seen
        device.say("Supply on.")
        seen.is_on = await self._on()
        if seen.is_on is False and device.policy.proof is Proof.CHARGING:
            seen.is_on = None  # it need not charge; the supply itself never left
        is_lost = seen.is_on is None and self._was_lost_with_on()
        in_doubt = (seen.is_on is False or is_lost) and self._may_be_reversed()
        if in_doubt:
            await self._other_way()
        if seen.is_on is False or (in_doubt and seen.is_on is None):
            seen.find(Finding.STILL_DARK)

    async def _on(self, *, is_anew: bool = False) -> bool | None:
        """Command on; return what the gauge shows of it.

        ``is_anew``: under another polarity, so that no on before it counts.
        """
        device = self._device
        before = device.commanded
        told = await self._told(Supply.ON)
        if told is None:
            self._seen.find(Finding.STILL_DARK)
            return None
        was_on = before is not None and before.supply is Supply.ON
        # One that came and went would come once more, and go.
        stays = Finding.POWER_WENT not in self._seen.findings
        counts = before is not None and was_on and stays and not is_anew
        since_ms = before.done_ms if before is not None and counts else told.done_ms
        self._on_since_ms = since_ms
        other_s = 0.0
        if before is not None and not was_on:
            other_s = (told.done_ms - before.done_ms) / MS
        at_once = device.knows_polarity and stays
        shown = await self._looked(since_ms, at_once=at_once, other_s=other_s)
        if shown:
            await device.proven(told)
        else:
            await device.unproven(told, seen=shown)
        return shown

    async def _told(self, supply: Supply) -> Told | None:
        """Command it until the relay takes it; an off is the trial of the other way."""
        is_on = supply is Supply.ON
        kind, again = (Kind.CHANGE, Kind.REPEAT) if is_on else (Kind.TRIAL, Kind.TRIAL)
        loop = asyncio.get_running_loop()
        until_s = loop.time() + TELL_LIMIT_S
        told = await self._device.tell(supply, kind=kind, is_last=True)
        while told.error is not None:
            if loop.time() >= until_s:
                self._device.say(f"The relay does not take the {supply}: {told.error}")
                return None
            await asyncio.sleep(POLL_S)
            told = await self._device.tell(supply, kind=again, is_last=True)
        return told

    async def _looked(
        self,
        since_ms: int,
        *,
        at_once: bool,
        other_s: float,
        lost_s: float | None = None,
    ) -> bool | None:
        """Return whether the gauge shows the supply, which it may do since then.

        ``at_once``: the first sight of it is enough. Else it must still be there when
        the gauge can no longer be showing what was before; and, as it may be slower
        than anybody said, for longer than the other command stood (``other_s``): taken
        for the wrong polarity, its shadow would leave the device dark for good.
        ``lost_s``: so long a gauge that lives on the supply may take to come back.
        """
        device = self._device
        began_ms = shown_since_ms = device.now_ms()
        longer_s = min(other_s, SHADOW_LIMIT_S) + 2 * POLL_S
        shown: bool | None = None
        misses = 0
        while True:
            reading = await device.read()
            misses = misses + 1 if reading is None else 0
            before = shown
            if reading is not None and reading.trusted:
                shown = shows_on(reading.sample, device.policy)
            elif misses >= TRIES and device.policy.gauge_needs_supply:
                shown = None
            if shown is not before:
                shown_since_ms = device.now_ms()
            began_s = (device.now_ms() - began_ms) / MS
            since_s = (device.now_ms() - since_ms) / MS
            is_waited_for = shown is None and lost_s is not None
            is_sure = since_s >= self._sure_s(shown) and not is_waited_for
            if shown and is_sure:
                is_sure = (device.now_ms() - shown_since_ms) / MS >= longer_s
            is_over = shown is None and began_s >= (lost_s or LOOK_LIMIT_S)
            if is_over or (shown and at_once) or is_sure:
                return shown
            await asyncio.sleep(POLL_S)

    def _sure_s(self, shown: bool | None) -> float:
        """Return after how long what the gauge shows is what there is."""
        # Where there was power a moment ago, it may be slower than the settings say.
        times = 2 if shown is False and self._device.was_fed else 1
        return min(times * self._settle_s, SURE_LIMIT_S)

    @property
    def _back_s(self) -> float:
        """How long a gauge may take to come back with the supply that it lives on."""
        return self._settle_s + BACK_MS / MS

    def _was_lost_with_on(self) -> bool:
        """Return whether a gauge that lives on the supply was there, and is away for
        longer than it may be since on is commanded, with charge left to try an off.
        """
        device = self._device
        away_s = (device.now_ms() - self._on_since_ms) / MS
        return (
            device.policy.gauge_needs_supply
            and device.last is not None
            and why_not_go_on(device.last, device.policy) is None
            and away_s >= self._back_s
        )

    def _may_be_reversed(self) -> bool:
        """Return whether on was commanded for so long, and no off was ever seen."""
        return self._settle_s <= SURE_LIMIT_S and not self._device.knows_polarity

    async def _other_way(self) -> None:
        device, seen = self._device, self._seen
        lost_s = self._back_s if device.policy.gauge_needs_supply else None
        device.say(
            "No power comes. Trying the contact the other way round, "
            f"for {lost_s or self._settle_s:g} s."
        )
        told = await self._told(Supply.OFF)
        shown = None
        if told is not None:
            dark_s = (told.done_ms - self._on_since_ms) / MS
            shown = await self._looked(
                told.done_ms, at_once=False, other_s=dark_s, lost_s=lost_s
            )
            shown = shown and await self._leaves_with_on(dark_s)
            await device.unproven(told, seen=False if shown else None)
        if shown:
            seen.is_reversed = True
            seen.swapped = not seen.swapped
            seen.find(Finding.RELAY_REVERSED)
            device.knows_polarity = True
        seen.is_on = await self._on(is_anew=bool(shown))

    async def _leaves_with_on(self, within_s: float) -> bool:
        """Command on once more; return whether that takes the power away again.

        Mains that came back by themselves, behind a contact that sticks, stay.
        """
        device = self._device
        told = await self._told(Supply.ON)
        if told is None:
            return False
        look_s = min(within_s, SHADOW_LIMIT_S) + 2 * POLL_S
        until_ms = told.done_ms + round(look_s * MS)
        misses = 0
        while device.now_ms() < until_ms:
            await asyncio.sleep(POLL_S)
            reading = await device.read()
            misses = misses + 1 if reading is None else 0
            is_lost = misses >= TRIES and device.policy.gauge_needs_supply
            sample = reading.sample if reading is not None and reading.trusted else None
            is_dark = sample is not None and shows_on(sample, device.policy) is False
            if is_lost or is_dark:
                await device.unproven(told, seen=False)
                return True
        return False
