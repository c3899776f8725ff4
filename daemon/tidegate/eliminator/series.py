"""Values that parts are made in: the E series and the ratings of small fuses.

Source: IEC 60063 (E3 to E24); IEC 60127 for fuses, whose ratings are the R10 series
of ISO 3 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

E24: Final = (
    *(1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0),
    *(3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2, 9.1),
)
# Each coarser series is every other value of the next finer one.
E12: Final = E24[::2]
E6: Final = E12[::2]
E3: Final = E6[::2]
FUSES: Final = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)
_TINY: Final = 1e-9


def at_least(value: float, series: Sequence[float]) -> float:
    """Return the smallest value of a series that is not under ``value``, above 0."""
    power = math.floor(math.log10(value))
    for decade in (power - 1, power, power + 1):
        for each in series:
            # Written as text and read again, so that 4.7 of a decade is 0.0047 itself.
            found = float(f"{each:g}e{decade}")
            if found >= value * (1 - _TINY):
                return found
    raise AssertionError(f"no value of the series reaches {value}")


def between(low: float, high: float, series: Sequence[float]) -> float | None:
    """Return the smallest value of a series from ``low`` up to ``high``, if any is."""
    found = at_least(low, series)
    return found if found <= high * (1 + _TINY) else None
