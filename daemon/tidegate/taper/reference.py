"""What constant current then constant voltage would do, from the quickest to the slowest.

With a current I a charger reaches its voltage where OCV + I R is that voltage, and from
there the current falls in proportion to what is missing. In hours: rate = missing / tau
with tau = R Q / (dOCV/ds), R Q in ohm times ampere-hours. Over the upper half of a
lithium cell's curve dOCV/ds is 0.9 to 1.1 V (parameter set Ai2020, as pybamm ships it).
The limits of tau: 0.1 Ohm Ah is a cell of laboratories, 1.1 Ohm Ah one whose resistance
has trebled from the 0.4 Ohm Ah of a tablet's; that end and the end currents of a
fiftieth to a tenth of the capacity are engineering choices, no source.
"""

from __future__ import annotations

import math
from typing import Final

TAU_LEAST_H: Final = 0.1
TAU_MOST_H: Final = 1.2
END_LEAST_PERCENT_H: Final = 2.0
END_MOST_PERCENT_H: Final = 10.0


def slowest_rate(level_percent: float, *, top_percent: float, rate: float) -> float:
    """Return the lowest rate in percent an hour at a level, with a worn cell."""
    missing = max(top_percent - level_percent, 0.0)
    return min(rate, missing / TAU_MOST_H + END_LEAST_PERCENT_H)


def quickest_rate(level_percent: float, *, top_percent: float, rate: float) -> float:
    """Return the highest rate in percent an hour at a level, with a new cell."""
    missing = max(top_percent - level_percent, 0.0)
    return min(rate, missing / TAU_LEAST_H + END_MOST_PERCENT_H)


def slowest_hours(low: float, high: float, *, top_percent: float, rate: float) -> float:
    """Return the longest that constant current then constant voltage would take.

    ``rate`` in percent an hour is that of the constant current.
    """
    return _hours(low, high, top_percent, rate, TAU_MOST_H, END_LEAST_PERCENT_H)


def quickest_hours(
    low: float, high: float, *, top_percent: float, rate: float
) -> float:
    """Return the shortest that it would take."""
    return _hours(low, high, top_percent, rate, TAU_LEAST_H, END_MOST_PERCENT_H)


def _hours(
    low: float, high: float, top: float, rate: float, tau_h: float, end: float
) -> float:
    """Return the integral of the time over the level, in closed form."""
    if rate <= 0 or high <= low:
        return math.inf if rate <= 0 else 0.0
    high, top = min(high, top), max(top, high)
    # Where the falling line meets the constant rate.
    knee = min(max(top - max(rate - end, 0.0) * tau_h, low), high)
    at_constant = (knee - low) / rate
    if knee >= high:
        return at_constant
    begin = min((top - knee) / tau_h + end, rate)
    finish = min((top - high) / tau_h + end, rate)
    if begin <= finish:
        return at_constant + (high - knee) / begin
    return at_constant + tau_h * math.log(begin / finish)
