"""What ``tidegate wear`` was asked: options of the command line into a duty.

Every error is a click.UsageError, one sentence with how to write it right.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final

import click

from tidegate.wear.duty import YEAR_DAYS, Duty
from tidegate.wear.model import Model
from tidegate.wear.models import MODELS

HOLD_PERCENT: Final = 60.0  # the middle of the default window
MOST_YEARS: Final = 30.0
HOUR_MS: Final = 3_600_000
_LEVELS: Final = re.compile(
    r"\s*([0-9]+(?:\.[0-9]+)?)\s*%?\s*[-\N{EN DASH}]\s*([0-9]+(?:\.[0-9]+)?)\s*%?\s*"
)


class Within(click.FloatRange):
    """A number in a range; not-a-number is in none, which a comparison cannot see."""

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> Any:
        number = super().convert(value, param, ctx)
        if math.isnan(number):
            self.fail(f"{value} is no number.", param, ctx)
        return number


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """A year of what was asked, its name, and the level of the hold beside it."""

    year: Duty
    name: str
    hold_percent: float


def question(
    hold_percent: float | None,
    cycle: str | None,
    *,
    period: str | None,
    temperature_c: float,
) -> Question:
    """Return what was asked."""
    if (hold_percent is None) == (cycle is None):
        raise click.UsageError(
            "Say one of --hold LEVEL and --cycle LOW-HIGH, such as --hold 100 or "
            "--cycle 55-65 --period 3h."
        )
    if cycle is not None:
        return _cycling(cycle, period=period, temperature_c=temperature_c)
    assert hold_percent is not None
    if period is not None:
        raise click.UsageError("--period belongs to --cycle; a hold has none.")
    return Question(
        year=Duty.hold(hold_percent, temperature_c=temperature_c, days=YEAR_DAYS),
        name=f"A hold at {hold_percent:g} %, at {temperature_c:g} °C",
        hold_percent=HOLD_PERCENT,
    )


def _cycling(cycle: str, *, period: str | None, temperature_c: float) -> Question:
    low, high = _levels(cycle)
    period_h = _period_h(period)
    year = Duty.cycling(
        low, high, period_h=period_h, temperature_c=temperature_c, days=YEAR_DAYS
    )
    return Question(
        year=year,
        name=f"Cycling between {low:g} and {high:g} %, {period} up and down, at "
        f"{temperature_c:g} °C",
        hold_percent=(low + high) / 2,
    )


def _levels(cycle: str) -> tuple[float, float]:
    match = _LEVELS.fullmatch(cycle)
    if match is None:
        raise click.UsageError(
            f"--cycle {cycle}: write two levels in percent, the lower first: 55-65."
        )
    low, high = float(match[1]), float(match[2])
    if not low < high <= 100:
        raise click.UsageError(
            f"--cycle {cycle}: the lower level comes first, and 100 is the highest: "
            "55-65."
        )
    return low, high


def _period_h(period: str | None) -> float:
    # pydantic comes with it, and help must be quick.
    from tidegate.settings.durations import duration_ms

    if period is None:
        raise click.UsageError(
            "--cycle needs --period: the time of once up and down, such as 3h."
        )
    try:
        hours = duration_ms(period) / HOUR_MS
    except ValueError as error:
        raise click.UsageError(f"--period: {error}.") from error
    if not 1 / 60 <= hours <= 365 * 24:
        raise click.UsageError(f"--period {period}: allowed is 1min to 365d.")
    return hours


def models(names: tuple[str, ...]) -> list[Model]:
    """Return the models named, in their own order; all of them for no name."""
    for name in names:
        if name not in MODELS:
            close = difflib.get_close_matches(name, MODELS, n=1, cutoff=0.5)
            hint = f"did you mean {close[0]}?" if close else f"it is {_one_of(MODELS)}."
            raise click.UsageError(f"--model {name}: there is none; {hint}")
    return [MODELS[name] for name in MODELS if not names or name in names]


def _one_of(names: Iterable[str]) -> str:
    *most, last = names
    return f"{', '.join(most)} or {last}"


def years(text: str) -> list[str]:
    """Return the years as they are named in the document, each once."""
    named: dict[str, None] = {}
    for part in text.split(","):
        try:
            years = float(part)
        except ValueError:
            years = 0.0
        if not 0 < years <= MOST_YEARS:
            raise click.UsageError(
                f"--years {text}: write numbers above 0 and up to {MOST_YEARS:g}, "
                "with commas: 1,3,5."
            )
        named[f"{years:g}"] = None
    return list(named)
