"""How warm the battery was by hour of the week: charged, used, and neither."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise
from operator import mul
from statistics import fmean
from typing import Final

from tidegate.core.policy import HOUR_MS
from tidegate.history import Coast
from tidegate.tuning.hours import Hours
from tidegate.tuning.paths import WEEK_H
from tidegate.tuning.spans import Span

_DAY_H: Final = 24
# Less than that of a battery at rest is the end of a charge; a choice.
_LEAST_HELD_H: Final = 1.0


Warmth = tuple[float, ...]


def warmth_of(
    found: Sequence[Span], hours: Hours, blind: Iterable[tuple[Coast, float]] = ()
) -> tuple[Warmth, Warmth, Warmth]:
    """Return °C by hour: fed, not fed, and held (fed but neither charged nor used).

    ``blind`` are times without supply in which nothing was read, and what was guessed
    for each.

    All are empty without any temperature. An hour that was never seen takes the mean of
    its hour of day, else that of all hours. Where a state was never seen another stands
    in: for held, and else for fed, not fed; an hour not seen held is by as much warmer
    than not fed as the hours that were.
    """
    fed, unfed, held = _Sums(), _Sums(), _Sums()
    for coast, middle_c in blind:
        for hour, each in hours.within(coast.off_ms, coast.on_ms).items():
            unfed.add(hour, each, middle_c)
    of_state = {True: fed, False: unfed, None: held}
    for span in found:
        sums = of_state[span.is_fed]
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
    seen = [each for each in (held, unfed, fed) if each.total]
    if not seen:
        return (), (), ()
    warm = (fed if fed.total else seen[0]).filled()
    cool = (unfed if unfed.total else seen[0]).filled()
    if unfed.total and held.total >= _LEAST_HELD_H:
        return warm, cool, held.beside(cool)
    return warm, cool, cool


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

    def beside(self, others: Sequence[float]) -> Warmth:
        """Return the mean of each hour; one not seen is off as those seen are."""
        off = sum(self.sums) - sum(map(mul, self.hours, others))
        return tuple(
            total / seen if seen else other + off / self.total
            for total, seen, other in zip(self.sums, self.hours, others, strict=True)
        )

    def filled(self) -> Warmth:
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
