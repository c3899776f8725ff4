"""How many Ah lie between 0 and 100 % of the gauge, and how that is known."""

from __future__ import annotations

from statistics import median
from typing import Final

from tidegate.audit.cell import Capacity as Measuring
from tidegate.history import Series
from tidegate.tuning.device import Capacity, Source

# Below that a rounded charge says little of the whole; a choice.
_LEAST_PERCENT: Final = 20.0


def capacity_of(series: Series) -> Capacity | None:
    """Return it as measured, else as set, else as the gauge tells it, else nothing."""
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
    if told_ah is None:
        return None
    return Capacity(ah=told_ah, sigma_ah=None, source=Source.GAUGE)


def _told_ah(series: Series) -> float | None:
    """Return what the gauge takes for the whole: its charge over its percent."""
    told = [
        100 * point.charge_ah / point.soc_percent
        for point in series.points
        if point.charge_ah is not None
        and point.charge_ah > 0
        and point.soc_percent >= _LEAST_PERCENT
    ]
    return median(told) if told else None
