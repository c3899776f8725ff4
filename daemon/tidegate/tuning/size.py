"""How many Ah lie between 0 and 100 % of the gauge, and how that is known.

A charge counter has neither full nor empty and may begin anywhere: only its differences
mean something (Linux kernel, power_supply_class.rst, CHARGE_COUNTER, from memory). So
what the gauge takes for the whole is what its counter moved by over the points that its
percent moved by, between the same moments.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from statistics import median
from typing import Final

from tidegate.audit.cell import Capacity as Measuring
from tidegate.history import Point, Series
from tidegate.tuning.device import Capacity, Source
from tidegate.tuning.spans import Moment

# Below that a rounded charge says little of the whole; a choice.
_LEAST_PERCENT: Final = 20.0
# Of less movement a counter in whole mAh tells the whole too roughly; a choice.
_LEAST_POINTS: Final = 10.0


def capacity_of(series: Series, traces: Sequence[Sequence[Moment]]) -> Capacity | None:
    """Return it as measured, else as set, else as the gauge tells it, else nothing.

    ``traces`` are the moments of each discharge and each charge.
    """
    told_ah = _told_ah(series)
    measuring = Measuring(is_whole=series.is_whole)
    for stretch in series.stretches():
        measuring.interrupt()
        for point in stretch:
            if point.charge_ah is not None:
                measuring.take(point.soc_percent, point.charge_ah)
    found = measuring.measured([] if told_ah is None else [told_ah])
    if found.ah is not None:
        return Capacity(ah=found.ah, sigma_ah=found.sigma_ah, source=Source.MEASURED)
    if series.given.design_ah is not None:
        return Capacity(
            ah=series.given.design_ah, sigma_ah=None, source=Source.SETTINGS
        )
    moved_ah = _moved_ah(series, traces)
    if moved_ah is None:
        return None
    return Capacity(ah=moved_ah, sigma_ah=None, source=Source.GAUGE)


def _moved_ah(series: Series, traces: Sequence[Sequence[Moment]]) -> float | None:
    """Return what the counter moves by in 100 points of the gauge."""
    counted = [each for each in series.points if each.charge_ah is not None]
    times = [each.at_ms for each in counted]
    points = charge = 0.0
    for trace in traces:
        if len(trace) < 2:
            continue
        begin, end = (
            _counted_ah(counted, times, each.at_ms) for each in (trace[0], trace[-1])
        )
        if begin is not None and end is not None:
            moved = trace[-1].level_percent - trace[0].level_percent
            points += abs(moved)
            charge += end - begin if moved > 0 else begin - end
    if points < _LEAST_POINTS or charge <= 0:
        return None
    return 100 * charge / points


def _counted_ah(
    counted: Sequence[Point], times: Sequence[int], at_ms: float
) -> float | None:
    """Return what the counter showed at a moment, between the readings beside it."""
    place = bisect_left(times, at_ms)
    if place == len(times) or (place == 0 and times[0] > at_ms):
        return None
    after, before = counted[place], counted[max(0, place - 1)]
    assert before.charge_ah is not None
    assert after.charge_ah is not None
    if after.at_ms == before.at_ms:
        return after.charge_ah
    share = (at_ms - before.at_ms) / (after.at_ms - before.at_ms)
    return before.charge_ah + share * (after.charge_ah - before.charge_ah)


def _told_ah(series: Series) -> float | None:
    """Return the charge over the percent: all of it, where one is made of the other.

    What was measured and comes to the same may be the gauge's echo.
    """
    told = [
        100 * point.charge_ah / point.soc_percent
        for point in series.points
        if point.charge_ah is not None
        and point.charge_ah > 0
        and point.soc_percent >= _LEAST_PERCENT
    ]
    return median(told) if told else None
