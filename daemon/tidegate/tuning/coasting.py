"""Offs that end by time: a gauge that needs the supply cannot show the low mark.

Core rule 3: while such a station is off nothing is read, and its supply comes back when
a box of time is used up: the least of ``max_off``, of half of what is left above the
floor over the slope, and of what is left above the low mark over the slope; 5 min at
least. The slope is the steepest loss of the last 14 days, each learned from the two
ends of an off, and no less than 15 points an hour until there are seven days with one,
than 5 after that. Here the daemon learns as it does there, off by off.
"""

from __future__ import annotations

from math import ceil, floor
from typing import Final

from tidegate.core.passing import (
    COAST_FIRST_SLOPE,
    COAST_LEAST_MS,
    COAST_SLOPE,
    COAST_SURE_DAYS,
)
from tidegate.core.policy import HOUR_MS, Policy
from tidegate.core.state import SLOPE_DAYS
from tidegate.tuning.outcome import Candidate
from tidegate.tuning.paths import WEEK_H, Line
from tidegate.tuning.site import Site

# What was learned in the first days has gone by then, and what that led to as well.
SETTLED_H: Final = 6.0 * WEEK_H
_DAY_H: Final = 24
# A gauge in steps shows up to a step more of a loss than there was. Of the many offs of
# two weeks some do, unless that takes a chance as small as this; a choice.
_SELDOM: Final = 0.05


class Coasts:
    """The offs of one walk, in the order of time. Times are hours, levels true ones.

    ``boxed_h`` and ``count`` are how long they were in all, and how many.
    """

    def __init__(
        self, site: Site, candidate: Candidate, policy: Policy, fall: Line
    ) -> None:
        self._site, self._fall = site, fall
        self._step = site.device.step_percent
        self._low, self._floor = candidate.low_percent, policy.floor_percent
        self._most_h = policy.max_off_ms / HOUR_MS
        self._least_h = COAST_LEAST_MS / HOUR_MS
        self._by_day: dict[int, float] = {}
        self.boxed_h, self.count = 0.0, 0

    def begin(self) -> None:
        """Count from here on."""
        self.boxed_h, self.count = 0.0, 0

    def on_at(self, hour: float, level: float) -> float:
        """Return when an off of such a moment ends; the daemon learns from it."""
        shown = self._shown(level)
        slope = self._slope(hour)
        box_h = min(
            self._most_h,
            max(0.0, shown - self._floor) / 2 / slope,
            max(0.0, shown - self._low) / slope,
        )
        box_h = max(self._least_h, box_h)
        self.boxed_h += box_h
        self.count += 1
        self._learn(hour, level, hour + box_h)
        return hour + box_h

    def _learn(self, off_h: float, level: float, on_h: float) -> None:
        """Take the loss as the first reading after the on would show it."""
        end = max(0.0, level - self._fall.at(on_h) + self._fall.at(off_h))
        back = self._site.feed.level(on_h, end, on_h + self._site.device.back_h)
        lost = level - back
        if self._step:
            lost = ceil(lost / self._step - _SELDOM) * self._step
        day = int(on_h // _DAY_H)
        rate = lost / (on_h - off_h)
        if rate > self._by_day.get(day, 0.0):
            self._by_day[day] = rate

    def _slope(self, hour: float) -> float:
        after = int(hour // _DAY_H) - SLOPE_DAYS
        for day in [each for each in self._by_day if each <= after]:
            del self._by_day[day]
        is_sure = len(self._by_day) >= COAST_SURE_DAYS
        least = COAST_SLOPE if is_sure else COAST_FIRST_SLOPE
        return max([least, *self._by_day.values()])

    def _shown(self, level: float) -> float:
        step = self._step
        # What meets a mark is just above the step; no rounding may undo that.
        return floor(level / step + 0.5 + 1e-9) * step if step else level


def coasts_of(
    site: Site, candidate: Candidate, policy: Policy, fall: Line | None
) -> Coasts | None:
    """Return them where the gauge needs the supply and an off takes that away."""
    # Where an off only stops the charging, what falls is no more than a supply lacks.
    if not policy.gauge_needs_supply or fall is not site.load:
        return None
    return Coasts(site, candidate, policy, fall)
