"""What the experiments behind a model covered, and what of a duty they did not."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from tidegate.wear.duty import YEAR_DAYS, Duty

UNKNOWN: Final = "tested ranges not known (paper not read)"
# What is a smaller share of a duty than this does not put it outside the tests: an
# engineering choice, no source.
RARE: Final = 0.02

Range = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tested:
    """The ranges of the experiments behind a model, both ends inclusive.

    ``resting_c`` is of the storage tests; ``cycling_c``, ``depth_percent`` and
    ``rate_per_h`` (a C-rate) of the cycling tests. No test lasted longer than ``days``.
    """

    resting_c: Range
    cycling_c: Range
    soc_percent: Range
    depth_percent: Range
    rate_per_h: Range
    days: float


def outside(duty: Duty, tested: Tested) -> Iterator[str]:
    """Yield what of a duty lies outside the ranges, a phrase each with its numbers."""
    heats: dict[float, float] = {}
    levels: dict[float, float] = {}
    for (level, celsius), seconds in duty.rests.items():
        heats[celsius] = heats.get(celsius, 0.0) + seconds
        levels[level] = levels.get(level, 0.0) + seconds
    yield from _beyond("stored at ", heats, "°C", tested.resting_c)
    yield from _beyond("charge ", levels, "%", tested.soc_percent)
    if duty.efc:
        yield from _outside_cycles(duty, tested)
    lasted, longest = _years(duty.days), _years(tested.days)
    if duty.days > tested.days and lasted != longest:
        yield f"{lasted} (tested up to {longest})"


def _outside_cycles(duty: Duty, tested: Tested) -> Iterator[str]:
    yield from _beyond("cycled at ", duty.shares_by_heat, "°C", tested.cycling_c)
    depths: dict[float, float] = {}
    for (depth, _), count in duty.cycles.items():
        depths[depth] = depths.get(depth, 0.0) + count * depth
    yield from _beyond("depth ", depths, "%", tested.depth_percent)
    if duty.rate_per_h:
        # Two figures are all that a mean pace is worth.
        rate = {float(f"{duty.rate_per_h:.2g}"): 1.0}
        yield from _beyond("cycled at ", rate, "C", tested.rate_per_h)


def _beyond(
    what: str, weights: Mapping[float, float], unit: str, tested: Range
) -> Iterator[str]:
    low, high = tested
    # What is told as a bound of the tests is not beyond it.
    beyond = [value for value in weights if not low <= float(_told(value)) <= high]
    if sum(weights[value] for value in beyond) > RARE * sum(weights.values()):
        found = _span(min(beyond), max(beyond), unit)
        yield f"{what}{found} (tested {_span(low, high, unit)})"


def _span(low: float, high: float, unit: str) -> str:
    first, last = _told(low), _told(high)
    return f"{first} {unit}" if first == last else f"{first} to {last} {unit}"


def _told(value: float) -> str:
    return f"{value:.3g}"


def _years(days: float) -> str:
    years = f"{days / YEAR_DAYS:.2g}"
    return f"{years} year" if years == "1" else f"{years} years"
