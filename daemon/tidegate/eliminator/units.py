"""Quantities as people read them: three digits, a prefix, a unit."""

from __future__ import annotations

import math
from typing import Final

_PREFIXES: Final = {-2: "µ", -1: "m", 0: "", 1: "k"}
# What is read in one size only, with so many digits behind the point.
_FIXED: Final = {"V": 2, "A²s": 3, "°C": 1, "K/W": 0, "m": 2}


def rounded_up(value: float) -> float:
    """Return a quantity above 0 with three digits, none of it lost: for what must be
    enough as it is shown.
    """
    step = 10.0 ** (math.floor(math.log10(value)) - 2)
    return math.ceil(value / step - 1e-9) * step


def shown(value: float, unit: str) -> str:
    """Return a quantity with its unit, such as ``82.2 mF``; ``value`` in base units."""
    if not math.isfinite(value):
        return f"no end of {unit}"
    if unit in _FIXED:
        digits = 3 if unit == "V" and 0 < abs(value) < 0.1 else _FIXED[unit]
        return f"{value:.{digits}f} {unit}"
    if not value:
        return f"0 {unit}"
    power = math.floor(math.log10(abs(float(f"{value:.3g}"))) / 3)
    power = min(max(power, min(_PREFIXES)), max(_PREFIXES))
    digits_text = f"{value / 1000.0**power:.3g}"
    return f"{float(digits_text):g} {_PREFIXES[power]}{unit}"
