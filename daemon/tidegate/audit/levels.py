"""Where the charge was and for how long, reading by reading, gaps left open.

A reading holds for half of the time to the one before it and half of that to the one
after it. Where that distance is more than a few polls nobody knows: a gap, which
covers nothing. The series of charge goes on across it, so that a gap counts as one
move by what changed in it, and invents no cycle.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, field
from math import inf
from typing import Final

from tidegate.audit.result import Gap
from tidegate.audit.rows import Run
from tidegate.core.policy import DAY_MS, Marks
from tidegate.wear.pace import Pace
from tidegate.wear.rainflow import Rainflow

# Nothing read for longer than this many polls is a gap (as the picture draws it).
GAP_POLLS: Final = 4
# An integer gauge steps by one, so a point beside each mark still counts as inside.
MARGIN_PERCENT: Final = 1.0
# After a plan the level may take so long to come back before it counts as outside; a
# choice, no source.
BACK_WITHIN_MS: Final = 2 * DAY_MS
# In tenths of a °C. No writer writes what lies beyond these, and no law holds there.
COLDEST: Final = -1_000
HOTTEST: Final = 3_000
# Changes of charge that are counted at once.
_BATCH: Final = 4096

# Charge in tenths of a percent, temperature in tenths of a °C or none.
Rest = tuple[int, int | None]


@dataclass(slots=True, kw_only=True)
class Point:
    """A trusted reading: UTC ms, 0.1 %, 0.1 °C."""

    at_ms: int
    soc: int
    celsius: int | None


@dataclass(slots=True, kw_only=True)
class Told:
    """What the readings come to.

    ``rests`` are half milliseconds, ``moved`` tenths of a percent, both by what was
    read. ``across_gaps_percent`` is how far the charge moved within gaps.
    """

    rests: defaultdict[Rest, int] = field(default_factory=lambda: defaultdict(int))
    moved: defaultdict[int | None, int] = field(
        default_factory=lambda: defaultdict(int)
    )
    gaps: list[Gap] = field(default_factory=list)
    flow: Rainflow = field(default_factory=Rainflow)
    lowest: int | None = None
    highest: int | None = None
    coolest: int | None = None
    warmest: int | None = None
    inside_ms: int = 0
    entered_ms: int = 0
    reads: int = 0
    rejected: int = 0
    rate_per_h: float = 0.0
    across_gaps_percent: float = 0.0


class Levels:
    """Takes the readings of one station in order. Times are UTC ms.

    ``is_whole``: the gauge tells whole percents only.
    """

    def __init__(
        self,
        *,
        since_ms: int | None,
        until_ms: int | None,
        is_whole: bool,
    ) -> None:
        self.told = Told()
        self._since_ms: float = -inf if since_ms is None else since_ms
        self._until_ms: float = inf if until_ms is None else until_ms
        self._pace = Pace(step_percent=1.0 if is_whole else 0.0)
        self._window_is_set = False
        # The window of the settings, and what counts as inside: more in a plan.
        self._set: tuple[float, float] = (inf, -inf)
        self._low: float = inf
        self._high: float = -inf
        self._is_planned = self._comes_back = False
        self._back_ms = 0
        self._has_entered = False
        self._last: Point | None = None
        self._first_ms: int | None = None
        self._first_why = "unread"
        self._series: list[float] = []
        self._pushed: int | None = None
        self._passed: Counter[str] = Counter()
        self._seen_ms: int | None = None

    def window(self, marks: Marks | None) -> None:
        """Take the window in force from here on, ``None`` for none."""
        self._window_is_set = marks is not None
        if marks is None:
            return
        self._set = _bounds(marks)
        if self._is_planned or self._comes_back:
            self._widen(self._set)
        else:
            self._low, self._high = self._set

    def plan(self, marks: Marks | None) -> None:
        """Take the marks of a plan, ``None`` for its end.

        On the way to them and back into the window the level is where it should be,
        so all between the two counts as inside; on the way back for two days at most.
        """
        self._is_planned, self._comes_back = marks is not None, marks is None
        self._back_ms = 0
        if marks is not None:
            self._widen(_bounds(marks))

    def _widen(self, bounds: tuple[float, float]) -> None:
        self._low = min(self._low, bounds[0])
        self._high = max(self._high, bounds[1])

    def passed(self, why: str, at_ms: int) -> None:
        """Note what the time since the last row of this kind of news went into."""
        if self._seen_ms is not None and at_ms > self._seen_ms:
            self._passed[why] += at_ms - self._seen_ms
        else:
            self._passed[why] += 1
        self._seen_ms = max(at_ms, self._seen_ms or at_ms)

    def take(self, run: Run, at_ms: int, *, most_ms: int) -> None:
        """Take a run of readings; a distance of more than ``most_ms`` is a gap."""
        is_told = self._since_ms <= at_ms < self._until_ms
        if is_told:
            self.told.reads += run.reads
        last_ms = at_ms + run.span_ms
        soc = run.soc_hundredths_percent
        if run.why_not is not None or soc is None:
            if is_told:
                self.told.rejected += run.reads
            self.passed("rejected", last_ms)
            return
        soc = min(max((soc + 5) // 10, 0), 1000)
        self._take(at_ms, soc, _tenths(run.temperature_mc), most_ms)
        if run.span_ms > 0:
            celsius = _tenths(run.last_temperature_mc)
            # Equal readings make one row; what was read between them is in it.
            if run.longest_gap_ms > most_ms:
                self._take(last_ms, soc, celsius, most_ms)
            else:
                self._go_on(last_ms, soc, celsius, run.span_ms)

    def end(self, from_ms: int, until_ms: int, *, most_ms: int) -> Told:
        """Return what all of it came to, from the first moment to the last."""
        if self._first_ms is None:
            why = self._why()
            self._gap(from_ms, until_ms, why)
        else:
            if self._first_ms - from_ms > most_ms:
                self._gap(from_ms, self._first_ms, self._first_why)
            last_ms = from_ms if self._last is None else self._last.at_ms
            if until_ms - last_ms > most_ms:
                self._gap(last_ms, until_ms, self._why())
        self._flush()
        self.told.rate_per_h = self._pace.rate_per_h
        self.told.gaps.sort(key=lambda gap: gap.from_ms)
        return self.told

    # --- one reading ------------------------------------------------------------------

    def _take(self, at_ms: int, soc: int, celsius: int | None, most_ms: int) -> None:
        last = self._last
        if last is None:
            self._first_ms, self._first_why = at_ms, self._why()
            self._last = Point(at_ms=at_ms, soc=soc, celsius=celsius)
            self._point(at_ms, soc, celsius)
        else:
            # The order of the log is certain, whatever the times in it say.
            at_ms = max(at_ms, last.at_ms)
            self._between(last, at_ms, soc, celsius, most_ms=most_ms)
            self._point(at_ms, soc, celsius)
            last.at_ms, last.soc, last.celsius = at_ms, soc, celsius
        if self._passed:
            self._passed.clear()
        self._seen_ms = at_ms

    def _go_on(self, at_ms: int, soc: int, celsius: int | None, length_ms: int) -> None:
        """Take the last of a run whose first was just taken: the charge is the same."""
        last = self._last
        assert last is not None
        is_told = self._since_ms <= last.at_ms and at_ms < self._until_ms
        if not is_told or last.at_ms + length_ms != at_ms:
            self._take(at_ms, soc, celsius, length_ms)
            return
        self.told.rests[soc, last.celsius] += length_ms
        self.told.rests[soc, celsius] += length_ms
        self._window(soc, length_ms)
        if celsius is not None:
            self._heat(celsius)
        last.at_ms, last.celsius = at_ms, celsius
        self._seen_ms = at_ms

    def _point(self, at_ms: int, soc: int, celsius: int | None) -> None:
        if not self._since_ms <= at_ms < self._until_ms:
            return
        if soc != self._pushed:
            self._push(soc, celsius)
        if celsius is not None:
            self._heat(celsius)

    def _heat(self, celsius: int) -> None:
        told = self.told
        if told.coolest is None or told.warmest is None:
            told.coolest = told.warmest = celsius
        elif celsius < told.coolest:
            told.coolest = celsius
        elif celsius > told.warmest:
            told.warmest = celsius

    def _push(self, soc: int, celsius: int | None) -> None:
        told = self.told
        if told.lowest is None or told.highest is None or self._pushed is None:
            told.lowest = told.highest = soc
        else:
            told.moved[celsius] += abs(soc - self._pushed)
            told.lowest = min(told.lowest, soc)
            told.highest = max(told.highest, soc)
        self._pushed = soc
        self._series.append(soc / 10)
        if len(self._series) >= _BATCH:
            self._flush()

    def _flush(self) -> None:
        self.told.flow.extend(self._series)
        self._series.clear()

    # --- between two readings ---------------------------------------------------------

    def _between(
        self, last: Point, at_ms: int, soc: int, celsius: int | None, *, most_ms: int
    ) -> None:
        length_ms = at_ms - last.at_ms
        is_told = self._since_ms <= last.at_ms and at_ms < self._until_ms
        if length_ms > most_ms:
            self._gap(last.at_ms, at_ms, self._why())
            self._pace.interrupt()
            if is_told:
                self.told.across_gaps_percent += abs(soc - last.soc) / 10
        elif is_told:
            self.told.rests[last.soc, last.celsius] += length_ms
            self.told.rests[soc, celsius] += length_ms
            self._window(last.soc, length_ms)
            if soc != last.soc:
                self._pace.push(last.soc / 10, last.at_ms / 1000)
                self._pace.push(soc / 10, at_ms / 1000)
        else:
            self._part(last, at_ms, soc, celsius)

    def _part(self, last: Point, at_ms: int, soc: int, celsius: int | None) -> None:
        """Count what of a time lies in the span that is asked for."""
        since_ms = max(self._since_ms, last.at_ms)
        until_ms = min(self._until_ms, at_ms)
        if until_ms <= since_ms:
            return
        middle_ms = (last.at_ms + at_ms) / 2
        first_ms = max(0.0, min(middle_ms, until_ms) - since_ms)
        second_ms = max(0.0, until_ms - max(middle_ms, since_ms))
        self.told.rests[last.soc, last.celsius] += round(2 * first_ms)
        self.told.rests[soc, celsius] += round(2 * second_ms)
        self._window(last.soc, round(until_ms - since_ms))
        # The charge changes in the middle: that belongs to the span that has it.
        if self._since_ms <= middle_ms < self._until_ms:
            for level, heat in ((last.soc, last.celsius), (soc, celsius)):
                if level != self._pushed:
                    self._push(level, heat)

    def _window(self, soc: int, length_ms: int) -> None:
        """Count time in the window in force, from the first entry into any on.

        The first reading holds.
        """
        if not self._window_is_set:
            return
        if self._comes_back:
            is_late = self._back_ms >= BACK_WITHIN_MS
            if is_late or self._set[0] <= soc <= self._set[1]:
                self._comes_back = False
                self._low, self._high = self._set
            self._back_ms += length_ms
        if self._low <= soc <= self._high:
            self._has_entered = True
            self.told.inside_ms += length_ms
        if self._has_entered:
            self.told.entered_ms += length_ms

    def _gap(self, from_ms: int, until_ms: int, why: str) -> None:
        first_ms = max(self._since_ms, from_ms)
        last_ms = min(self._until_ms, until_ms)
        if last_ms > first_ms:
            self.told.gaps.append(
                Gap(from_ms=round(first_ms), until_ms=round(last_ms), why=why)
            )

    def _why(self) -> str:
        """Return what took most of the time since the last trusted reading."""
        if not self._passed:
            return "unread"
        return max(self._passed, key=self._passed.__getitem__)


def _bounds(marks: Marks) -> tuple[float, float]:
    """Return what is inside of marks, in tenths of a percent."""
    low = 10 * (marks.low_percent - MARGIN_PERCENT)
    return low, 10 * (marks.high_percent + MARGIN_PERCENT)


def _tenths(thousandths: int | None) -> int | None:
    if thousandths is None:
        return None
    tenths = (thousandths + 50) // 100
    if COLDEST <= tenths <= HOTTEST:
        return tenths
    return COLDEST if tenths < COLDEST else HOTTEST
