"""The rows of one station in the order of the log, of readings only what is counted.

A year holds a hundred thousand readings; making each the whole row that it is takes
several times as long as reading it.
"""

from __future__ import annotations

import heapq
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from operator import itemgetter
from typing import Final, NamedTuple

from tidegate.audit.result import Head
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.rows import LinkRow, ReadingRow, Row, SettingsRow, StateRow
from tidegate.cyclelog.schema import TABLE_OF, Table, odd_value, row_of, tables


class Run(NamedTuple):
    """A run of equal readings: the columns of ``ReadingRow`` that are counted."""

    boot_ms: int
    reads: int
    span_ms: int
    longest_gap_ms: int
    why_not: str | None
    soc_hundredths_percent: int | None
    temperature_mc: int | None
    last_temperature_mc: int | None
    voltage_mv: int | None
    last_voltage_mv: int | None
    current_ma: int | None
    last_current_ma: int | None
    charge_mah: int | None
    last_charge_mah: int | None


Seen = tuple[int, Row | Run]

_TABLE: Final = TABLE_OF[ReadingRow]
_COLUMNS: Final = ", ".join(f'"{name}"' for name in Run._fields)
_SKIPPED: Final = (LinkRow, StateRow, ReadingRow)


@dataclass(frozen=True, slots=True, kw_only=True)
class Extent:
    """What is known of a station's rows before they are walked.

    ``first_id`` and ``last_id`` are those of its first and last row. ``is_whole``:
    the gauge tells its charge in whole percents only.
    """

    first_id: int
    last_id: int
    is_whole: bool


def rows_of(reader: Reader, station: str, *, up_to: int) -> Iterator[Seen]:
    """Yield id and row of a station, and of the log as a whole, past files first.

    ``up_to`` is the last id of this file. Links and states are left out.
    """
    for file in _files(reader):
        yield from _of(file, station, up_to)


def refuse_odd(reader: Reader) -> None:
    """Refuse a log in which values have other types than their columns, past files
    included: most of what is asked here is reckoned by SQLite or is no whole row.

    Errors: LogUnreadable.
    """
    for file in _files(reader):
        with file.at_one_moment() as connection:
            for table in tables(file.version):
                found = connection.execute(
                    f'SELECT "id" FROM "{table.name}" WHERE {table.odd} LIMIT 1'
                ).fetchone()
                if found is not None:
                    raise odd_value(f"a column of {table.name}, row {found[0]},")


def extent(reader: Reader, station: str, *, up_to: int) -> Extent | None:
    """Return what is known beforehand of a station, ``None`` without any row of it."""
    found = [
        each
        for file in _files(reader)
        if (each := _extent(file, station, up_to)) is not None
    ]
    if not found:
        return None
    return Extent(
        first_id=min(each.first_id for each in found),
        last_id=max(each.last_id for each in found),
        is_whole=all(each.is_whole for each in found),
    )


def settings_of(
    reader: Reader, station: str, *, up_to: int
) -> list[tuple[int, SettingsRow]]:
    """Return id and row of all settings of a station, in order."""
    return [each for file in _files(reader) for each in _settings(file, station, up_to)]


def follows_absent(reader: Reader) -> bool:
    """Return whether the oldest file goes on from one that is not here."""
    if reader.past:
        with Reader(reader.past[0]) as oldest:
            return _follows(oldest)
    return _follows(reader)


def _follows(reader: Reader) -> bool:
    with reader.at_one_moment() as connection:
        asked = 'SELECT "prev_link" FROM "run" ORDER BY "id" LIMIT 1'
        found = connection.execute(asked).fetchone()
    return bool(found and found[0])


def head_of(reader: Reader) -> Head:
    """Return the last link as it is now; without any the link is ""."""
    with reader.at_one_moment() as connection:
        found = connection.execute(
            'SELECT "id", "number", "digest", "wall_ms" FROM "link" '
            'ORDER BY "id" DESC LIMIT 1'
        ).fetchone()
    row, number, digest, wall_ms = found or (0, 0, b"", 0)
    return Head(
        path=reader.path, link=digest.hex(), number=number, row=row, wall_ms=wall_ms
    )


def _files(reader: Reader) -> Iterator[Reader]:
    for path in reader.past:
        with Reader(path) as past:
            yield past
    yield reader


def _of(reader: Reader, station: str, up_to: int) -> Iterator[Seen]:
    with reader.at_one_moment() as connection:
        streams: list[Iterator[Seen]] = [
            _others(connection, table, station, up_to)
            for table in tables(reader.version)
            if table.row not in _SKIPPED
        ]
        streams.append(_readings(connection, station, up_to))
        yield from heapq.merge(*streams, key=itemgetter(0))


def _settings(
    reader: Reader, station: str, up_to: int
) -> Iterator[tuple[int, SettingsRow]]:
    with reader.at_one_moment() as connection:
        table = TABLE_OF[SettingsRow]
        for row_id, row in _others(connection, table, station, up_to):
            assert isinstance(row, SettingsRow)
            yield row_id, row


def _readings(
    connection: sqlite3.Connection, station: str, up_to: int
) -> Iterator[Seen]:
    found = connection.execute(
        f'SELECT "id", {_COLUMNS} FROM "{_TABLE.name}" '
        'WHERE "station" = ? AND "id" <= ? ORDER BY "id"',
        (station, up_to),
    )
    make = Run._make
    for row_id, *stored in found:
        yield row_id, make(stored)


def _others(
    connection: sqlite3.Connection, table: Table, station: str, up_to: int
) -> Iterator[Seen]:
    where = '"id" <= ?'
    values: tuple[int | str, ...] = (up_to,)
    if _has_station(table):
        where += " AND \"station\" IN (?, '')"
        values = (*values, station)
    found = connection.execute(f'{table.select} WHERE {where} ORDER BY "id"', values)
    for row_id, *stored in found:
        row = row_of(table, stored)
        assert not isinstance(row, LinkRow)
        yield row_id, row


def _has_station(table: Table) -> bool:
    return any(column.name == "station" for column in table.columns)


def _extent(reader: Reader, station: str, up_to: int) -> Extent | None:
    asked = [table for table in tables(reader.version) if _has_station(table)]
    with reader.at_one_moment() as connection:
        found = [
            connection.execute(
                f'SELECT min("id"), max("id") FROM "{table.name}" '
                'WHERE "station" = ? AND "id" <= ?',
                (station, up_to),
            ).fetchone()
            for table in asked
        ]
        part = connection.execute(
            f'SELECT 1 FROM "{_TABLE.name}" WHERE "station" = ? AND "why_not" IS NULL '
            'AND "id" <= ? AND "soc_hundredths_percent" % 100 LIMIT 1',
            (station, up_to),
        ).fetchone()
    firsts = [first for first, _ in found if first is not None]
    if not firsts:
        return None
    lasts = [last for _, last in found if last is not None]
    return Extent(first_id=min(firsts), last_id=max(lasts), is_whole=part is None)
