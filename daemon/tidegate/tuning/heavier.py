"""Loads that only show while the supply is on: what it does not bring, they take.

Kirchhoff's current law at the battery: net charge = what comes in - load, and what
comes in is at least nothing and at most what the supply gives. So a battery that falls
while fed tells a load of at least as much; and a supply that brought ``rise + load``
in other hours gives at least that, so that where it brings less the load takes the
rest. It matters where the battery is never used in the busiest hours, as the supply is
on all through them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from statistics import fmean, median
from typing import Final

from tidegate.tuning.neighbours import SEEN_H
from tidegate.tuning.weekly import Weekly

# A supply that brings less than this share of the most is held back by the load.
_LESS: Final = 0.9
_DAY_H: Final = 24


def heavier_of(load: Weekly, rise: Weekly) -> Weekly:
    """Return the loads raised to what they must be; the same object where none is."""
    fed = [hour for hour, seen in enumerate(rise.hours) if seen > SEEN_H]
    if not fed:
        return load
    supply = _supply(load, rise, fed)
    most = max(rise.rates[hour] for hour in fed)
    rates, sigmas = list(load.rates), list(load.sigmas)
    for hour in fed:
        net = rise.rates[hour]
        least = -net
        if load.hours[hour] < SEEN_H and net < _LESS * most:
            least = max(least, supply - net)
        if least > rates[hour]:
            rates[hour], sigmas[hour] = least, max(sigmas[hour], rise.mean_sigma)
    if rates == load.rates:
        return load
    return replace(load, rates=rates, sigmas=sigmas, mean=sum(rates) / len(rates))


def _supply(load: Weekly, rise: Weekly, fed: Sequence[int]) -> float:
    """Return what the supply gives at least.

    From the hours of the week that show both states, else from the hours of day that
    do, on whatever days. Where there is none of these either, the device was taken to
    need, where charging was the quickest, what it needed least of all it was seen to.
    """
    both = [
        rise.rates[hour] + load.rates[hour] for hour in fed if load.hours[hour] > SEEN_H
    ]
    if not both and len(load.rates) > 1:
        used, brought = _by_hour_of_day(load), _by_hour_of_day(rise)
        both = [used[hour] + brought[hour] for hour in used.keys() & brought.keys()]
    if both:
        return median(both)
    most = max(rise.rates[hour] for hour in fed)
    quickest = [
        rise.rates[hour] for hour in fed if rise.rates[hour] >= _LESS * abs(most)
    ]
    seen = [
        rate for rate, hours in zip(load.rates, load.hours, strict=True) if hours > 0
    ]
    return fmean(quickest or [most]) + min(seen)


def _by_hour_of_day(weekly: Weekly) -> dict[int, float]:
    """Return the means of the hours of day that were seen."""
    found = {}
    for hour in range(_DAY_H):
        seen = sum(weekly.hours[hour::_DAY_H])
        if seen > SEEN_H:
            pairs = zip(
                weekly.rates[hour::_DAY_H], weekly.hours[hour::_DAY_H], strict=True
            )
            found[hour] = sum(rate * hours for rate, hours in pairs) / seen
    return found
