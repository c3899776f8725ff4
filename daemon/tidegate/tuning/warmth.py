"""How warm the battery was by hour of the week, fed and not."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from statistics import fmean

from tidegate.core.policy import HOUR_MS
from tidegate.tuning.hours import Hours
from tidegate.tuning.paths import WEEK_H
from tidegate.tuning.spans import Span

_DAY_H = 24


def warmth_of(
    found: Sequence[Span], hours: Hours
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return °C by hour, fed and not fed; both empty without any temperature.

    An hour that was never seen takes the mean of its hour of day, else that of all
    hours; where one state was never seen, the other stands in.
    """
    fed = _Sums()
    unfed = _Sums()
    for span in found:
        sums = unfed if span.is_fed is False else fed
        for before, after in pairwise(span.points):
            if before.temperature_c is None or after.temperature_c is None:
                continue
            middle_c = (before.temperature_c + after.temperature_c) / 2
            if after.at_ms - before.at_ms > HOUR_MS:
                parts = hours.within(before.at_ms, after.at_ms)
            else:
                took_h = (after.at_ms - before.at_ms) / HOUR_MS
                at_ms = (before.at_ms + after.at_ms) / 2
                parts = dict.fromkeys(hours.within(at_ms, at_ms + 1), took_h)
            for hour, each in parts.items():
                sums.add(hour, each, middle_c)
    if not (fed.total or unfed.total):
        return (), ()
    warm = fed.filled() if fed.total else unfed.filled()
    cool = unfed.filled() if unfed.total else warm
    return warm, cool


class _Sums:
    """Time and time x temperature by hour of the week."""

    def __init__(self) -> None:
        self.hours = [0.0] * WEEK_H
        self.sums = [0.0] * WEEK_H
        self.total = 0.0

    def add(self, hour: int, took_h: float, celsius: float) -> None:
        """Take a time."""
        self.hours[hour] += took_h
        self.sums[hour] += took_h * celsius
        self.total += took_h

    def filled(self) -> tuple[float, ...]:
        """Return the mean of each hour."""
        of_day = []
        for hour in range(_DAY_H):
            seen = sum(self.hours[hour::_DAY_H])
            of_day.append(sum(self.sums[hour::_DAY_H]) / seen if seen else None)
        known = fmean(each for each in of_day if each is not None)
        means = [known if each is None else each for each in of_day]
        return tuple(
            self.sums[each] / self.hours[each]
            if self.hours[each]
            else means[each % _DAY_H]
            for each in range(WEEK_H)
        )
