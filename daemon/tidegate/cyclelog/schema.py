r"""The tables of the cycle log, and the line that stands for a row in the chain.

The file is SQLite with ``application_id`` 0x74696465 and the schema's version as
``user_version``. Every table is STRICT: a column holds whole numbers or text, nothing
else, and ``id`` is its integer primary key. The one exception is ``link.digest``,
32 bytes.

The line of a row is: id, table name, then the columns in schema order without the id
(and without ``link.digest``), parted by a tab. A number is written in decimal, null
as ``\N``, text as it is with four escapes: backslash ``\\``, tab ``\t``, line feed
``\n``, carriage return ``\r``. The encoding is UTF-8; the line feed that ends a line
is added where lines are hashed.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from functools import cache, lru_cache
from operator import attrgetter
from types import NoneType
from typing import Any, Final, get_args, get_type_hints

from tidegate.cyclelog.rows import LinkRow, Row
from tidegate.errors import LogUnreadable

APPLICATION_ID: Final = 0x74696465  # "tide"
VERSION: Final = 1

Cell = int | str | bytes | None

_ESCAPES: Final = str.maketrans({"\\": "\\\\", "\t": "\\t", "\n": "\\n", "\r": "\\r"})
SMALLEST: Final = -(2**63)
LARGEST: Final = 2**63 - 1


@dataclass(frozen=True, slots=True)
class Column:
    """One column: its name, the Python type of its values, and whether null is one."""

    name: str
    kind: type
    nullable: bool

    @property
    def sql(self) -> str:
        """The column's definition."""
        typed = {int: "INTEGER", bool: "INTEGER", str: "TEXT", bytes: "BLOB"}
        return f'"{self.name}" {typed[self.kind]}{"" if self.nullable else " NOT NULL"}'

    @property
    def odd(self) -> str:
        """The condition for a value that the definition does not allow."""
        typed = {int: "integer", bool: "integer", str: "text", bytes: "blob"}
        also = ", 'null'" if self.nullable else ""
        return f"typeof(\"{self.name}\") NOT IN ('{typed[self.kind]}'{also})"


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """One table and the row class that it holds."""

    name: str
    row: type[Row] | type[LinkRow]
    columns: tuple[Column, ...]
    # What each row needs, made once.
    insert: str = field(init=False, repr=False)
    names: tuple[str, ...] = field(init=False, repr=False)
    values: attrgetter[tuple[Any, ...]] = field(init=False, repr=False)
    turned: tuple[str, ...] = field(init=False, repr=False)
    # Where the station stands in a row, ``None`` for rows that have none.
    station: int | None = field(init=False, repr=False)

    def __post_init__(self) -> None:
        names = tuple(column.name for column in self.columns)
        turned = (each.name for each in self.columns if each.kind in (bool, bytes))
        marks = ", ".join("?" * (len(names) + 1))
        for name, value in (
            ("insert", f'INSERT INTO "{self.name}" VALUES ({marks})'),
            ("names", names),
            ("values", attrgetter(*names)),
            ("turned", tuple(turned)),
            ("station", names.index("station") if "station" in names else None),
        ):
            object.__setattr__(self, name, value)

    @property
    def create(self) -> str:
        """The statement that makes the table."""
        columns = ", ".join(column.sql for column in self.columns)
        return (
            f'CREATE TABLE "{self.name}" ("id" INTEGER PRIMARY KEY, {columns}) STRICT'
        )

    @property
    def select(self) -> str:
        """The beginning of a query for whole rows, id first."""
        names = ", ".join(f'"{column.name}"' for column in self.columns)
        return f'SELECT "id", {names} FROM "{self.name}"'

    @property
    def odd(self) -> str:
        """The condition for rows in which a value has another type than its column."""
        return " OR ".join(column.odd for column in self.columns)


def _table(row: type[Row] | type[LinkRow]) -> Table:
    name = re.sub(r"(?<=[a-z])(?=[A-Z])", "_", row.__name__.removesuffix("Row")).lower()
    hints = get_type_hints(row)
    return Table(
        name=name,
        row=row,
        columns=tuple(_column(row, field.name, hints) for field in fields(row)),
    )


def _column(row: type, name: str, hints: dict[str, Any]) -> Column:
    if row is LinkRow and name == "digest":
        return Column(name, bytes, nullable=False)
    members = get_args(hints[name]) or (hints[name],)
    (kind,) = (member for member in members if member is not NoneType)
    return Column(name, kind, nullable=NoneType in members)


TABLES: Final = {table.name: table for table in map(_table, (*get_args(Row), LinkRow))}
TABLE_OF: Final[dict[type, Table]] = {table.row: table for table in TABLES.values()}
LINK: Final = TABLE_OF[LinkRow]


@cache
def tables(version: int) -> tuple[Table, ...]:
    """Return the tables of a schema version, for reading.

    Errors: LogUnreadable for a version that this tidegate does not know.
    """
    if version != VERSION:
        raise LogUnreadable(
            f"the cycle log has schema version {version}, known is {VERSION}",
            remedy="Read it with the tidegate that wrote it, or a newer one.",
        )
    return tuple(TABLES.values())


def cells(row: Row | LinkRow) -> tuple[Cell, ...]:
    """Return the columns of a row as they are stored."""
    values = TABLE_OF[type(row)].values(row)
    if isinstance(row, LinkRow):
        return *map(storable, values[:-1]), bytes.fromhex(values[-1])
    return tuple(map(storable, values))


def storable(value: int | str | None) -> Cell:
    """Return a value as SQLite can hold it and any program can read it back.

    A number beyond 64 bits becomes the nearest one, a character that UTF-8 cannot
    hold its escape, and NUL, where other programs end a text, its symbol.
    """
    if value is None:
        return None
    if isinstance(value, int):
        whole = int(value)
        return whole if SMALLEST <= whole <= LARGEST else _nearest(whole)
    text = str(value)
    if not text.isascii():
        text = text.encode("utf-8", "backslashreplace").decode("utf-8")
    return text.replace("\0", "\N{SYMBOL FOR NULL}")


def _nearest(value: int) -> int:
    return min(max(value, SMALLEST), LARGEST)


def row_of(table: Table, stored: Sequence[Any]) -> Row | LinkRow:
    """Return the row that these columns (without the id) are.

    Errors: LogUnreadable for a value of another type than its column. SQLite keeps
    such values out of a file, and gives out those that got into it all the same.
    """
    expect_kinds(table, stored)
    values = dict(zip(table.names, stored, strict=True))
    for name in table.turned:
        cell = values[name]
        if cell is not None:
            values[name] = cell.hex() if isinstance(cell, bytes) else bool(cell)
    return table.row(**values)


def expect_kinds(table: Table, stored: Sequence[Any]) -> None:
    """Raise LogUnreadable for a value of another type than its column."""
    _expect_kinds(table, tuple(map(type, stored)))


# Of all that could be, a log has a few dozen; errors are not remembered.
@lru_cache(maxsize=1024)
def _expect_kinds(table: Table, kinds: tuple[type, ...]) -> None:
    for column, kind in zip(table.columns, kinds, strict=True):
        if kind is NoneType and column.nullable:
            continue
        if kind is not (int if column.kind is bool else column.kind):
            raise odd_value(column.name)


def odd_value(where: str) -> LogUnreadable:
    """Return the error for a value of a type that no writer stores there."""
    return LogUnreadable(
        f"the cycle log holds a value of another kind where {where} is due",
        remedy="The file is damaged or was altered; see tidegate log verify.",
    )


def line(row_id: int, table: Table, stored: Sequence[Cell]) -> str:
    """Return the line of a row for the chain."""
    # The digest is the last column of its table, and the only one that is no line.
    shown = stored[:-1] if table is LINK else stored
    return "\t".join(
        [
            str(row_id),
            table.name,
            *[
                "\\N"
                if cell is None
                else escaped(cell)
                if isinstance(cell, str)
                else str(cell)
                for cell in shown
            ],
        ]
    )


def escaped(text: str) -> str:
    """Return a text as it stands in a line."""
    return text.translate(_ESCAPES)
