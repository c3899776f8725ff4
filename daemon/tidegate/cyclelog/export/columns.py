"""The columns of an export: those of the log, in units that people read.

Whole numbers of the log (mV, 0.01 %) become decimals (V, %) exactly, digit by digit,
without a float in between; codes become words; each wall-clock time stands there as
UTC, too.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, Final, Literal

from tidegate.clock import rfc3339
from tidegate.cyclelog import schema
from tidegate.cyclelog.export import meaning
from tidegate.cyclelog.rows import POWER_CODES, STATUS_CODES
from tidegate.errors import LogUnreadable

Kind = Literal["whole", "decimal", "truth", "text", "time"]

# How the name of a quantity ends in the log and in the export, its decimals and unit.
_QUANTITIES: Final = (
    ("_hundredths_percent", "_percent", 2, "%"),
    ("_mah", "_ah", 3, "Ah"),
    ("_mv", "_v", 3, "V"),
    ("_ma", "_a", 3, "A"),
    ("_mc", "_c", 3, "degC"),
)
_DURATIONS: Final = {
    "span_ms": "lasts_s",
    "wall_slip_ms": "wall_slip_s",
    "longest_gap_ms": "longest_gap_s",
    "same_span_ms": "same_span_s",
    "took_ms": "took_s",
}
_WORDS: Final = {
    "battery_status_code": ("battery_status", STATUS_CODES),
    "external_power_code": ("external_power", POWER_CODES),
}
_TIMES: Final = {"wall_ms": "time", "since_wall_ms": "since_time"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column: ``lexical`` gives what the log holds at ``place`` as it is written.

    ``words`` are all that a text can be, if they are known; ``decimals`` how many digits
    a decimal has after the point. Errors of ``lexical``:
    TypeError, ValueError for what no log of this schema holds.
    """

    name: str
    kind: Kind
    place: int
    nullable: bool
    lexical: Callable[[Any], str | None]
    unit: str = ""
    decimals: int = 0
    words: tuple[str, ...] = ()

    @property
    def meaning(self) -> str:
        """What it says."""
        return meaning.COLUMNS[self.name]


@dataclass(frozen=True, slots=True)
class Exported:
    """One table of an export."""

    name: str
    columns: tuple[Column, ...]
    station_at: int | None
    wall_at: int
    lasts_at: int | None

    @property
    def meaning(self) -> str:
        """What a row of it says."""
        return meaning.TABLES[self.name]

    def cells(self, row_id: int, stored: Sequence[Any]) -> list[str | None]:
        """Return a row as it is written. Errors: LogUnreadable."""
        row = (row_id, *stored)
        try:
            return [column.lexical(row[column.place]) for column in self.columns]
        except (TypeError, ValueError) as error:
            raise LogUnreadable(
                f"row {row_id} of the cycle log holds what no daemon writes ({error})",
                remedy="See what `tidegate log verify` says of it.",
            ) from error


@cache
def exported(table: schema.Table) -> Exported:
    """Return how a table of the log is exported."""
    columns = [_whole("id", 0, nullable=False)]
    for place, column in enumerate(table.columns, start=1):
        if column.name in _TIMES:
            columns.append(_time(_TIMES[column.name], place))
        columns.append(_column(column, place))
    names = [column.name for column in table.columns]
    return Exported(
        name=table.name,
        columns=tuple(columns),
        station_at=names.index("station") if "station" in names else None,
        wall_at=names.index("wall_ms"),
        lasts_at=names.index("span_ms") if "span_ms" in names else None,
    )


def _column(column: schema.Column, place: int) -> Column:
    name, nullable = column.name, column.nullable
    if column.kind is bytes:
        return _text(name, place, nullable=nullable, lexical=_hex)
    if column.kind is str:
        return _text(name, place, nullable=nullable, lexical=_as_it_is)
    if column.kind is bool:
        return Column(
            name=name, kind="truth", place=place, nullable=nullable, lexical=_truth
        )
    if name in _WORDS:
        shown, words = _WORDS[name]
        lexical = _word_of(words)
        return _text(shown, place, nullable=nullable, lexical=lexical, words=words)
    if name in _DURATIONS:
        shown = _DURATIONS[name]
        return _decimal(shown, place, nullable=nullable, places=3, unit="s")
    for end, shown_end, places, unit in _QUANTITIES:
        if name.endswith(end):
            shown = name.removesuffix(end) + shown_end
            return _decimal(shown, place, nullable=nullable, places=places, unit=unit)
    return _whole(name, place, nullable=nullable)


def _whole(name: str, place: int, *, nullable: bool) -> Column:
    unit = "ms" if name.endswith("_ms") else "s" if name.endswith("_s") else ""
    return Column(
        name=name,
        kind="whole",
        place=place,
        nullable=nullable,
        lexical=_digits,
        unit=unit,
    )


def _decimal(
    name: str, place: int, *, nullable: bool, places: int, unit: str
) -> Column:
    return Column(
        name=name,
        kind="decimal",
        place=place,
        nullable=nullable,
        lexical=_decimal_of(places),
        unit=unit,
        decimals=places,
    )


def _time(name: str, place: int) -> Column:
    return Column(name=name, kind="time", place=place, nullable=True, lexical=_moment)


def _text(
    name: str,
    place: int,
    *,
    nullable: bool,
    lexical: Callable[[Any], str | None],
    words: tuple[str, ...] = (),
) -> Column:
    return Column(
        name=name,
        kind="text",
        place=place,
        nullable=nullable,
        lexical=lexical,
        words=words,
    )


# --- what is written ------------------------------------------------------------------


def _digits(cell: int | None) -> str | None:
    # Of an int only: text in its place would be written as if it were a number.
    return None if cell is None else int.__repr__(cell)


def _decimal_of(places: int) -> Callable[[int | None], str | None]:
    width = places + 1

    def lexical(cell: int | None) -> str | None:
        if cell is None:
            return None
        digits = int.__repr__(cell)
        sign = ""
        if digits[0] == "-":
            sign, digits = "-", digits[1:]
        digits = digits.zfill(width)
        return f"{sign}{digits[:-places]}.{digits[-places:]}"

    return lexical


def _truth(cell: int | None) -> str | None:
    return None if cell is None else "true" if cell else "false"


def _word_of(words: Sequence[str]) -> Callable[[int | None], str | None]:
    def lexical(cell: int | None) -> str | None:
        if cell is None:
            return None
        if not 0 <= cell < len(words):
            raise ValueError(f"there is no code {cell}")
        return words[cell]

    return lexical


def _as_it_is(cell: str | None) -> str | None:
    return None if cell is None else str.__str__(cell)


def _hex(cell: bytes) -> str:
    return bytes.hex(cell)


def _moment(cell: int) -> str | None:
    try:
        return rfc3339(cell)
    except (ValueError, OverflowError):
        return None  # the number beside it is all that there is
