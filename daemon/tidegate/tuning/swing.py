"""How wide a cycle really is beside its window, from the cycles of the log itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import fmean
from typing import Final

from tidegate.core.policy import HOUR_MS, Policy
from tidegate.tuning.charges import over
from tidegate.tuning.hours import Hours
from tidegate.tuning.spans import Span

# A cycle at the marks begins and ends so near to them; more was another rule.
_NEAR_PERCENT: Final = 2.0
_FEWEST: Final = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Swing:
    """See ``Device``; ``cycles`` are those it was learned from, 0 where assumed."""

    rest_percent: float
    extra_percent: float
    step_percent: float
    delay_h: float
    cycles: int


def swing_of(
    found: Sequence[Span],
    policy: Policy,
    hours: Hours,
    *,
    load: Sequence[float],
    rise: Sequence[float],
    step_percent: float,
) -> Swing:
    """Return what is between window and swing.

    A switching waits for the daemon's next read, half a poll in the mean; how often the
    readings of a file were written down has no part in it. The swing of a cycle
    is what the load took while the supply was off. What is wider than polls explain is
    a delay of gauge or relay; what is narrower, noise that meets a mark early.
    """
    delay_h = policy.poll_ms / HOUR_MS / 2
    seen = _cycles(found, policy, hours)
    rest, cycles = 0.0, 0
    if policy.marks is not None and len(seen) >= _FEWEST:
        cycles = len(seen)
        width = policy.marks.high_percent - policy.marks.low_percent
        rates = fmean(rise[each.off_hour] + load[each.on_hour] for each in seen)
        fell = fmean(over(each.hours, load) for each in seen)
        rest = fell - width + step_percent - delay_h * rates
        if rest > 0 and rates > 0:
            delay_h += rest / rates
            rest = 0.0
    mean_rates = fmean(load) + max(0.0, fmean(rise))
    return Swing(
        rest_percent=rest,
        extra_percent=rest - step_percent + delay_h * mean_rates,
        step_percent=step_percent,
        delay_h=delay_h,
        cycles=cycles,
    )


@dataclass(frozen=True, slots=True)
class _Cycle:
    hours: dict[int, float]
    off_hour: int
    on_hour: int


def _cycles(found: Sequence[Span], policy: Policy, hours: Hours) -> list[_Cycle]:
    if policy.marks is None:
        return []
    low, high = policy.marks.low_percent, policy.marks.high_percent
    cycles = []
    for (before, span), (_, after) in pairwise(pairwise(found)):
        if span.is_fed is not False or not (before.is_fed and after.is_fed):
            continue
        if len({before.stretch, span.stretch, after.stretch}) > 1:
            continue
        first, last = span.points[0].soc_percent, span.points[-1].soc_percent
        is_high = high - _NEAR_PERCENT <= first <= high + _NEAR_PERCENT
        is_low = low - _NEAR_PERCENT <= last <= low + _NEAR_PERCENT
        if is_high and is_low and span.until_ms > span.from_ms:
            within = hours.within(span.from_ms, span.until_ms)
            places = list(within)
            cycles.append(_Cycle(within, places[0], places[-1]))
    return cycles
