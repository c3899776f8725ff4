"""Looking at the battery within a run: never past its end, never past its limits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from tidegate.core.policy import MINUTE_MS, MS
from tidegate.core.reading import Reading, Sample
from tidegate.prove.device import Device, Told
from tidegate.prove.ending import Ended, Ending
from tidegate.prove.judging import shows_back, shows_off, why_not_go_on
from tidegate.prove.result import Step, Verdict

POLL_S: Final = 1.0
# How often a read that must succeed is tried, a poll apart.
TRIES: Final = 3
# A relay that lives on the supply that it cut is gone within this (rule 6).
HOLD_MS: Final = 10_000
# What a gauge needs to come back once its cable carries power again.
BACK_MS: Final = MINUTE_MS


@dataclass(frozen=True, slots=True, kw_only=True)
class Return:
    """How a supply came back. ``first`` is the reading since which it is there to
    stay, ``None`` where it is not; ``last`` the last trusted one.

    ``shown``: what ``last`` shows. ``went``: it was there, and went again.
    """

    first: Reading | None
    last: Reading | None
    shown: bool | None
    went: bool


class Looks:
    """What offs and ons share. Every method that waits may raise Ended.

    ``missed``: the last look brought nothing at all. ``was_lost``: the gauge went
    with the supply. ``off``: the sample that showed the last off. ``is_fickle``: what
    this gauge says with the supply on has changed as if it had left.
    """

    def __init__(self, device: Device, ending: Ending) -> None:
        self.device = device
        self.missed = False
        self.was_lost = False
        self.off: Sample | None = None
        self.is_fickle = False
        self._while_on: Sample | None = None
        self._ending = ending

    async def pause(self) -> None:
        """Wait until the next look is due."""
        await self._ending.pause(POLL_S)

    @property
    def hold_ms(self) -> int:
        """How long to look on once an effect was seen."""
        return min(HOLD_MS, self.device.policy.settle_ms)

    async def look(self) -> Reading | None:
        """Return a trusted reading, if the gauge gives one now."""
        reading = await self.read()
        if reading is None or not reading.trusted:
            return None
        self._mind(reading)
        return reading

    async def read(self) -> Reading | None:
        """Return whatever the gauge gives now."""
        reading = await self._ending.unless(self.device.read())
        self.missed = reading is None
        return reading

    async def tried(self) -> Reading | None:
        """Return a trusted reading if one comes within a few tries, else the last."""
        reading = await self.read()
        for _ in range(1, TRIES):
            if reading is not None and reading.trusted:
                break
            await self.pause()
            reading = await self.read()
        return reading

    async def fresh(self) -> Reading:
        """Return a trusted reading taken now, from which an off can be judged."""
        reading = await self.tried()
        if reading is None or not reading.trusted:
            raise Ended(
                Verdict.ABORTED,
                "the gauge cannot be read, so the supply is not switched off",
                error=self.device.last_error if reading is None else None,
            )
        self._mind(reading)
        return reading

    async def back(self) -> Reading | None:
        """Wait for a gauge that lives on the supply; return its first reading."""
        device = self.device
        until_ms = device.now_ms() + device.policy.settle_ms + BACK_MS
        reading = await self.read()
        while reading is None and device.now_ms() < until_ms:
            await self.pause()
            reading = await self.read()
        return reading

    async def returned(self, until_ms: int, *, hold_ms: int) -> Return:
        """Wait until the supply is back and stays for ``hold_ms``, until then at most.

        One that begins to come in time gets its hold. Contacts bounce, and a charger
        may let go once while it agrees with its supply on a voltage: what goes and is
        soon there again is held anew.
        """
        device = self.device
        last: Reading | None = None
        first: Reading | None = None
        shown: bool | None = None
        came_ms: int | None = None
        misses = 0
        self._while_on = None
        while True:
            reading = await self.look()
            misses = misses + 1 if self.missed else 0
            if device.policy.gauge_needs_supply and misses >= TRIES:
                first = None  # gone again, with what it lives on
            if reading is not None:
                last, shown = reading, self._is_back(reading.sample)
                first = (first or reading) if shown else None
            if reading is not None and first is not None:
                came_ms = first.at_ms if came_ms is None else came_ms
                self.note_on(reading.sample)
                is_late = first.at_ms - came_ms > self.hold_ms
                if is_late or reading.at_ms - first.at_ms >= hold_ms:
                    kept = None if is_late else first
                    return Return(first=kept, last=last, shown=shown, went=is_late)
            if device.now_ms() >= self._held_until_ms(until_ms, first, hold_ms):
                went = came_ms is not None and first is None
                return Return(first=None, last=last, shown=shown, went=went)
            await self.pause()

    def _held_until_ms(self, until_ms: int, first: Reading | None, hold_ms: int) -> int:
        """Return until when to look; the last look in time ends a little behind it."""
        if first is None:
            return until_ms
        a_few_ms = round(TRIES * POLL_S * MS)  # one of which may be missed
        return max(until_ms, first.at_ms) + hold_ms + a_few_ms

    def _is_back(self, now: Sample) -> bool | None:
        policy = self.device.policy
        return shows_back(now, self.off, policy, was_lost=self.was_lost)

    def note_on(self, now: Sample) -> None:
        """Take in what the gauge says while the supply is on and stays so.

        A status that says "discharging" now and then by itself proves no off.
        """
        before, self._while_on = self._while_on, now
        if before is not None and shows_off(before, now, self.device.policy):
            self.is_fickle = True

    def _mind(self, reading: Reading) -> None:
        why_not = why_not_go_on(reading, self.device.policy)
        if why_not is not None:
            raise Ended(Verdict.ABORTED, why_not)

    def note(self, number: int, told: Told, shown_ms: int) -> None:
        """Keep a step of a round; number 0 is none."""
        if not number:
            return
        latency_ms = max(0, shown_ms - told.done_ms)
        self.device.seen.steps.append(
            Step(
                round=number,
                supply=told.supply,
                took_ms=told.took_ms,
                latency_ms=latency_ms,
            )
        )
        self.device.say(
            f"  supply {told.supply}: its effect after {latency_ms / 1000:.1f} s"
        )
