"""Where the rows of a whole log belong, asked of SQLite instead of row by row.

A year of them takes a fraction of the time.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator

from tidegate.cyclelog.placing import Boot, Placing, placed
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.rows import LinkRow
from tidegate.cyclelog.schema import Table, tables


def place_log(reader: Reader, station: str) -> Placing:
    """Return where the rows of a station, and those of none, belong in time.

    Past files are included. Errors: LogError.
    """
    boots: list[Boot] = []
    for path in reader.past:
        with Reader(path) as past:
            _add(past, station, boots)
    _add(reader, station, boots)
    return placed(boots)


def _add(reader: Reader, station: str, boots: list[Boot]) -> None:
    """Add the boots of one file; the last one before may go on in it."""
    asked = [each for each in tables(reader.version) if each.row is not LinkRow]
    with reader.at_one_moment() as connection:
        starts = list(_starts(connection))
        ends = [*(first_id for first_id, _ in starts[1:]), None]
        for (first_id, boot_id), end_id in zip(starts, ends, strict=True):
            piece = _Piece(connection, asked, station, (first_id, end_id))
            found = piece.boot(boot_id)
            if found is None:
                continue
            if boots and boot_id in ("", boots[-1].boot_id):
                _join(boots[-1], found)
            else:
                boots.append(found)


def _starts(connection: sqlite3.Connection) -> Iterator[tuple[int, str]]:
    """Yield the first id of each boot and its boot id; rows before any have none."""
    before = ""
    yield 0, before
    for row_id, boot_id in connection.execute(
        'SELECT "id", "boot_id" FROM "run" ORDER BY "id"'
    ):
        if boot_id != before:
            yield row_id, boot_id
            before = boot_id


def _join(boot: Boot, found: Boot) -> None:
    """Let a boot go on with what another file holds of it."""
    if not boot.is_anchored:
        boot.is_anchored, boot.offset_ms = found.is_anchored, found.offset_ms
    boot.first_ms = min(boot.first_ms, found.first_ms)
    boot.last_ms = max(boot.last_ms, found.last_ms)
    boot.least_ms = min(boot.least_ms, found.least_ms)
    boot.most_ms = max(boot.most_ms, found.most_ms)


class _Piece:
    """The rows of one file from one id up to another."""

    def __init__(
        self,
        connection: sqlite3.Connection,
        asked: list[Table],
        station: str,
        ids: tuple[int, int | None],
    ) -> None:
        self._connection = connection
        self._tables = asked
        self._station = station
        self._first_id = ids[0]
        self._end_id = ids[1] if ids[1] is not None else 2**63 - 1

    def boot(self, boot_id: str) -> Boot | None:
        """Return what these rows say of a boot, ``None`` if there are none."""
        bounds = [found for table in self._tables if (found := self._bounds(table))]
        if not bounds:
            return None
        firsts, lasts, leasts, mosts = zip(*bounds, strict=True)
        ends = [end for table in self._tables if (end := self._end(table, last=True))]
        begins = [end for table in self._tables if (end := self._end(table))]
        anchor = self._anchor()
        return Boot(
            first_id=min(begins)[0],
            boot_id=boot_id,
            first_ms=min(firsts),
            last_ms=max(lasts),
            offset_ms=max(ends)[1] if anchor is None else anchor,
            least_ms=min(leasts),
            most_ms=max(mosts),
            is_anchored=anchor is not None,
        )

    def _bounds(self, table: Table) -> tuple[int, int, int, int] | None:
        names = {column.name for column in table.columns}
        last = '"boot_ms" + "span_ms"' if "span_ms" in names else '"boot_ms"'
        where, values = self._where(table)
        found: tuple[int, int, int, int] = self._connection.execute(
            f'SELECT min("boot_ms"), max({last}), min("wall_ms" - "boot_ms"), '
            f'max("wall_ms" - "boot_ms") FROM "{table.name}" WHERE {where}',
            values,
        ).fetchone()
        return None if found[0] is None else found

    def _end(self, table: Table, *, last: bool = False) -> tuple[int, int] | None:
        """Return id and offset of the first or the last row of a table."""
        where, values = self._where(table)
        found: tuple[int, int] | None = self._connection.execute(
            f'SELECT "id", "wall_ms" - "boot_ms" FROM "{table.name}" WHERE {where} '
            f'ORDER BY "id" {"DESC" if last else "ASC"} LIMIT 1',
            values,
        ).fetchone()
        return found

    def _anchor(self) -> int | None:
        """Return the offset of the first run whose clock was synchronised."""
        found = self._connection.execute(
            'SELECT "wall_ms" - "boot_ms" FROM "run" '
            'WHERE "synchronised" AND "id" >= ? AND "id" < ? ORDER BY "id" LIMIT 1',
            (self._first_id, self._end_id),
        ).fetchone()
        return None if found is None else int(found[0])

    def _where(self, table: Table) -> tuple[str, tuple[int | str, ...]]:
        where, values = '"id" >= ? AND "id" < ?', (self._first_id, self._end_id)
        if any(column.name == "station" for column in table.columns):
            return f"{where} AND \"station\" IN (?, '')", (*values, self._station)
        return where, values
