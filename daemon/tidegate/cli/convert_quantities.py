"""Quantities on the command line: a number with its unit, never without.

Every error is a click.UsageError, one sentence with what is allowed.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import click

from tidegate.words import visible

_NUMBER: Final = re.compile(r"\s*([0-9]+(?:\.[0-9]+)?|\.[0-9]+)\s*(.*?)\s*", re.DOTALL)


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """Units with their size in the base unit, and the range that is allowed in it."""

    units: Mapping[str, float]
    least: float
    most: float
    base: str
    example: str


CURRENT: Final = {"A": 1.0, "mA": 1e-3}
POWER: Final = {"W": 1.0, "mW": 1e-3}
VOLT: Final = {"V": 1.0, "mV": 1e-3}
TIME: Final = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6}
OHM: Final = {"ohm": 1.0, "mohm": 1e-3, "Ω": 1.0, "mΩ": 1e-3}
FARAD: Final = {"F": 1.0, "mF": 1e-3, "uF": 1e-6, "µF": 1e-6}
KINDS: Final = {
    "current": Kind(
        units=CURRENT, least=0.001, most=20.0, base="A", example="1.2A or 800mA"
    ),
    "sink": Kind(units=CURRENT, least=0.0, most=20.0, base="A", example="125mA"),
    "power": Kind(units=POWER, least=0.001, most=100.0, base="W", example="5W"),
    "volt": Kind(units=VOLT, least=0.001, most=60.0, base="V", example="3.85V"),
    "time": Kind(units=TIME, least=1e-6, most=60.0, base="s", example="50ms"),
    "length": Kind(
        units={"m": 1.0, "cm": 0.01, "mm": 0.001},
        least=0.01,
        most=100.0,
        base="m",
        example="2m or 50cm",
    ),
    "ohm": Kind(units=OHM, least=0.0, most=1000.0, base="ohm", example="30mohm"),
    "farad": Kind(units=FARAD, least=1e-6, most=100.0, base="F", example="10mF"),
    "share": Kind(units={"%": 0.01}, least=0.0, most=0.95, base="", example="20%"),
    "efficiency": Kind(units={"%": 0.01}, least=0.3, most=1.0, base="", example="90%"),
    "celsius": Kind(
        units={"C": 1.0, "°C": 1.0}, least=0.0, most=120.0, base="C", example="40C"
    ),
    "thermal": Kind(
        units={"K/W": 1.0, "C/W": 1.0, "°C/W": 1.0},
        least=0.1,
        most=1000.0,
        base="K/W",
        example="40K/W",
    ),
    "melting": Kind(
        units={"A2s": 1.0, "A²s": 1.0}, least=1e-4, most=1e6, base="A2s", example="4A2s"
    ),
}


def quantity(option: str, text: str, kind: str) -> float:
    """Return a quantity in its base unit. Errors: click.UsageError."""
    found = KINDS[kind]
    value, unit = _parts(option, text, found.units, found.example)
    # 95 % are not a little more than 0.95.
    size = float(f"{value * found.units[unit]:.12g}")
    if not found.least <= size <= found.most:
        percent = kind in ("share", "efficiency")
        factor, base = (100.0, "%") if percent else (1.0, found.base)
        raise click.UsageError(
            f"{option} {visible(text)}: allowed is {factor * found.least:g} to "
            f"{factor * found.most:g} {base}."
        )
    return size


def current_or_power(option: str, text: str) -> tuple[float | None, float | None]:
    """Return A or W, the other one ``None``. Errors: click.UsageError."""
    units = {**CURRENT, **POWER}
    _, unit = _parts(option, text, units, "1.2A or 5W")
    if unit in CURRENT:
        return quantity(option, text, "current"), None
    return None, quantity(option, text, "power")


def _parts(
    option: str, text: str, units: Mapping[str, float], example: str
) -> tuple[float, str]:
    allowed = " or ".join(units)
    match = _NUMBER.fullmatch(text)
    if match is None:
        raise click.UsageError(
            f"{option} {visible(text)}: write a number with its unit, {allowed}: "
            f"{example}."
        )
    number, unit = match[1], match[2]
    if not unit:
        raise click.UsageError(
            f"{option} {visible(text)}: the unit is missing; allowed is {allowed}: "
            f"{example}."
        )
    if unit not in units:
        raise click.UsageError(
            f"{option} {visible(text)}: there is no unit {visible(unit)!r} here; "
            f"allowed is {allowed}: {example}."
        )
    return float(number), unit
