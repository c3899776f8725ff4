"""A storage table that is handed down in handbooks, as a pessimistic bound.

The percent of the capacity that a year of storage leaves. Usually attributed to I.
Buchmann, "Batteries in a Portable World" (attribution from memory; the measurement
itself cannot be traced); three independent web pages agree on the numbers. The cells
were of the 1990s and 2000s. At 25 °C and 100 % it says that a fifth is lost, where no
model here says more than a thirteenth, and its two columns do not follow one law of
temperature. So nothing is interpolated, and it is no part of any range.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from typing import Final

LOW_PERCENT: Final = 40
HIGH_PERCENT: Final = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class Storage:
    """A row: what is left after a year at 40 % and at 100 % of charge, in percent.

    ``months_at_high`` is 12, but for the one row whose 100 % ended after 3 months.
    """

    temperature_c: int
    left_at_low_percent: int
    left_at_high_percent: int
    months_at_high: int = 12


TABLE: Final = (
    Storage(temperature_c=0, left_at_low_percent=98, left_at_high_percent=94),
    Storage(temperature_c=25, left_at_low_percent=96, left_at_high_percent=80),
    Storage(temperature_c=40, left_at_low_percent=85, left_at_high_percent=65),
    Storage(
        temperature_c=60,
        left_at_low_percent=75,
        left_at_high_percent=60,
        months_at_high=3,
    ),
)
_HEATS: Final = tuple(row.temperature_c for row in TABLE)


def storage(temperature_c: float) -> tuple[Storage, ...]:
    """Return the row of a temperature, else the rows around it; () outside 0-60 °C."""
    if not _HEATS[0] <= temperature_c <= _HEATS[-1]:
        return ()
    index = bisect_left(_HEATS, temperature_c)
    if _HEATS[index] == temperature_c:
        return (TABLE[index],)
    return TABLE[index - 1 : index + 1]


def sentences(temperature_c: float) -> tuple[str, ...]:
    """Return the bound in words, labelled; () where the table has nothing."""
    rows = storage(temperature_c)
    if not rows:
        return ()
    said = "; ".join(_row(row) for row in rows)
    return (
        f"Handbook table, a pessimistic bound from older cells, not a model: {said}.",
    )


def _row(row: Storage) -> str:
    if row.months_at_high != 12:
        return (
            f"storage at {row.temperature_c} °C leaves {row.left_at_high_percent} % "
            f"after {row.months_at_high} months at {HIGH_PERCENT} % of charge, "
            f"{row.left_at_low_percent} % after a year at {LOW_PERCENT} %"
        )
    return (
        f"a year of storage at {row.temperature_c} °C leaves "
        f"{row.left_at_high_percent} % at {HIGH_PERCENT} % of charge, "
        f"{row.left_at_low_percent} % at {LOW_PERCENT} %"
    )
