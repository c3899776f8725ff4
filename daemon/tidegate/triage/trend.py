"""How the resistance moved over a log, at 25 °C and 60 % charge.

Resistance falls with warmth and changes with charge, so steps are only compared after
both were taken out: ln R = a + b t + c (1/T - 1/298.15 K) + d (charge - 60 %), fitted
to the medians of days. A column that hardly moves in the log is left out, and no step
without a temperature takes part. The beginning and the end of the log are then medians
of normalised days, which one odd day does not move.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, log, sqrt
from statistics import median, quantiles
from typing import Final, NamedTuple

from tidegate.audit.result import Step
from tidegate.core.policy import DAY_MS
from tidegate.triage.fitted import fitted
from tidegate.triage.limits import Number, from_sigma
from tidegate.wear.duty import YEAR_DAYS

NORMAL_C: Final = 25.0
NORMAL_PERCENT: Final = 60.0
_KELVIN: Final = 273.15
# Choices: what is shorter or thinner shows no trend, only weather.
LEAST_DAYS: Final = 30
LEAST_STEPS: Final = 10
# A column that spreads less than this cannot be told from the noise.
_LEAST_SPREAD_C: Final = 3.0
_LEAST_SPREAD_PERCENT: Final = 5.0
# Each end is this part of the days, and so many of them at least.
_END: Final = 0.15
_LEAST_END: Final = 3
# Of a normal distribution: sigma over median deviation, the distance of its quartiles
# over sigma, and the sigma of a median over that of a mean.
_MAD: Final = 1.4826
_QUARTILES: Final = 1.349
_OF_MEDIAN: Final = 1.2533


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """Resistance at the end of a log against its beginning, both normalised.

    ``ratio`` is end over beginning; ``per_year`` the growth a year, such as 0.1.
    ``years`` is from the middle of the one end to that of the other. ``by_heat`` and
    ``by_charge`` say what was taken out; what was not hardly moved.
    """

    start_ohm: float
    start_sigma_ohm: float
    end_ohm: float
    end_sigma_ohm: float
    ratio: Number
    years: float
    per_year: float
    days: int
    by_heat: bool
    by_charge: bool
    from_ms: int
    until_ms: int


class _Day(NamedTuple):
    at_ms: float
    ln_ohm: float
    heat: float  # 1/T - 1/298.15 K
    charge: float  # charge - 60 %


def trend(steps: Sequence[Step]) -> tuple[Trend | None, str]:
    """Return the trend, or why there is none, else ""."""
    if not steps:
        return None, "No step of resistance was measured."
    known = [step for step in steps if step.temperature_c is not None]
    if len(known) < LEAST_STEPS:
        if len(steps) >= LEAST_STEPS:
            return None, (
                "The steps have no temperature, and without it their resistances "
                "cannot be compared."
            )
        return None, f"There are {len(steps)} steps; {LEAST_STEPS} are needed."
    days = _days(known)
    span_days = (days[-1].at_ms - days[0].at_ms) / DAY_MS
    if span_days < LEAST_DAYS or len(days) < 2 * _LEAST_END:
        return None, (
            f"The steps lie within {span_days:.0f} days; {LEAST_DAYS} are needed for "
            "a trend."
        )
    return _made(days), ""


def _days(steps: Sequence[Step]) -> list[_Day]:
    found: defaultdict[int, list[Step]] = defaultdict(list)
    for step in steps:
        found[step.at_ms // DAY_MS].append(step)
    return [_median(found[day]) for day in sorted(found)]


def _median(steps: Sequence[Step]) -> _Day:
    celsius = median(step.temperature_c or 0.0 for step in steps)
    return _Day(
        at_ms=median(step.at_ms for step in steps),
        ln_ohm=median(log(step.ohm) for step in steps),
        heat=1 / (celsius + _KELVIN) - 1 / (NORMAL_C + _KELVIN),
        charge=median(step.soc_percent for step in steps) - NORMAL_PERCENT,
    )


def _made(days: Sequence[_Day]) -> Trend:
    heat, charge = _coefficients(days)
    normal = [
        each.ln_ohm - heat[0] * each.heat - charge[0] * each.charge for each in days
    ]
    part = max(_LEAST_END, round(_END * len(days)))
    (start, start_sigma), (end, end_sigma) = _end(normal[:part]), _end(normal[-part:])
    # What the coefficients err by moves the ends apart as far as their weather was.
    apart = sqrt(
        (heat[1] * (_mean(days[-part:], "heat") - _mean(days[:part], "heat"))) ** 2
        + (charge[1] * (_mean(days[-part:], "charge") - _mean(days[:part], "charge")))
        ** 2
    )
    sigma = sqrt(start_sigma**2 + end_sigma**2 + apart**2)
    first_ms, last_ms = _mean(days[:part], "at_ms"), _mean(days[-part:], "at_ms")
    years = (last_ms - first_ms) / DAY_MS / YEAR_DAYS
    ratio = exp(end - start)
    return Trend(
        start_ohm=exp(start),
        start_sigma_ohm=exp(start) * start_sigma,
        end_ohm=exp(end),
        end_sigma_ohm=exp(end) * end_sigma,
        ratio=from_sigma(ratio, ratio * sigma),
        years=years,
        per_year=exp((end - start) / years) - 1,
        days=len(days),
        by_heat=heat != (0.0, 0.0),
        by_charge=charge != (0.0, 0.0),
        from_ms=round(days[0].at_ms),
        until_ms=round(days[-1].at_ms),
    )


def _coefficients(
    days: Sequence[_Day],
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return those of warmth and of charge with their sigmas; 0 where left out."""
    first_ms = days[0].at_ms
    columns = [[1.0] * len(days), [(each.at_ms - first_ms) / DAY_MS for each in days]]
    per_degree = 1 / (NORMAL_C + _KELVIN) ** 2
    has_heat = _spread(days, "heat") >= _LEAST_SPREAD_C * per_degree
    has_charge = _spread(days, "charge") >= _LEAST_SPREAD_PERCENT
    if has_heat:
        columns.append([each.heat for each in days])
    if has_charge:
        columns.append([each.charge for each in days])
    found = fitted(list(zip(*columns, strict=True)), [each.ln_ohm for each in days])
    none = (0.0, 0.0)
    if found is None:
        return none, none
    pairs = list(zip(found.values, found.sigmas, strict=True))
    return pairs[2] if has_heat else none, pairs[-1] if has_charge else none


def _spread(days: Sequence[_Day], what: str) -> float:
    found: list[float] = [getattr(each, what) for each in days]
    return max(found) - min(found)


def _mean(days: Sequence[_Day], what: str) -> float:
    found: list[float] = [getattr(each, what) for each in days]
    return sum(found) / len(found)


def _end(values: Sequence[float]) -> tuple[float, float]:
    middle = median(values)
    deviation = _MAD * median(abs(each - middle) for each in values)
    # Values that lie on two steps of a gauge may have no deviation from their median.
    low, _, high = quantiles(values, n=4)
    sigma = max(deviation, (high - low) / _QUARTILES)
    return middle, _OF_MEDIAN * sigma / sqrt(len(values))
