"""How long the battery was at which charge and temperature, and what models get of it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from tidegate.audit.levels import Rest, Told
from tidegate.audit.result import AtThisPace, Bin, Soc, Temperature
from tidegate.wear.account import account
from tidegate.wear.duty import YEAR_DAYS, Duty

ASSUMED_C: Final = 25.0
HIGH_PERCENT: Final = 80.0
# The warmest JEITA band ends here; from there on a charger holds back.
WARM_C: Final = 45.0
# How long what was seen is thought to go on; the last of them decides. A choice.
PACE_YEARS: Final = (1, 3)
SOC_BIN: Final = 5
HEAT_BIN: Final = 5
_HALF_MS: Final = 2_000  # of these make a second
_HOUR_S: Final = 3_600.0

Seconds = Mapping[float, float]


def soc_of(told: Told) -> Soc:
    """Return where the charge was, by time covered."""
    seconds = _by(told.rests, 0)
    high_s = sum(each for soc, each in seconds.items() if soc > HIGH_PERCENT)
    inside = None
    if told.ruled_ms:
        inside = 100 * told.inside_ms / told.ruled_ms
    return Soc(
        mean_percent=_mean(seconds),
        lowest_percent=_part(told.lowest),
        highest_percent=_part(told.highest),
        hours_above_80_percent=high_s / _HOUR_S,
        in_window_percent=inside,
        window_s=told.ruled_ms / 1_000,
        histogram=_bins(seconds, range(0, 100, SOC_BIN), SOC_BIN),
    )


def temperature_of(told: Told, sensors: Sequence[str]) -> Temperature:
    """Return how warm the battery was, by the time for which that is known."""
    seconds = _by(told.rests, 1)
    warm_s = sum(each for celsius, each in seconds.items() if celsius >= WARM_C)
    lows: Iterable[int] = ()
    if seconds:
        first, last = (int(each // HEAT_BIN) for each in (min(seconds), max(seconds)))
        lows = (HEAT_BIN * place for place in range(first, last + 1))
    is_known = told.coolest is not None
    return Temperature(
        sensor=sensors[-1] if sensors and is_known else None,
        mean_c=_mean(seconds),
        lowest_c=_part(told.coolest),
        highest_c=_part(told.warmest),
        hours_above_45_c=warm_s / _HOUR_S,
        histogram=_bins(seconds, lows, HEAT_BIN),
        assumed_c=None if seconds else ASSUMED_C,
    )


def duty_of(told: Told, temperature: Temperature) -> Duty:
    """Return what the models get.

    Time without a temperature gets the mean of the rest, and all of it the assumed
    one where there is none. The time is that covered. Cycles were moved in gaps, too:
    the time covered gets them at their pace over all the time from the first reading
    to the last.
    """
    stand_in = temperature.mean_c
    if stand_in is None:
        stand_in = ASSUMED_C
    stand_in = round(stand_in, 1)
    rests: defaultdict[tuple[float, float], float] = defaultdict(float)
    for (soc, celsius), each in told.rests.items():
        if each:
            heat = stand_in if celsius is None else celsius / 10
            rests[soc / 10, heat] += each / _HALF_MS
    if not rests:
        return Duty(rests={})
    share = told.covered_s / told.spanned_s
    moved: defaultdict[float, float] = defaultdict(float)
    for celsius, tenths in told.moved.items():
        # Down and up again by 100 % is one equivalent full cycle.
        heat = stand_in if celsius is None else celsius / 10
        moved[heat] += share * tenths / 2_000
    cycles = {(depth, mean): share * count for depth, mean, count in told.cycles()}
    return Duty(rests=rests, cycles=cycles, moved=moved, rate_per_h=told.rate_per_h)


def at_this_pace(
    duty: Duty, *, hold_percent: float, chemistry: str
) -> tuple[AtThisPace, ...]:
    """Return what the models say if a duty goes on like this, each time from new.

    Less than a day shows no pace.
    """
    if duty.days < 1:
        return ()
    return tuple(
        AtThisPace(
            years=years,
            account=account(
                duty.times(YEAR_DAYS * years / duty.days),
                hold_percent=hold_percent,
                chemistry=chemistry,
            ),
        )
        for years in PACE_YEARS
    )


def _by(rests: Mapping[Rest, int], place: int) -> Seconds:
    """Return the seconds by charge (0) or by temperature (1), where it is known."""
    found: defaultdict[float, float] = defaultdict(float)
    for rest, each in rests.items():
        tenths = rest[place]
        if tenths is not None and each:
            found[tenths / 10] += each / _HALF_MS
    return found


def _mean(seconds: Seconds) -> float | None:
    total = sum(seconds.values())
    if not total:
        return None
    return sum(value * each for value, each in seconds.items()) / total


def _bins(seconds: Seconds, lows: Iterable[int], width: int) -> tuple[Bin, ...]:
    """Return bins from each low on; what is above the last one belongs to it."""
    edges = list(lows)
    totals = [0.0] * len(edges)
    for value, each in seconds.items():
        place = int((value - edges[0]) // width)
        totals[min(max(place, 0), len(edges) - 1)] += each
    return tuple(
        Bin(low=low, high=low + width, seconds=total)
        for low, total in zip(edges, totals, strict=True)
    )


def _part(tenths: int | None) -> float | None:
    return None if tenths is None else tenths / 10
