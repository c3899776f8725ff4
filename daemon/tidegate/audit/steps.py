"""Resistance from what the voltage did at switchings, as a log shows it."""

from __future__ import annotations

import re
from collections import defaultdict
from dataclasses import dataclass
from typing import Final

from tidegate.audit.result import Step
from tidegate.audit.rows import Run
from tidegate.wear.resistance import Moment, Resistance, median_ohm, stepped

_NUMBER: Final = re.compile(r"[0-9]+(?:\.[0-9]+)?")


@dataclass(frozen=True, slots=True)
class _Before:
    """The readings before a switching, and whether the current's sign was known."""

    run: Run
    at_ms: int
    sign_is_trusted: bool


class Steps:
    """Resistance from the readings right before and right after each switching."""

    def __init__(self) -> None:
        self._before: _Before | None = None
        self._switched_s: float | None = None
        self._steps: list[Step] = []
        # Why there was none, each time: by the sentence without its numbers.
        self._reasons: defaultdict[str, list[str]] = defaultdict(list)

    def switched(self, at_ms: int) -> None:
        """Note that the contact moved by then."""
        self._switched_s = at_ms / 1000

    def restarted(self) -> None:
        """Note that the host booted: what was before it was at another time."""
        self._before = self._switched_s = None

    def take(self, run: Run, at_ms: int, *, sign_is_trusted: bool) -> None:
        """Take the next run of trusted readings.

        A step needs a sign of the current that is trusted on both sides of it.
        """
        before = self._before
        if self._switched_s is not None and before is not None:
            after = _first(run, at_ms)
            found = stepped(
                _last(before.run, before.at_ms),
                after,
                switched_s=self._switched_s,
                sign_is_trusted=sign_is_trusted and before.sign_is_trusted,
            )
            self._note(found, after, run.temperature_mc)
        self._switched_s = None
        self._before = _Before(run, at_ms, sign_is_trusted=sign_is_trusted)

    def measured(self) -> tuple[tuple[Step, ...], float | None, str]:
        """Return the steps, their median, and why there is none, else ""."""
        median = median_ohm(step.ohm for step in self._steps)
        if median is not None:
            return tuple(self._steps), median, ""
        if not self._reasons:
            return (), None, "There was no switching with a reading on both sides."
        said = max(self._reasons.values(), key=len)
        total = sum(map(len, self._reasons.values()))
        often = f" in {len(said)} of {total} switchings" if total > 1 else ""
        return (), None, f"No step to measure{often}: {_together(said)}"

    def _note(self, found: Resistance, after: Moment, celsius: int | None) -> None:
        if found.ohm is None or after.soc_percent is None:
            kind = _NUMBER.sub("", found.why_not)
            self._reasons[kind].append(found.why_not)
            return
        assert self._switched_s is not None
        self._steps.append(
            Step(
                at_ms=round(1000 * self._switched_s),
                ohm=found.ohm,
                soc_percent=after.soc_percent,
                temperature_c=None if celsius is None else celsius / 1000,
            )
        )


def _first(run: Run, at_ms: int) -> Moment:
    return _moment(run, at_ms, run.voltage_mv, run.current_ma)


def _last(run: Run, at_ms: int) -> Moment:
    if run.reads == 1:
        return _first(run, at_ms)
    return _moment(run, at_ms + run.span_ms, run.last_voltage_mv, run.last_current_ma)


def _moment(run: Run, at_ms: int, volt: int | None, ampere: int | None) -> Moment:
    soc = run.soc_hundredths_percent
    return Moment(
        at_s=at_ms / 1000,
        voltage_v=None if volt is None else volt / 1000,
        current_a=None if ampere is None else ampere / 1000,
        soc_percent=None if soc is None else soc / 100,
    )


def _together(said: list[str]) -> str:
    """Return sentences that differ in their first number as one, from least to most."""
    first = said[0][:1].lower() + said[0][1:]
    found = [number[0] for each in said if (number := _NUMBER.search(each))]
    if not found:
        return first
    least, most = min(found, key=float), max(found, key=float)
    told = least if least == most else f"{least} to {most}"
    return _NUMBER.sub(told, first, count=1)
