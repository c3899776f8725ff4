"""On, and its effect; and what a supply that does not come may mean."""

from __future__ import annotations

from typing import Final

from tidegate.core.effects import Kind
from tidegate.core.policy import MS, Proof
from tidegate.core.reading import Reading, Supply
from tidegate.prove.device import Told
from tidegate.prove.ending import Ended
from tidegate.prove.findings import Finding
from tidegate.prove.judging import shows_on
from tidegate.prove.looks import BACK_MS, POLL_S, Looks, Return
from tidegate.prove.result import Verdict

# A supply is seen to come and to go as exactly as it is looked at.
SPARE_POLLS: Final = 2


class Ons:
    """The on side of the rounds. Every method may raise Ended."""

    def __init__(self, looks: Looks) -> None:
        self._looks = looks
        self._device = looks.device
        self._longest_off_ms = 0

    async def turn_on(self, number: int) -> None:
        """Command on, wait for its effect, see that it stays; number 0 is the base."""
        device, looks = self._device, self._looks
        before = device.commanded
        told = await self.command()
        if before is not None and before.supply is Supply.OFF:
            off_ms = told.done_ms - before.done_ms + before.took_ms + told.took_ms
            self._longest_off_ms = max(self._longest_off_ms, off_ms)
        hold_ms = self._hold_ms() if number else 0  # the base is looked at for longer
        came = await looks.returned(self._until_ms(told), hold_ms=hold_ms)
        await device.answers(Supply.ON)
        if came.first is None:
            await device.unproven(told, seen=False if came.went else came.shown)
            raise self._no_power(came)
        looks.was_lost = False
        if not number:
            await self._stays(told)
        await device.proven(told)
        looks.note(number, told, came.first.at_ms)

    async def turn_on_for_gauge(self) -> Reading | None:
        """Command on for a gauge that lives on the supply; return what it then says."""
        self._device.say("The gauge does not answer; the supply goes on for it.")
        told = await self.command()
        reading = await self._looks.back()
        shown = None
        if reading is not None and reading.trusted:
            policy = self._device.policy
            shown = shows_on(reading.sample, policy, was_lost=True)
        if shown:
            await self._device.proven(told)
        else:
            await self._device.unproven(told, seen=shown)
        return reading

    async def command(self) -> Told:
        """Command on until the relay takes it, for ``settle`` at most."""
        device = self._device
        until_ms = device.now_ms() + device.policy.settle_ms
        told = await device.tell(Supply.ON)
        while told.error is not None:
            device.say(f"The relay did not take the on: {told.error}")
            if device.now_ms() >= until_ms:
                device.seen.find(Finding.RELAY_FAILED)
                raise Ended(
                    Verdict.NOT_PROVEN,
                    "the relay does not take the on",
                    error=told.error,
                )
            await self._looks.pause()
            told = await device.tell(Supply.ON, kind=Kind.REPEAT)
        return told

    async def _stays(self, told: Told) -> None:
        """Look on: a slow gauge may have shown what was before, for ``settle``."""
        device, looks = self._device, self._looks
        until_ms = told.done_ms + device.policy.settle_ms
        while device.now_ms() < until_ms:
            await looks.pause()
            await self._check_on(told, await looks.look())
        await self._check_on(told, await looks.fresh())

    async def _check_on(self, told: Told, reading: Reading | None) -> None:
        if reading is None:
            return
        device = self._device
        if shows_on(reading.sample, device.policy) is False:
            await device.unproven(told, seen=False)
            raise self._no_power(
                Return(first=None, last=reading, shown=False, went=True)
            )
        self._looks.note_on(reading.sample)

    def _hold_ms(self) -> int:
        """Return how long an on must be seen to stay: for longer than any off lasted.

        Behind a gauge slower than ``settle`` a reversed relay seems to follow, each
        command in the shadow of the one before. What then shows as an on is an off,
        and lasts no longer than that did.
        """
        longer_ms = self._longest_off_ms + round(SPARE_POLLS * POLL_S * MS)
        return max(self._looks.hold_ms, longer_ms)

    def _until_ms(self, told: Told) -> int:
        """Return until when its effect must be seen."""
        policy = self._device.policy
        grace_ms = BACK_MS if policy.gauge_needs_supply else 0
        return told.done_ms + policy.settle_ms + grace_ms

    def _no_power(self, came: Return) -> Ended:
        """On is commanded and its effect is missing: say why, as far as it shows."""
        device = self._device
        if came.last is None:
            return device.found(Finding.GAUGE_NOT_BACK, "the gauge did not come back")
        if device.policy.proof is Proof.CHARGING:
            return device.found(
                Finding.EFFECT_UNPROVABLE,
                "the battery does not charge with the supply on",
            )
        if came.went:
            # What seemed to be an off may have been an on, seen late.
            device.knows_polarity = False
            return device.found(
                Finding.POWER_WENT, "the supply did not stay with on commanded"
            )
        if came.shown:
            # It came, and before it could be seen to stay nobody saw it any more.
            return device.found(Finding.GAUGE_NOT_BACK, "the gauge was lost again")
        if came.shown is None:
            return device.found(
                Finding.EFFECT_UNPROVABLE,
                "the gauge does not tell whether the supply is there",
            )
        # Whether the other state of the contact would bring it is found out at the end.
        return device.found(Finding.SUPPLY_ABSENT, "no power comes with the supply on")
