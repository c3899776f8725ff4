"""Where a battery was charged: long rises while it was fed, up to where it stays.

A charge may have gaps, in which nobody looked, and pauses, in which it was not fed; both
are kept with it. It ends where the charge falls, where the supply stays away, or where
nobody looked for hours.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from tidegate.core.policy import HOUR_MS, MINUTE_MS
from tidegate.history import Point, Series

Span = tuple[int, int]

# Choices, no source. A gauge's noise and its whole percents stay under the fall that
# ends a charge; less of a rise than that shows no two fifths.
FALL_PERCENT: Final = 2.0
RISE_PERCENT: Final = 15.0
GAP_MOST_MS: Final = 3 * HOUR_MS
PAUSE_MOST_MS: Final = 30 * MINUTE_MS
# So long a stay at the top is kept of a device that floats for weeks.
STAY_MS: Final = 3 * HOUR_MS
# The reach of noise under the highest level that was read.
NEAR_PERCENT: Final = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Charge:
    """One charge: its readings, first the lowest, then up to the end of the stay.

    ``gaps`` and ``pauses`` are spans in UTC ms; ``reached_ms`` is when it was first at
    ``top_percent``, the highest level less what noise may add.
    """

    points: tuple[Point, ...]
    gaps: tuple[Span, ...]
    pauses: tuple[Span, ...]
    reached_ms: int

    @property
    def start_percent(self) -> float:
        """Where it began."""
        return self.points[0].soc_percent

    @property
    def top_percent(self) -> float:
        """The highest level that was read."""
        return max(point.soc_percent for point in self.points)

    @property
    def from_ms(self) -> int:
        """When it began."""
        return self.points[0].at_ms

    @property
    def until_ms(self) -> int:
        """When the last of it was read."""
        return self.points[-1].at_ms

    def charging_ms(self, at_ms: int) -> int:
        """Return how long it had been charging by then, pauses left out."""
        paused = sum(
            max(0, min(end, at_ms) - begin)
            for begin, end in self.pauses
            if begin < at_ms
        )
        return at_ms - self.from_ms - paused


def charges(series: Series) -> list[Charge]:
    """Return the charges of a series in the order of time."""
    found: list[Charge] = []
    for run in _runs(series):
        made = _charge(run)
        if made is not None:
            found.append(made)
    return found


class _Run:
    """The readings since the last low, and their highest."""

    def __init__(self, point: Point) -> None:
        self.points = [point]
        self.peak = point.soc_percent
        self.unfed_since: int | None = point.at_ms if point.is_fed is False else None

    def has_ended(self, point: Point, *, is_apart: bool) -> bool:
        """Return whether this reading is of no charge that went on until then."""
        last = self.points[-1]
        if is_apart and point.at_ms - last.at_ms > GAP_MOST_MS:
            return True
        if point.soc_percent < self.peak - FALL_PERCENT:
            return True
        since = self.unfed_since
        is_away = point.is_fed is False and since is not None
        return is_away and point.at_ms - (since or 0) > PAUSE_MOST_MS

    def take(self, point: Point) -> None:
        """Take a reading that goes on with it, or that is a lower beginning."""
        low = self.points[0].soc_percent
        if point.soc_percent <= low and self.peak - low < FALL_PERCENT:
            self.points.clear()
            self.peak = point.soc_percent
        self.points.append(point)
        self.peak = max(self.peak, point.soc_percent)
        if point.is_fed is not False:
            self.unfed_since = None
        elif self.unfed_since is None:
            self.unfed_since = point.at_ms


def _runs(series: Series) -> Iterator[list[Point]]:
    breaks = set(series.breaks)
    run: _Run | None = None
    for place, point in enumerate(series.points):
        if run is not None and run.has_ended(point, is_apart=place in breaks):
            yield run.points
            run = None
        if run is None:
            run = _Run(point)
        else:
            run.take(point)
    if run is not None:
        yield run.points


def _charge(points: list[Point]) -> Charge | None:
    top = max(point.soc_percent for point in points)
    if top - points[0].soc_percent < RISE_PERCENT:
        return None
    reached = next(
        point.at_ms for point in points if point.soc_percent >= top - NEAR_PERCENT
    )
    kept = _kept(points, reached + STAY_MS)
    # What it was fed with last is the end of it, whatever was read after that.
    while len(kept) > 2 and kept[-1].is_fed is False:
        kept = kept[:-1]
    if kept[-1].at_ms < reached:
        reached = kept[-1].at_ms
    return Charge(
        points=kept,
        gaps=_gaps(kept),
        pauses=_pauses(kept),
        reached_ms=reached,
    )


def _kept(points: list[Point], until_ms: int) -> tuple[Point, ...]:
    """Return the readings up to then; one that goes on past it is cut there."""
    kept = [point for point in points if point.at_ms <= until_ms]
    beyond = points[len(kept)] if len(kept) < len(points) else None
    if beyond is not None and beyond.soc_percent == kept[-1].soc_percent:
        kept.append(beyond._replace(at_ms=until_ms))
    return tuple(kept)


def _gaps(points: tuple[Point, ...]) -> tuple[Span, ...]:
    """Return where it rose by more than a point while nobody looked for long."""
    steps = sorted(after.at_ms - before.at_ms for before, after in pairwise(points))
    usual = steps[len(steps) // 2] if steps else 0
    most = max(4 * usual, 12 * MINUTE_MS)
    return tuple(
        (before.at_ms, after.at_ms)
        for before, after in pairwise(points)
        if after.at_ms - before.at_ms > most
        and after.soc_percent > before.soc_percent + 1
    )


def _pauses(points: tuple[Point, ...]) -> tuple[Span, ...]:
    """Return where it was not fed; from one reading to the next the first holds."""
    found: list[Span] = []
    for before, after in pairwise(points):
        if before.is_fed is not False:
            continue
        begin = before.at_ms
        if found and found[-1][1] == begin:
            begin = found.pop()[0]
        found.append((begin, after.at_ms))
    return tuple(found)
