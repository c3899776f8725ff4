"""Off, its effect, and whether it stays; and what a missing effect may mean."""

from __future__ import annotations

from typing import Final

from tidegate.core.effects import Kind
from tidegate.core.policy import MINUTE_MS, MS
from tidegate.core.reading import ExternalPower, Reading, Sample, Supply
from tidegate.prove.device import Told
from tidegate.prove.ending import Ended
from tidegate.prove.findings import Finding
from tidegate.prove.judging import could_show_off, shows_back, shows_off
from tidegate.prove.looks import Looks
from tidegate.prove.result import Verdict

# How much slower than ``settle`` a gauge is still told from a contact that sticks.
LATE_SETTLES: Final = 5
LATE_LIMIT_MS: Final = 5 * MINUTE_MS


class Offs:
    """The off side of the rounds. Every method may raise Ended."""

    def __init__(self, looks: Looks) -> None:
        self._looks = looks
        self._device = looks.device

    async def turn_off(self, number: int) -> None:
        """Command off, wait for its effect, and see that it stays."""
        told, shown_ms = await self.go_off()
        self._looks.note(number, told, shown_ms)
        await self._stays(told)

    async def go_off(self, *, refreshes: bool = True) -> tuple[Told, int]:
        """Command off and wait for its effect; return when the gauge showed it.

        ``refreshes``: keep the relay's own timer from ending the off.
        """
        device, looks = self._device, self._looks
        before = await looks.fresh()
        self._check_could_show(before)
        told = await self._command()
        looks.off = None
        answers: bool | None = None
        until_ms = told.done_ms + device.policy.settle_ms
        is_blind = True
        drained = False
        while True:
            reading = await looks.look()
            is_blind = is_blind and looks.missed
            drained = drained or self._drains(before, reading)
            if self._shown(before, reading):
                device.knows_polarity = True
                looks.off = None if reading is None else reading.sample
                await device.proven(told)
                return told, device.now_ms() if reading is None else reading.at_ms
            if answers is None:
                # Not before the first look: a relay may take its time to answer.
                answers = await device.answers(Supply.OFF)
            if device.now_ms() >= until_ms:
                break
            await looks.pause()
            if refreshes:
                await device.refresh()
        was_lost = not answers
        answers = await device.answers(Supply.OFF)
        await device.unproven(told, seen=None if is_blind else False)
        if answers and drained:
            raise device.found(
                Finding.EFFECT_UNPROVABLE,
                "what this gauge says changes by itself, so it shows no off",
            )
        ended = self._without_effect(
            was_lost=was_lost, answers=answers, is_blind=is_blind
        )
        if Finding.RELAY_NO_EFFECT in device.seen.findings:
            ended = await self._seen_late(before, told) or ended
        raise ended

    async def _seen_late(self, before: Reading, told: Told) -> Ended | None:
        """Supply on, and look on: a gauge slower than ``settle`` shows the off now.

        What it shows at the end is no longer what was before.
        """
        device, looks = self._device, self._looks
        settle_ms = device.policy.settle_ms
        look_ms = min(LATE_SETTLES * settle_ms, LATE_LIMIT_MS)
        device.say(
            "Nothing follows. Supply on, and looking on for "
            f"{look_ms / MS:.0f} s whether the gauge is only slow."
        )
        on = await device.tell(Supply.ON)
        until_ms = on.done_ms + look_ms
        while device.now_ms() < until_ms:
            await looks.pause()
            if on.error is not None:
                on = await device.tell(Supply.ON, kind=Kind.REPEAT)
            reading = await looks.look()
            if not device.late_ms and self._shown(before, reading):
                device.late_ms = device.now_ms() - told.done_ms
        if not device.late_ms:
            return None
        device.seen.findings.remove(Finding.RELAY_NO_EFFECT)
        return device.found(
            Finding.GAUGE_SLOW,
            f"the gauge showed the off only {device.late_ms / MS:.0f} s after it, and "
            f"`settle` is {settle_ms / MS:g} s",
        )

    def _check_could_show(self, before: Reading) -> None:
        device = self._device
        if could_show_off(before.sample, device.policy):
            return
        if before.sample.external_power is ExternalPower.NO:
            raise device.found(
                Finding.SUPPLY_ABSENT, "there is no supply that could be switched off"
            )
        raise device.found(
            Finding.EFFECT_UNPROVABLE,
            "nothing that the gauge says would change with the supply",
        )

    async def _command(self) -> Told:
        told = await self._device.tell(Supply.OFF)
        if told.error is not None:
            self._device.seen.find(Finding.RELAY_FAILED)
            raise Ended(
                Verdict.NOT_PROVEN, "the relay does not take the off", error=told.error
            )
        return told

    def _shown(self, before: Reading, reading: Reading | None) -> bool:
        """Return whether the last look proves the off."""
        looks, policy = self._looks, self._device.policy
        if reading is not None:
            now = reading.sample
            return shows_off(before.sample, now, policy, is_fickle=looks.is_fickle)
        if looks.missed and policy.gauge_needs_supply:
            looks.was_lost = True
            return policy.loss_is_proof
        return False

    def _drains(self, before: Reading, reading: Reading | None) -> bool:
        """Return whether it looks like an off, to whoever has not seen the base."""
        if reading is None:
            return False
        return shows_off(before.sample, reading.sample, self._device.policy)

    def _without_effect(
        self, *, was_lost: bool, answers: bool, is_blind: bool
    ) -> Ended:
        device = self._device
        if not answers:
            return device.found(
                Finding.RELAY_FAILED, "the relay does not answer, and nothing followed"
            )
        if was_lost:
            # It went, and came back with what it had cut.
            return device.found(
                Finding.RELAY_FED_BY_SUPPLY, "the relay was lost with the off"
            )
        if is_blind:
            return device.found(
                Finding.GAUGE_LOST, "the gauge was lost while the supply was off"
            )
        return device.found(
            Finding.RELAY_NO_EFFECT, "the supply did not leave when off was commanded"
        )

    async def _stays(self, told: Told) -> None:
        """Stay off for a moment: does the relay live, does the supply stay away?"""
        device, looks = self._device, self._looks
        until_ms = device.now_ms() + looks.hold_ms
        came_back = False
        while not came_back and device.now_ms() < until_ms:
            await looks.pause()
            await device.refresh()
            reading = await looks.look()
            came_back = reading is not None and self._is_back(reading.sample)
        if not await device.answers(told.supply):
            raise device.found(
                Finding.RELAY_FED_BY_SUPPLY, "the relay was lost while off"
            )
        if came_back:
            # What seemed to be an off may have been an on, seen late.
            device.knows_polarity = False
            raise device.found(
                Finding.POWER_CAME_BACK, "the supply came back while off"
            )

    def _is_back(self, now: Sample) -> bool:
        looks = self._looks
        return looks.was_lost or bool(shows_back(now, looks.off, self._device.policy))
