"""The figures of all benches as one table: what was measured, beside what, and the goal.

A bench hands in rows by the fixture ``figures``; ``conftest.py`` prints them when all
have run. A row computes its ratio and whether its goal is met from what was measured,
so neither can be claimed. Benches assert looser bounds of their own: a goal that is
missed is stated here with its reason, and fails nothing.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from enum import StrEnum
from itertools import groupby
from math import floor, log10
from typing import Any, Final

# The name of the property of a test's report that carries a row.
PROPERTY: Final = "figures"
_DIGITS: Final = 3
_SMALL: Final = 0.5


class Part(StrEnum):
    """The parts of the table, in its order: those that have a goal come first."""

    MEMORY = "resident memory of `run`"
    WAKING = "threads and wake-ups of an idle daemon"
    PROCESSOR = "processor time of an idle daemon"
    CROWD = "200 stations in one process, 20 of them hanging"
    FLASH = "flash and log of a station"
    DEMO = "demo"
    RAINFLOW = "rainflow over 1e6 samples"
    WEAR = "wear of a year"
    AUDIT = "audit of a station-year"
    BESIDE = "beside the goals"


class Of(StrEnum):
    """What a goal limits: the figure, its ratio to the reference, or the inverse."""

    VALUE = "value"
    TIMES = "times the reference"
    FASTER = "times faster than the reference"


@dataclass(frozen=True, slots=True)
class Goal:
    """A promised number: at most so much, or at least so many times faster."""

    of: Of
    limit: float


def at_most(value: float) -> Goal:
    """Return the goal of a figure in its own unit."""
    return Goal(Of.VALUE, value)


def times(ratio: float) -> Goal:
    """Return the goal of at most so many times the reference."""
    return Goal(Of.TIMES, ratio)


def faster(ratio: float) -> Goal:
    """Return the goal of at most one so-many-th of the reference."""
    return Goal(Of.FASTER, ratio)


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One figure. ``beside`` names the reference, measured in the same run and unit.

    ``best`` is the best round where the figure is the middle of several. ``why`` is
    said where the goal is missed.
    """

    part: Part
    what: str
    value: float
    unit: str
    beside: str = ""
    beside_value: float | None = None
    goal: Goal | None = None
    best: float | None = None
    why: str = ""

    @property
    def ratio(self) -> float | None:
        """The figure over its reference; the other way round where faster is asked."""
        if self.beside_value is None:
            return None
        if self.goal is not None and self.goal.of is Of.FASTER:
            return self.beside_value / self.value
        return self.value / self.beside_value

    @property
    def met(self) -> bool | None:
        """Whether the goal is met, ``None`` without one."""
        if self.goal is None:
            return None
        if self.goal.of is Of.VALUE:
            return self.value <= self.goal.limit
        assert self.ratio is not None, f"{self.what}: a ratio to what?"
        if self.goal.of is Of.FASTER:
            return self.ratio >= self.goal.limit
        return self.ratio <= self.goal.limit


class Figures:
    """Takes the rows of one test into its report."""

    def __init__(self, properties: list[tuple[str, object]]) -> None:
        self._properties = properties

    def row(
        self,
        part: Part,
        what: str,
        value: float,
        unit: str,
        *,
        beside: tuple[str, float] | None = None,
        goal: Goal | None = None,
        best: float | None = None,
        why: str = "",
    ) -> None:
        """Hand in a row; see ``Row``."""
        name, beside_value = beside or ("", None)
        row = Row(
            part=part,
            what=what,
            value=value,
            unit=unit,
            beside=name,
            beside_value=beside_value,
            goal=goal,
            best=best,
            why=why,
        )
        # As text: a report may travel between processes.
        self._properties.append((PROPERTY, json.dumps(asdict(row))))


def row_of(text: str) -> Row:
    """Return the row that a report carries."""
    plain = json.loads(text)
    goal = plain["goal"]
    taken = Goal(Of(goal["of"]), goal["limit"]) if goal else None
    return Row(**{**plain, "part": Part(plain["part"]), "goal": taken})


def in_order(rows: Iterable[Row]) -> list[Row]:
    """Return the rows by part, in each those with a goal first, else as they came."""
    parts = list(Part)
    return sorted(rows, key=lambda row: (parts.index(row.part), row.goal is None))


def document(rows: Iterable[Row]) -> list[dict[str, Any]]:
    """Return the table for a program."""
    return [{**asdict(row), "ratio": row.ratio, "met": row.met} for row in rows]


HEAD: Final = ("", "measured", "beside", "its value", "ratio", "goal", "met")


def lines(rows: Iterable[Row]) -> list[str]:
    """Return the table for people, aligned; the reasons of what is missed below."""
    notes: dict[str, int] = {}
    table: list[tuple[str, ...] | str] = [HEAD]
    for part, members in groupby(in_order(rows), key=lambda row: row.part):
        table.append(part.value)
        for row in members:
            mark = {None: "", True: "yes", False: "no"}[row.met]
            if row.met is False and row.why:
                note = f"{_best(row)}{row.why}"
                mark = f"no ({notes.setdefault(note, len(notes) + 1)})"
            table.append((f"  {row.what}", *_cells(row), mark))
    cells = [line for line in table if isinstance(line, tuple)]
    widths = [max(map(len, column)) for column in zip(*cells, strict=True)]
    shown = [
        line if isinstance(line, str) else "  ".join(map(str.ljust, line, widths))
        for line in table
    ]
    reasons = [f"({place}) {note}" for note, place in notes.items()]
    return [line.rstrip() for line in [*shown, *reasons]]


def _cells(row: Row) -> tuple[str, ...]:
    return (
        f"{number(row.value)} {row.unit}",
        row.beside,
        "" if row.beside_value is None else f"{number(row.beside_value)} {row.unit}",
        "" if row.ratio is None else _times(row.ratio, row.goal),
        _goal(row),
    )


def _times(ratio: float, goal: Goal | None) -> str:
    if goal is not None and goal.of is Of.FASTER:
        return f"{number(ratio)}x faster"
    # Most of the digits of a small ratio would be zeros.
    return f"1/{number(1 / ratio)}x" if 0 < ratio < _SMALL else f"{number(ratio)}x"


def _goal(row: Row) -> str:
    if row.goal is None:
        return ""
    if row.goal.of is Of.VALUE:
        return f"<= {number(row.goal.limit)} {row.unit}"
    sign = ">=" if row.goal.of is Of.FASTER else "<="
    return f"{sign} {_times(row.goal.limit, row.goal)}"


def _best(row: Row) -> str:
    if row.best is None:
        return ""
    is_ratio = row.goal is not None and row.goal.of is not Of.VALUE
    unit = "x" if is_ratio else f" {row.unit}"
    return f"best of this run {number(row.best)}{unit}: "


def number(value: float) -> str:
    """Return three digits that count, without an exponent."""
    if value == 0:
        return "0"
    decimals = max(0, _DIGITS - 1 - floor(log10(abs(value))))
    text = f"{value:.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
