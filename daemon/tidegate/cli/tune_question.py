"""What ``tidegate tune`` was asked: options of the command line into numbers.

Every error is a click.UsageError, one sentence with how to write it right.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

import click

HOUR_MS: Final = 3_600_000
AUTONOMY_MOST_H: Final = 7 * 24.0
LIFE_MOST_YEARS: Final = 100.0
SUPPLY_MOST_A: Final = 100.0
SUPPLIES_MOST: Final = 6
WINDOW: Final = (7.0, 95.0)
_NUMBER: Final = r"([0-9]{1,6}(?:\.[0-9]{1,3})?)"
_YEARS: Final = re.compile(rf"{_NUMBER} ?y")
_AMPERE: Final = re.compile(rf"{_NUMBER} ?A")
_MILLIAMPERE: Final = re.compile(rf"{_NUMBER} ?mA")
_PERCENT: Final = re.compile(rf"{_NUMBER} ?%?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What a candidate must meet, and which supplies are compared beside the present."""

    autonomy_h: float
    relay_life_years: float
    max_window_percent: float
    supplies_a: tuple[float, ...]


def question(
    *, autonomy: str, relay_life: str, max_window: str, supply: str | None
) -> Question:
    """Return what was asked."""
    return Question(
        autonomy_h=_autonomy_h(autonomy),
        relay_life_years=_life_years(relay_life),
        max_window_percent=_window_percent(max_window),
        supplies_a=() if supply is None else _supplies_a(supply),
    )


def _autonomy_h(text: str) -> float:
    # pydantic comes with it, and help must be quick.
    from tidegate.settings.durations import duration_ms

    try:
        hours = duration_ms(text) / HOUR_MS
    except ValueError as error:
        raise click.UsageError(f"--autonomy: {error}.") from error
    if hours > AUTONOMY_MOST_H:
        raise click.UsageError(f"--autonomy {text}: allowed is 0h to 7d.")
    return hours


def _life_years(text: str) -> float:
    match = _YEARS.fullmatch(text.strip())
    if match is None or float(match[1]) > LIFE_MOST_YEARS:
        raise click.UsageError(
            f"--relay-life {text}: allowed are years from 0y to {LIFE_MOST_YEARS:g}y, "
            "such as 10y."
        )
    return float(match[1])


def _window_percent(text: str) -> float:
    match, (least, most) = _PERCENT.fullmatch(text.strip()), WINDOW
    if match is None or not least <= float(match[1]) <= most:
        raise click.UsageError(
            f"--max-window {text}: allowed is a level from {least:g} to {most:g} "
            "percent, such as 80."
        )
    return float(match[1])


def _supplies_a(text: str) -> tuple[float, ...]:
    found: dict[float, None] = {}
    for part in text.split(","):
        found[_ampere(part.strip(), text)] = None
    if len(found) > SUPPLIES_MOST:
        raise click.UsageError(
            f"--supply {text}: allowed are at most {SUPPLIES_MOST} supplies."
        )
    return tuple(sorted(found))


def _ampere(part: str, text: str) -> float:
    ampere = 0.0
    if match := _AMPERE.fullmatch(part):
        ampere = float(match[1])
    elif match := _MILLIAMPERE.fullmatch(part):
        ampere = float(match[1]) / 1000
    if not 0 < ampere <= SUPPLY_MOST_A:
        raise click.UsageError(
            f"--supply {text}: allowed are currents into the device above 0A and up to "
            f"{SUPPLY_MOST_A:g}A, with commas: 0.5A,1A,2A."
        )
    return ampere
