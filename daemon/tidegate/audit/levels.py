"""Where the charge was and for how long, reading by reading, gaps left open.

A reading holds for half of the time to the one before it and half of that to the one
after it. Where that distance is more than a few polls nobody knows: a gap, which
covers nothing. The series of charge goes on across it, so that a gap counts as one
move by what changed in it, and invents no cycle. What a gap across an edge of the span
changed belongs to no span, and another pack begins another series.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, field
from math import inf
from typing import Final

from tidegate.audit.result import Gap
from tidegate.audit.rows import Run
from tidegate.audit.window import Window
from tidegate.core.policy import Marks
from tidegate.wear.pace import Pace
from tidegate.wear.rainflow import Cycle, Rainflow

# Nothing read for longer than this many polls is a gap (as the picture draws it).
GAP_POLLS: Final = 4
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
    read. ``first_ms`` and ``last_ms`` are the first and the last moment of the span
    that was read or covered; gaps may lie between. ``flows`` hold the cycles, a count
    for each pack. ``across_gaps_percent`` is how far the charge moved within gaps,
    ``across_edges_percent`` in gaps across an edge of the span, which is not counted.
    Of the time read a window was in force for ``ruled_ms``.
    """

    rests: defaultdict[Rest, int] = field(default_factory=lambda: defaultdict(int))
    moved: defaultdict[int | None, int] = field(
        default_factory=lambda: defaultdict(int)
    )
    gaps: list[Gap] = field(default_factory=list)
    flows: list[Rainflow] = field(default_factory=lambda: [Rainflow()])
    first_ms: int | None = None
    last_ms: int = 0
    lowest: int | None = None
    highest: int | None = None
    coolest: int | None = None
    warmest: int | None = None
    inside_ms: int = 0
    ruled_ms: int = 0
    reads: int = 0
    rejected: int = 0
    rate_per_h: float = 0.0
    across_gaps_percent: float = 0.0
    across_edges_percent: float = 0.0

    @property
    def covered_s(self) -> float:
        """The time for which a reading holds."""
        return sum(self.rests.values()) / 2_000

    @property
    def spanned_s(self) -> float:
        """The time from the first reading to the last, gaps included."""
        return 0.0 if self.first_ms is None else (self.last_ms - self.first_ms) / 1_000

    def cycles(self) -> list[Cycle]:
        """Return depth, mean and count of all cycles, each pair once."""
        merged: defaultdict[tuple[float, float], float] = defaultdict(float)
        for flow in self.flows:
            for depth, mean, count in flow.cycles():
                merged[depth, mean] += count
        return [(*pair, count) for pair, count in sorted(merged.items())]


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
        self._window = Window()
        self._last: Point | None = None
        self._first_ms: int | None = None
        self._first_why = "unread"
        self._series: list[float] = []
        self._pushed: int | None = None
        self._passed: Counter[str] = Counter()
        self._seen_ms: int | None = None
        self._is_other = False

    def window(self, marks: Marks | None) -> None:
        """Take the window in force from here on, ``None`` for none."""
        self._window.put(marks)

    def plan(self, marks: Marks | None) -> None:
        """Take the marks of a plan, ``None`` for its end."""
        self._window.plan(marks)

    def another_pack(self) -> None:
        """Begin the series anew: from here on the readings are of another battery."""
        if self._last is None:
            return
        self._flush()
        self.told.flows.append(Rainflow())
        self._pace.interrupt()
        self._pushed = None
        self._is_other = True

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
        self.told.inside_ms = self._window.inside_ms
        self.told.ruled_ms = self._window.ruled_ms
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
        self._is_other = False
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
        self._window.count(soc, length_ms)
        if celsius is not None:
            self._heat(celsius)
        last.at_ms, last.celsius = at_ms, celsius
        self.told.last_ms = at_ms
        self._seen_ms = at_ms

    def _point(self, at_ms: int, soc: int, celsius: int | None) -> None:
        if not self._since_ms <= at_ms < self._until_ms:
            return
        self._reach(at_ms, at_ms)
        if soc != self._pushed:
            self._push(soc, celsius)
        if celsius is not None:
            self._heat(celsius)

    def _reach(self, from_ms: int, until_ms: int) -> None:
        """Note that this was read or covered."""
        if self.told.first_ms is None:
            self.told.first_ms = from_ms
        self.told.last_ms = until_ms

    def _heat(self, celsius: int) -> None:
        told = self.told
        if told.coolest is None or told.warmest is None:
            told.coolest = told.warmest = celsius
        elif celsius < told.coolest:
            told.coolest = celsius
        elif celsius > told.warmest:
            told.warmest = celsius

    def _push(self, soc: int, celsius: int | None) -> None:
        if self._pushed is not None:
            self.told.moved[celsius] += abs(soc - self._pushed)
        self._level(soc)
        self._pushed = soc
        self._series.append(soc / 10)
        if len(self._series) >= _BATCH:
            self._flush()

    def _level(self, soc: int) -> None:
        told = self.told
        if told.lowest is None or told.highest is None:
            told.lowest = told.highest = soc
        elif soc < told.lowest:
            told.lowest = soc
        elif soc > told.highest:
            told.highest = soc

    def _flush(self) -> None:
        self.told.flows[-1].extend(self._series)
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
            self._across(last, at_ms, soc, is_told=is_told)
        elif is_told:
            self.told.rests[last.soc, last.celsius] += length_ms
            self.told.rests[soc, celsius] += length_ms
            self._window.count(last.soc, length_ms)
            if soc != last.soc and not self._is_other:
                self._pace.push(last.soc / 10, last.at_ms / 1000)
                self._pace.push(soc / 10, at_ms / 1000)
        else:
            self._part(last, at_ms, soc, celsius)

    def _across(self, last: Point, at_ms: int, soc: int, *, is_told: bool) -> None:
        """Note what a gap changed; nobody knows when within it."""
        if self._is_other:
            return
        changed = abs(soc - last.soc) / 10
        if is_told:
            self.told.across_gaps_percent += changed
        elif max(self._since_ms, last.at_ms) < min(self._until_ms, at_ms):
            self.told.across_edges_percent += changed

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
        self._window.count(last.soc, round(until_ms - since_ms))
        self._reach(round(since_ms), round(until_ms))
        # The charge changes in the middle: that belongs to the span that has it.
        has_change = self._since_ms <= middle_ms < self._until_ms
        if first_ms or has_change:
            self._held(last.soc, last.celsius, is_before=True)
        if second_ms or has_change:
            self._held(soc, celsius, is_before=False)

    def _held(self, soc: int, celsius: int | None, *, is_before: bool) -> None:
        """Take a level that a part of the span was at, though read outside of it."""
        if is_before and self._is_other:
            self._level(soc)  # of the pack that is gone: in no series any more
        elif soc != self._pushed:
            self._push(soc, celsius)
        if celsius is not None:
            self._heat(celsius)

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


def _tenths(thousandths: int | None) -> int | None:
    if thousandths is None:
        return None
    tenths = (thousandths + 50) // 100
    if COLDEST <= tenths <= HOTTEST:
        return tenths
    return COLDEST if tenths < COLDEST else HOTTEST
