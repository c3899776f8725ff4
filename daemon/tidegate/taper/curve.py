"""A charge over its level instead of over time: how long each part of it took.

Times are those at which a level was crossed, so that whole percents cost nothing: the
moment at which the number changes is known to a read. What was measured within a part
is its median.
"""

from __future__ import annotations

import math
import statistics
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from tidegate.history import Point
from tidegate.taper.charges import NEAR_PERCENT, Charge

# The parts that a charge is looked at in.
STEP_PERCENT: Final = 5
_MS_AN_HOUR: Final = 3_600_000
# Noise does not bring a level back that was passed by so much.
_NOISE_PERCENT: Final = 3
# A time that lies anywhere between two reads: the sigma of a uniform distribution.
_UNIFORM: Final = 1 / math.sqrt(12)


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """What happened between two levels. ``sigma_h`` is from the times of reads alone.

    ``gap_h`` is how much of it nobody saw. ``current_a`` is into the battery.
    """

    low_percent: float
    high_percent: float
    hours: float
    sigma_h: float
    gap_h: float
    current_a: float | None
    voltage_v: float | None
    temperature_c: float | None

    @property
    def rate_percent_h(self) -> float:
        """How fast it rose."""
        return (self.high_percent - self.low_percent) / max(self.hours, 1e-6)

    @property
    def power_w(self) -> float | None:
        """What went into the battery; ``None`` without current and voltage."""
        if self.current_a is None or self.voltage_v is None:
            return None
        return self.current_a * self.voltage_v


class Curve:
    """The parts of one charge; ``sign`` makes its current positive into the battery."""

    def __init__(self, charge: Charge, *, is_whole: bool, sign: int) -> None:
        self.charge = charge
        self._shift = 0.5 if is_whole else 0.0
        self._sign = sign
        self._times = [point.at_ms for point in charge.points]
        self._at = _crossings(charge, self._shift)
        self.top_percent = max(self._at, default=charge.start_percent)
        self.parts = tuple(self._parts())

    def hours(self, low: float, high: float) -> float | None:
        """Return how long it took from one level to another, if both were crossed."""
        if low not in self._at or high not in self._at or high <= low:
            return None
        begin, end = self._at[low][0], self._at[high][0]
        charge = self.charge
        return (charge.charging_ms(end) - charge.charging_ms(begin)) / _MS_AN_HOUR

    def sigma_h(self, low: float, high: float) -> float:
        """Return the uncertainty of such a time, from the times of reads alone."""
        return _UNIFORM * math.hypot(self._at[low][1], self._at[high][1]) / _MS_AN_HOUR

    def gap_h(self, low: float, high: float) -> float:
        """Return how much of such a time nobody saw."""
        begin, end = self._at[low][0], self._at[high][0]
        spans = ((max(a, begin), min(b, end)) for a, b in self.charge.gaps)
        return sum(max(0, b - a) for a, b in spans) / _MS_AN_HOUR

    def middle(
        self, low: float, high: float, of: Callable[[Point], float | None]
    ) -> float | None:
        """Return the median of what was read while it rose from low to high."""
        begin, end = self._at[low][0], self._at[high][0]
        first = bisect_left(self._times, begin)
        last = bisect_right(self._times, end)
        values = [
            value
            for point in self.charge.points[first:last]
            if (value := of(point)) is not None
        ]
        return statistics.median(values) if values else None

    def _parts(self) -> list[Part]:
        levels = [level for level in sorted(self._at) if level % STEP_PERCENT == 0]
        if self.top_percent % STEP_PERCENT:
            levels.append(self.top_percent)
        return [
            self._part(low, high) for low, high in pairwise(levels) if high - low >= 1
        ]

    def _part(self, low: float, high: float) -> Part:
        current = self.middle(low, high, lambda point: point.current_a)
        return Part(
            low_percent=low,
            high_percent=high,
            hours=max(self.hours(low, high) or 0.0, 1e-6),
            sigma_h=self.sigma_h(low, high),
            gap_h=self.gap_h(low, high),
            current_a=None if current is None else self._sign * current,
            voltage_v=self.middle(low, high, lambda point: point.voltage_v),
            temperature_c=self.middle(low, high, lambda point: point.temperature_c),
        )


def _crossings(charge: Charge, shift: float) -> dict[float, tuple[int, int]]:
    """Return when each whole level was crossed, and within how long, in ms.

    Noise crosses a level several times: the middle of the first and the last counts.
    """
    points = [point for point in charge.points if point.at_ms <= charge.reached_ms]
    top = charge.top_percent
    # The last step up of a whole gauge is seen; noise hides the last half point.
    highest = math.floor(top if shift else top - NEAR_PERCENT)
    found: dict[float, tuple[int, int]] = {}
    up = 1
    for level in range(math.floor(charge.start_percent) + 1, highest + 1):
        while up < len(points) and points[up].soc_percent < level:
            up += 1
        if up == len(points):
            break
        found[float(level)] = _crossed(points, up, level, shift)
    return found


def _crossed(
    points: Sequence[Point], up: int, level: int, shift: float
) -> tuple[int, int]:
    """Return the crossing whose first reading at or over the level is at ``up``."""
    last = up
    for place in range(up, len(points) - 1):
        soc = points[place].soc_percent
        if soc >= level + _NOISE_PERCENT:
            break
        if soc < level:
            last = place + 1
    first_ms, within_ms = _between(points[up - 1], points[up], level, shift)
    if last == up:
        return first_ms, within_ms
    last_ms, last_within_ms = _between(points[last - 1], points[last], level, shift)
    return (first_ms + last_ms) // 2, max(within_ms, last_within_ms)


def _between(
    before: Point, after: Point, level: float, shift: float
) -> tuple[int, int]:
    """Return when the straight line between two readings crosses the level.

    A whole percent stands for the middle of what it may be.
    """
    rise = after.soc_percent - before.soc_percent
    share = (level - before.soc_percent - shift) / rise if rise > 0 else 1.0
    within = after.at_ms - before.at_ms
    return round(before.at_ms + min(max(share, 0.0), 1.0) * within), within
