"""The limits that numbers are held against, each with where it comes from.

A number has an interval; where the limit lies inside of it nothing is certain.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, sqrt
from typing import Final

# So many standard deviations each way hold about 95 % of a normal distribution.
SIGMAS: Final = 2.0

LEAST_CAPACITY: Final = 0.80
MOST_RESISTANCE: Final = 2.0
HIGH_PERCENT: Final = 80.0
MOST_HIGH_SHARE: Final = 0.10
WARM_C: Final = 45.0
STOP_C: Final = 60.0
MOST_WARM_SHARE: Final = 0.01
# Where the sensor is not the cell: WEAR, common practice, no source.
SENSOR_C: Final = 5.0
# Under load with charge left. The lowest of four published tables has an open circuit
# of 3.57 V at 20 % (Ai2020, Ramadass2004, Marquis2019, Ecker2015 as shipped by pybamm),
# so what is lower lost 0.27 V and more in the cell; LFP lies lower. Choices.
COLLAPSED_V: Final = 3.3
COLLAPSED_LFP_V: Final = 2.8
# A form older than this is no inspection of today; a choice.
STALE_DAYS: Final = 90
# What was new at most so long before the log began serves as new; a choice.
NEW_YEARS: Final = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """A limit in words, and its source."""

    name: str
    text: str
    source: str


LIMITS: Final = (
    Limit(
        name="capacity",
        text="Worn out under 80 % of the rated capacity.",
        source="Common practice, no source. IEC 61960-3 only defines how the rated "
        "capacity is measured: at 0.2 It A and 20 ± 5 °C, which no device in use does.",
    ),
    Limit(
        name="resistance",
        text="Worn out at twice the resistance when new, at 25 °C and 60 % charge.",
        source="Common practice, from memory.",
    ),
    Limit(
        name="charge",
        text="Stands full when above 80 % for 10 % of the time and more.",
        source="Cells of LiCoO2 and graphite swell little below 80 % and steeply above "
        "(Lee 2003, cited at second hand); the share of time is a choice.",
    ),
    Limit(
        name="heat",
        text="Runs warm when at or above 45 °C for 1 % of the time and more.",
        source="45 °C is where chargers hold back (JEITA guide of 2007 as in the TI "
        "BQ25882, register 08h); the share of time is a choice. ± 5 °C between sensor "
        "and cell: common practice, no source.",
    ),
    Limit(
        name="voltage",
        text="Collapses when a cell falls under 3.3 V with charge above the floor.",
        source="A choice; published tables of open circuit have 3.57 V and more at 20 %.",
    ),
    Limit(
        name="inspection",
        text="Nobody has looked when an inspection has no date or is older than "
        f"{STALE_DAYS} days, or not since {STOP_C:g} °C.",
        source="A choice; 60 °C is where no charger may charge (JEITA, as above).",
    ),
    Limit(
        name="interval",
        text="A number is certain when its interval of two sigma lies on one side.",
        source="About 95 % of a normal distribution.",
    ),
)


def band_of(celsius: float) -> str:
    """Return what a charger does at a battery temperature, at its defaults.

    Source: JEITA guide of 2007 as the TI BQ25882 has it, register 08h: no charge under
    0 °C and above 60 °C, less current up to 10 °C, less voltage from 45 °C.
    """
    if celsius < 0 or celsius > STOP_C:
        return "no charge"
    if celsius < 10:
        return "reduced current"
    return "normal" if celsius < WARM_C else "reduced voltage"


@dataclass(frozen=True, slots=True, kw_only=True)
class Number:
    """A measured value and between which bounds it lies."""

    value: float
    low: float
    high: float

    def is_under(self, limit: float) -> bool | None:
        """Return whether it is under a limit; ``None`` where that is not certain."""
        if self.high < limit:
            return True
        return False if self.low >= limit else None

    def reaches(self, limit: float) -> bool | None:
        """Return whether it is at or over a limit; ``None`` where not certain."""
        if self.low >= limit:
            return True
        return False if self.high < limit else None


def from_sigma(value: float, sigma: float) -> Number:
    """Return a value with its interval of two sigma."""
    half = SIGMAS * sigma
    return Number(value=value, low=value - half, high=value + half)


def ratio_of(one: float, one_sigma: float, other: float, other_sigma: float) -> Number:
    """Return a ratio of two measured values above 0, their errors independent."""
    ratio = one / other
    relative = sqrt((one_sigma / one) ** 2 + (other_sigma / other) ** 2)
    if relative == inf:
        return Number(value=ratio, low=0.0, high=inf)
    return from_sigma(ratio, ratio * relative)
