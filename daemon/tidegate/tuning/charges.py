"""Whole charges, from the moments of the discharges on both sides.

A poll is long beside a quick charge: it moves by half a point or more from read to
read, each charge begins right after one, and so the steps are met at the same places
between two reads every time, and what that errs by never averages out. From the last
moment of the discharge before to the first of the one after, the slow load alone
decides how well the level is known. How long the charge took is known as well: both
its ends come right after a read, half a gap before where they are taken to be.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Final

from tidegate.core.policy import HOUR_MS
from tidegate.tuning.hours import Exposure, Hours
from tidegate.tuning.spans import Moment, Span
from tidegate.tuning.weekly import Weekly

# Where a charge moves more than this from read to read; a choice.
COARSE_PERCENT: Final = 0.1
# By how much of a gap both ends of a charge may differ in a cycle log; a choice.
_UNEVEN: Final = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Charge:
    """A charge between two discharges.

    ``before`` is the last moment of the one before it, ``after`` the first of the one
    after; ``hours`` are those of the week that it took, ``beside`` those in which the
    load alone went on between it and the two moments.
    """

    before: Moment
    after: Moment
    hours: Exposure
    beside: Exposure
    high_percent: float
    gap_h: float

    @property
    def took_h(self) -> float:
        """How long it lasted."""
        return sum(self.hours.values())

    def risen_percent(self, loads: Sequence[float]) -> float:
        """Return by how much the charge rose, the load known."""
        used = over(self.beside, loads)
        return self.after.level_percent - self.before.level_percent + used

    def error(self, loads: Weekly, *, is_log: bool) -> float:
        """Return the variance of that."""
        pace = abs(self.risen_percent(loads.rates)) / self.took_h + loads.mean
        error = (pace * self.gap_h * (_UNEVEN if is_log else 1 / sqrt(6))) ** 2
        error += over(self.beside, loads.sigmas) ** 2
        return error + self.moments_error(loads)

    def moments_error(self, loads: Weekly) -> float:
        """Return the variance of the way between its two moments."""
        mean = loads.mean
        return sum(
            (mean * each.within_ms / HOUR_MS) ** 2 / 3
            for each in (self.before, self.after)
        )


def over(hours: Exposure, rates: Sequence[float]) -> float:
    """Return what rates come to over some hours."""
    return sum(rates[hour] * each for hour, each in hours.items())


def charges(
    found: Sequence[Span], traces: Sequence[Sequence[Moment]], hours: Hours
) -> dict[int, Charge]:
    """Return the charges by the place of their span; ``traces`` are by span."""
    whole = {}
    for place in range(1, len(found) - 1):
        before, span, after = found[place - 1 : place + 2]
        if not span.is_fed or before.is_fed is not False or after.is_fed is not False:
            continue
        if before.stretch != span.stretch or after.stretch != span.stretch:
            continue
        if not traces[place - 1] or not traces[place + 1]:
            continue
        last, first = traces[place - 1][-1], traces[place + 1][0]
        within = hours.within(span.from_ms, span.until_ms)
        if not within:
            continue
        beside = hours.within(last.at_ms, span.from_ms)
        for hour, each in hours.within(span.until_ms, first.at_ms).items():
            beside[hour] = beside.get(hour, 0.0) + each
        whole[place] = Charge(
            before=last,
            after=first,
            hours=within,
            beside=beside,
            high_percent=max(each.soc_percent for each in span.points),
            gap_h=2 * (span.points[0].at_ms - span.from_ms) / HOUR_MS,
        )
    return whole
