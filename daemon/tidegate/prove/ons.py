"""On, and its effect; and what a supply that does not come may mean."""

from __future__ import annotations

from tidegate.core.effects import Kind
from tidegate.core.policy import Proof
from tidegate.core.reading import Reading, Supply
from tidegate.prove.device import Told
from tidegate.prove.ending import Ended
from tidegate.prove.findings import Finding
from tidegate.prove.judging import shows_back, shows_on
from tidegate.prove.looks import BACK_MS, Looks
from tidegate.prove.result import Verdict


class Ons:
    """The on side of the rounds. Every method may raise Ended."""

    def __init__(self, looks: Looks) -> None:
        self._looks = looks
        self._device = looks.device

    async def turn_on(self, number: int) -> None:
        """Command on and wait for its effect; number 0 is the base of the rounds."""
        device = self._device
        told = await self.command()
        reading, shown = await self._until_shown(told)
        await device.answers(Supply.ON)
        if shown and reading is not None:
            self._looks.was_lost = False
            if not number:
                await self._stays(told)
            await device.proven(told)
            self._looks.note(number, told, reading.at_ms)
            return
        await device.unproven(told, seen=shown)
        raise self._no_power(reading, shown=shown)

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
        if shows_on(reading.sample, self._device.policy) is False:
            await self._device.unproven(told, seen=False)
            raise self._no_power(reading, shown=False)

    async def _until_shown(self, told: Told) -> tuple[Reading | None, bool | None]:
        """Return the first reading that shows the supply, else what the last showed."""
        device, looks = self._device, self._looks
        policy = device.policy
        grace_ms = BACK_MS if policy.gauge_needs_supply else 0
        until_ms = told.done_ms + policy.settle_ms + grace_ms
        last: Reading | None = None
        shown: bool | None = None
        while True:
            reading = await looks.look()
            if reading is not None:
                shown = shows_back(
                    reading.sample, looks.off, policy, was_lost=looks.was_lost
                )
                last = reading
            if shown or device.now_ms() >= until_ms:
                return last, shown
            await looks.pause()

    def _no_power(self, reading: Reading | None, *, shown: bool | None) -> Ended:
        """On is commanded and its effect is missing: say why, as far as it shows."""
        device = self._device
        if reading is None:
            return device.found(Finding.GAUGE_NOT_BACK, "the gauge did not come back")
        if device.policy.proof is Proof.CHARGING:
            return device.found(
                Finding.EFFECT_UNPROVABLE,
                "the battery does not charge with the supply on",
            )
        if shown is None:
            return device.found(
                Finding.EFFECT_UNPROVABLE,
                "the gauge does not tell whether the supply is there",
            )
        # Whether the other state of the contact would bring it is found out at the end.
        return device.found(Finding.SUPPLY_ABSENT, "no power comes with the supply on")
