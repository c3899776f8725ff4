"""An hour of the week that was hardly seen, told from the hours beside it too."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from math import sqrt
from typing import Final

from tidegate.tuning.weekly import Weekly

# An hour of the week was seen where it was for so long; a choice.
SEEN_H: Final = 0.3


def bridged(weekly: Weekly) -> Weekly:
    """Return the rates with those of hours hardly seen drawn to their neighbours.

    Such an hour stands at the mean of its hour of day, which is far off on a day that
    is unlike the others. The mean of the hours before and after is another opinion, as
    sure as such means were for hours that were seen, and no surer than the step between
    the two leaves it (anywhere from the one to the other); the two opinions are weighed
    by their variances.
    """
    size = len(weekly.rates)
    around = dict(_around(weekly))
    known = [hour for hour in around if weekly.hours[hour] >= SEEN_H]
    if not known:
        return weekly
    usual = sum((weekly.rates[hour] - around[hour]) ** 2 for hour in known) / len(known)
    rates, sigmas = list(weekly.rates), list(weekly.sigmas)
    for hour in around.keys() - set(known):
        one = sigmas[hour] ** 2
        beside = (sigmas[hour - 1] ** 2 + sigmas[(hour + 1) % size] ** 2) / 4
        step = weekly.rates[(hour + 1) % size] - weekly.rates[hour - 1]
        other = max(usual, step**2 / 12) + beside
        rates[hour] = (rates[hour] * other + around[hour] * one) / (one + other)
        sigmas[hour] = sqrt(one * other / (one + other))
    return replace(weekly, rates=rates, sigmas=sigmas, mean=sum(rates) / size)


def _around(weekly: Weekly) -> Iterator[tuple[int, float]]:
    """Yield the hours both of whose neighbours were seen, and the mean of these."""
    size = len(weekly.rates)
    for hour in range(size if size > 1 else 0):
        before, after = hour - 1, (hour + 1) % size
        if min(weekly.hours[before], weekly.hours[after]) >= SEEN_H:
            yield hour, (weekly.rates[before] + weekly.rates[after]) / 2
