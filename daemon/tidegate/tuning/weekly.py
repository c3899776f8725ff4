"""Rates by hour of the week from the times between moments: weighted least squares.

Between two moments the charge moved by the sum over the hours of rate x time, plus
what the rate of that very time differed from its usual (variance ``q`` a hour), plus
the errors of the two moments. The errors of neighbours are linked, since they share a
moment; a Kalman filter over each span unlinks them exactly (an integrator with noise,
seen with noise; its innovations are independent). Source: A. C. Harvey, Forecasting,
Structural Time Series Models and the Kalman Filter, 1989, 3.4 (from memory).

The rate of an hour of the week is drawn towards the mean of its hour of day, and that
towards the mean of all, each as much as the log itself shows them to differ: a normal
prior whose variances are those that the rates show, each counted as far as the
readings decide it (MacKay, Neural Computation 4 (1992) 415-447, from memory), that
between days for each hour of day. So an hour that was never seen takes the mean of its hour of
day, with the spread between days as its sigma.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from operator import mul
from typing import Final

from tidegate.tuning.hours import Exposure
from tidegate.tuning.paths import WEEK_H
from tidegate.tuning.positive import Factors, Matrix

_DAY_H: Final = 24
_DAYS: Final = 7
_ROUNDS: Final = 3
_NOISE_ROUNDS: Final = 6
# What is begun with, and the least: shares of the mean rate. Choices; the log decides.
_FIRST_SHARE: Final = 0.7
_FIRST_NOISE: Final = 0.1
_LEAST_SHARE: Final = 0.003
# The scale of a battery that did not move at all, in points an hour; a choice.
_LEAST_RATE: Final = 0.01
_POOLED_DAYS: Final = 0.5
# A moment's weight in what comes later fades; below this it is gone.
_FADED: Final = 1e-3


@dataclass(frozen=True, slots=True)
class Step:
    """From one moment to the next: points moved, hours by hour of the week.

    ``error`` is the variance of the level at its end, in points².
    """

    moved: float
    hours: Exposure
    error: float


@dataclass(frozen=True, slots=True)
class Way:
    """The moments of one span; ``error`` is the variance of the first."""

    error: float
    steps: Sequence[Step]


@dataclass(frozen=True, slots=True, kw_only=True)
class Weekly:
    """Rates in points an hour by hour of the week, their sigmas, the hours seen."""

    rates: Sequence[float]
    sigmas: Sequence[float]
    hours: Sequence[float]
    mean: float
    mean_sigma: float
    noise: float


def fitted(ways: Sequence[Way], *, towards: Sequence[float] | None = None) -> Weekly:
    """Return the rates. ``towards``: what they are drawn to, beside one shift for all.

    There are 168 hours, or one where ``towards`` has one value. Some hours were seen.
    """
    base = [0.0] * WEEK_H if towards is None else list(towards)
    size = len(base)
    seen, moved = _totals(ways, size)
    mean = max(_LEAST_RATE, moved / sum(seen))
    least = (_LEAST_SHARE * mean) ** 2 + 1e-12
    between = (_FIRST_SHARE * mean) ** 2
    prior = _prior(size, between, [between] * _DAY_H)
    noise = (_FIRST_NOISE * mean) ** 2
    found = _solved(ways, base, noise, prior)
    for _ in range(_ROUNDS - 1):
        noise = _noise(ways, found.rates, noise, free=found.free)
        noise = max(least / 10, noise)
        off = [one - other for one, other in zip(found.rates, base, strict=True)]
        prior = _prior(size, *_between(off, found, prior, least))
        found = _solved(ways, base, noise, prior)
    return Weekly(
        rates=found.rates,
        sigmas=[sqrt(each) for each in found.spread],
        hours=seen,
        mean=sum(found.rates) / size,
        mean_sigma=sqrt(found.total) / size,
        noise=noise,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Solved:
    """Rates under one noise and one prior.

    ``spread`` are their variances, ``blocks`` by hour of day the sums of the
    covariances of its days, ``total`` that of all; ``free`` is how many of the rates
    the readings really decide.
    """

    rates: list[float]
    spread: list[float]
    blocks: list[float]
    total: float
    free: float


@dataclass(frozen=True, slots=True)
class _Prior:
    """The inverse of the prior's covariance, the mean of all left free.

    By hour of day: ``inside`` on the diagonal, ``shared`` between its days; and from
    everywhere ``row`` of the one times ``row`` of the other over ``total`` is off.
    """

    inside: Sequence[float]
    shared: Sequence[float]
    row: Sequence[float]
    total: float


def _solved(
    ways: Sequence[Way], base: Sequence[float], noise: float, prior: _Prior
) -> _Solved:
    size = len(base)
    matrix, right = _normal(ways, base, noise, size)
    _add_prior(matrix, prior)
    factors = Factors(matrix)
    beside = factors.solved(right)
    spread = [factors.inverse(each, each) for each in range(size)]
    blocks = _blocks(factors, spread)
    rows = [prior.row[each % _DAY_H] for each in range(size)]
    off = sum(map(mul, rows, factors.solved(rows))) / prior.total
    inside = sum(
        prior.inside[place % _DAY_H] * each for place, each in enumerate(spread)
    )
    return _Solved(
        rates=[one + other for one, other in zip(base, beside, strict=True)],
        spread=spread,
        blocks=blocks,
        total=sum(factors.solved([1.0] * size)),
        # The trace of (normal matrix x inverse).
        free=size - inside - sum(map(mul, prior.shared, blocks)) + off,
    )


def _totals(ways: Sequence[Way], size: int) -> tuple[list[float], float]:
    """Return the hours seen by hour of the week, and the points moved, up or down."""
    seen, moved = [0.0] * size, 0.0
    for way in ways:
        for step in way.steps:
            moved += abs(step.moved)
            for hour, each in step.hours.items():
                seen[hour] += each
    return seen, moved


def _normal(
    ways: Sequence[Way], base: Sequence[float], noise: float, size: int
) -> tuple[Matrix, list[float]]:
    """Return the normal equations of what is beside ``base``."""
    matrix = [[0.0] * size for _ in range(size)]
    right = [0.0] * size
    for way in ways:
        hours: Exposure = {}
        ahead, sure = 0.0, way.error
        for step in way.steps:
            taken = sum(step.hours.values())
            for hour, each in step.hours.items():
                hours[hour] = hours.get(hour, 0.0) + each
                ahead -= each * base[hour]
            ahead += step.moved
            sure += noise * taken
            total = sure + step.error
            scaled = [(hour, each / total) for hour, each in hours.items()]
            for hour, each in scaled:
                line = matrix[hour]
                right[hour] += each * ahead
                for other, value in hours.items():
                    line[other] += each * value
            left = step.error / total
            ahead *= left
            hours = {
                hour: each * left
                for hour, each in hours.items()
                if each * left > _FADED
            }
            sure *= left
    return matrix, right


def _noise(
    ways: Sequence[Way], rates: Sequence[float], noise: float, *, free: float
) -> float:
    """Return the variance an hour with which the residuals are as large as told.

    From moment to moment, and over whole spans: a load that stays different for an
    hour shows in the latter only. The larger of the two counts.
    """
    for _ in range(_NOISE_ROUNDS):
        squares, count = 0.0, 0
        for way in ways:
            ahead, sure = 0.0, way.error
            for step in way.steps:
                ahead += _residual(step, rates)
                sure += noise * sum(step.hours.values())
                total = sure + step.error
                squares += ahead * ahead / total
                count += 1
                left = step.error / total
                ahead *= left
                sure *= left
        noise *= squares / max(1.0, count - free)
    squares = hours = 0.0
    for way in ways:
        off = sum(_residual(step, rates) for step in way.steps)
        squares += off * off - way.error - way.steps[-1].error
        hours += sum(sum(step.hours.values()) for step in way.steps)
    over_spans = squares / max(1.0, hours - free) if hours > free else 0.0
    return max(noise, over_spans)


def _residual(step: Step, rates: Sequence[float]) -> float:
    off = step.moved
    for hour, each in step.hours.items():
        off -= each * rates[hour]
    return off


def _prior(size: int, between_hours: float, between_days: Sequence[float]) -> _Prior:
    if size == 1:
        nothing = [0.0] * _DAY_H
        return _Prior(nothing, nothing, nothing, 1.0)
    inside = [1 / each for each in between_days]
    row = [1 / (each + _DAYS * between_hours) for each in between_days]
    shared = [
        -one * between_hours * other for one, other in zip(inside, row, strict=True)
    ]
    return _Prior(inside, shared, row, _DAYS * sum(row))


def _add_prior(matrix: Matrix, prior: _Prior) -> None:
    size = len(matrix)
    rows = [prior.row[each % _DAY_H] for each in range(size)]
    for one, line in enumerate(matrix):
        off = rows[one] / prior.total
        line[:] = [each - off * row for each, row in zip(line, rows, strict=True)]
        hour = one % _DAY_H
        line[one] += prior.inside[hour]
        for other in range(hour, size, _DAY_H):
            line[other] += prior.shared[hour]


def _blocks(factors: Factors, spread: Sequence[float]) -> list[float]:
    """Return by hour of day the sum of the covariances of its days."""
    size = len(spread)
    return [
        sum(spread[one] for one in range(hour, size, _DAY_H))
        + 2
        * sum(
            factors.inverse(one, other)
            for one in range(hour, size, _DAY_H)
            for other in range(one + _DAY_H, size, _DAY_H)
        )
        for hour in range(min(_DAY_H, size))
    ]


def _between(
    rates: Sequence[float], found: _Solved, prior: _Prior, least: float
) -> tuple[float, list[float]]:
    """Return how hours of day differ, and by hour of day how its days differ.

    Nights are alike where days are not, so each hour of day has a variance of its own;
    that of all stands in for a part of a day, as seven are few. An hour of the week
    counts as far as the readings decide it, so that those never seen say nothing.
    """
    size = len(rates)
    if size == 1:
        return least, [least] * _DAY_H
    between_hours, total = 0.0, sum(rates) / size
    squares, counts = [], []
    for hour, unsure in enumerate(found.blocks):
        places = range(hour, size, _DAY_H)
        mean = sum(rates[each] for each in places) / _DAYS
        squares.append(sum((rates[each] - mean) ** 2 for each in places))
        decided = (1 - found.spread[each] * prior.inside[hour] for each in places)
        counts.append(max(0.0, sum(decided) - 1))
        between_hours += (mean - total) ** 2 + unsure / _DAYS**2
    pooled = sum(squares) / max(1.0, sum(counts))
    between_hours = between_hours / (_DAY_H - 1) - pooled / _DAYS
    own = [
        (each + _POOLED_DAYS * pooled) / (count + _POOLED_DAYS)
        for each, count in zip(squares, counts, strict=True)
    ]
    return max(least, between_hours), [max(least, each) for each in own]
