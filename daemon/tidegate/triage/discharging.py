"""What the battery did while it carried the device: how long, and whether it held."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from statistics import median, quantiles
from typing import Final

from tidegate.core.reading import BatteryStatus
from tidegate.history import Point, Series
from tidegate.triage.limits import COLLAPSED_LFP_V, COLLAPSED_V, Number

# Shorter falls of the charge tell nothing of how fast it falls; a choice.
LEAST_PERCENT: Final = 5.0
_HOUR_MS: Final = 3_600_000
# Nine of ten runs lie between these; with fewer runs all of them do.
_ENOUGH: Final = 20
# One cell at work lies near these, whatever the pack is made of.
_CELL_V: Final = 4.0
_CELL_LFP_V: Final = 3.3


@dataclass(frozen=True, slots=True, kw_only=True)
class Autonomy:
    """How fast the charge fell without supply, and what follows from full to the floor.

    ``rate`` is in percent an hour over ``runs`` falls; ``hours`` from 100 % to the
    floor, if it falls as fast all the way down. ``widest_percent`` is how far a fall
    really went.
    """

    rate: Number
    hours: Number
    runs: int
    widest_percent: float
    floor_percent: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Collapse:
    """A cell far too low for the charge that the gauge showed."""

    at_ms: int
    cell_v: float
    soc_percent: float


def autonomy(series: Series) -> Autonomy | None:
    """Return how long the battery carries the device; ``None`` without a wide fall."""
    step = 1.0 if series.is_whole else 0.0
    slopes, lows, highs, widest = [], [], [], 0.0
    for run in _runs(series):
        fell = run[0].soc_percent - run[-1].soc_percent
        hours = (run[-1].at_ms - run[0].at_ms) / _HOUR_MS
        if fell < LEAST_PERCENT or hours <= 0:
            continue
        widest = max(widest, fell)
        slopes.append(fell / hours)
        lows.append((fell - step) / hours)
        highs.append((fell + step) / hours)
    if not slopes:
        return None
    rate = Number(value=median(slopes), low=_low(lows), high=_high(highs))
    floor = series.given.policy.floor_percent
    down = 100 - floor
    return Autonomy(
        rate=rate,
        hours=Number(
            value=down / rate.value, low=down / rate.high, high=down / rate.low
        ),
        runs=len(slopes),
        widest_percent=widest,
        floor_percent=floor,
    )


def collapses(series: Series) -> tuple[Collapse, ...]:
    """Return the lowest moment of each fall in which a cell gave way."""
    is_lfp = series.given.chemistry == "lfp"
    limit_v = COLLAPSED_LFP_V if is_lfp else COLLAPSED_V
    volts = [each.voltage_v for each in series.points if each.voltage_v]
    if not volts:
        return ()
    cells = max(1, round(median(volts) / (_CELL_LFP_V if is_lfp else _CELL_V)))
    floor = series.given.policy.floor_percent
    found = []
    for run in _runs(series):
        low = [
            Collapse(
                at_ms=each.at_ms,
                cell_v=each.voltage_v / cells,
                soc_percent=each.soc_percent,
            )
            for each in run
            if each.voltage_v
            and each.voltage_v / cells < limit_v
            and each.soc_percent > floor
        ]
        if low:
            found.append(min(low, key=lambda each: each.cell_v))
    return tuple(found)


def _runs(series: Series) -> Iterator[Sequence[Point]]:
    """Yield the times within which the battery alone carried the device."""
    for stretch in series.stretches():
        run: list[Point] = []
        for point in stretch:
            if _is_carrying(point):
                run.append(point)
            elif run:
                yield run
                run = []
        if run:
            yield run


def _is_carrying(point: Point) -> bool:
    if point.is_fed is not None:
        return not point.is_fed
    return point.status is BatteryStatus.DISCHARGING


def _low(values: Sequence[float]) -> float:
    found = quantiles(values, n=20)[0] if len(values) >= _ENOUGH else min(values)
    return max(found, 1e-6)


def _high(values: Sequence[float]) -> float:
    return quantiles(values, n=20)[-1] if len(values) >= _ENOUGH else max(values)
