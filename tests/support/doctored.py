"""Changes to the rows of a log, as somebody who forges it would make them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from tidegate.cyclelog.rows import Entry, EventRow, IntentRow, OperatorRow

Fits = Callable[[Any], bool]
Change = Callable[[list[Entry]], list[Entry]]


def at(told: list[Entry], fits: Fits, which: int = 0) -> int:
    """Return where the n-th such row stands."""
    return [i for i, each in enumerate(told) if fits(each.row)][which]


def is_own(row: Any) -> bool:
    """Whether it is a switching of a commissioning run."""
    return isinstance(row, IntentRow) and row.reason == "prove"


def is_rules(row: Any) -> bool:
    """Whether it is a switching that the rules decided."""
    return isinstance(row, IntentRow) and row.reason != "prove"


def is_event(kind: str) -> Fits:
    return lambda row: isinstance(row, EventRow) and row.kind == kind


def is_operator(row: Any) -> bool:
    return isinstance(row, OperatorRow)


def without(fits: Fits, which: int = 0) -> Change:
    return lambda told: [*told[: (to := at(told, fits, which))], *told[to + 1 :]]


def with_fields(fits: Fits, which: int = 0, **fields: object) -> Change:
    def change(told: list[Entry]) -> list[Entry]:
        to = at(told, fits, which)
        row = replace(told[to].row, **fields)  # type: ignore[arg-type]
        return [*told[:to], Entry(told[to].id, row), *told[to + 1 :]]

    return change


def copied(fits: Fits, after: Fits, *, after_which: int = 0) -> Change:
    """Put a copy of a row after another one."""

    def change(told: list[Entry]) -> list[Entry]:
        to = at(told, after, after_which) + 1
        return [*told[:to], told[at(told, fits)], *told[to:]]

    return change


def moved(fits: Fits, after: Fits, *, after_which: int = 0) -> Change:
    """Put a row behind another one, with the id that it has there."""

    def change(told: list[Entry]) -> list[Entry]:
        row = told[at(told, fits)].row
        left = without(fits)(told)
        to = at(left, after, after_which)
        return [*left[: to + 1], Entry(left[to].id + 1, row), *left[to + 1 :]]

    return change


def both(first: Change, second: Change) -> Change:
    return lambda told: second(first(told))
