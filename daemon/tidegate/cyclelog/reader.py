"""Reading the cycle log: any process, while a writer is active, on a read-only disk too.

Rows are committed in the order of their ids and never change, so every question is
answered from the rows up to the last link that was there when it was asked. The
questions of a start go back into the files of past years when they must.
"""

from __future__ import annotations

import heapq
import sqlite3
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import cached_property
from itertools import islice
from operator import itemgetter
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self, TypeVar

from tidegate.core.reading import Reading, Supply
from tidegate.cyclelog import schema
from tidegate.cyclelog.disk import (
    Tail,
    explained,
    last_readable,
    opened_to_read,
    past_files,
    read_tail,
)
from tidegate.cyclelog.record import reading_of, supply_of
from tidegate.cyclelog.rows import (
    DROPPED,
    BatteryRow,
    Entry,
    EventRow,
    IntentRow,
    OutcomeRow,
    ReadingRow,
    Row,
    RunEndRow,
    RunRow,
    SettingsRow,
    StateRow,
)
from tidegate.errors import LogEmpty, LogError, LogUnreadable

R = TypeVar("R", bound=Row)
_UNDER_WAY: Final = 16
# How far back a look at what was lately goes at most, the rows of all stations counted.
_LATELY_ROWS: Final = 500_000
Stored = tuple[int, schema.Table, tuple[Any, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Commanded:
    """The last command that may have moved the relay.

    ``is_certain`` is false where the log holds no good outcome of it: the daemon
    ended in between, or the call failed half way.
    """

    supply: Supply
    swapped: bool
    intent: int
    is_certain: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class LastRun:
    """The last run in which a daemon looked after a station.

    ``closed``: it ended in good order, or at least not with its host.
    """

    boot_id: str
    closed: bool


class Reader:
    """One file of the cycle log. ``follows`` is the link that its first run row will
    carry, where it has none yet. Errors of every method: LogError.
    """

    def __init__(self, path: Path, *, follows: str | None = None) -> None:
        self.path = path
        self._follows = follows
        self._stack = ExitStack()
        try:
            with _translated(path):
                self._connection = self._stack.enter_context(opened_to_read(path))
                self.version = self._known_version()
                self._tables = schema.tables(self.version)
        except LogError:
            self._stack.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._stack.close()

    @property
    def tail(self) -> Tail:
        """The end of the file as it is now."""
        with _translated(self.path):
            return read_tail(self._connection)

    @cached_property
    def past(self) -> tuple[Path, ...]:
        """The files that this one goes on from, oldest first."""
        files = past_files(self.path)
        with _translated(self.path):
            asked = "SELECT prev_link FROM run ORDER BY id LIMIT 1"
            first = self._connection.execute(asked).fetchone()
        before = first[0] if first else self._follows
        # After a damaged file nothing is known of what came before.
        follows = files and before in (None, last_readable(files[-1]).link)
        return tuple(files) if follows else ()

    def rows(
        self, station: str | None = None, *, after: int = 0, up_to: int | None = None
    ) -> Iterator[Entry]:
        """Yield the rows of this file in order, links included.

        With a station: its rows, those that belong to none, and gaps of the whole
        log. Ids are above ``after`` and at most ``up_to``.
        """
        for row_id, table, stored in self.raw(after=after, up_to=up_to):
            at = table.station
            if station is None or at is None or stored[at] in ("", station):
                yield Entry(row_id, schema.row_of(table, stored))
            else:
                schema.expect_kinds(table, stored)

    def raw(self, *, after: int = 0, up_to: int | None = None) -> Iterator[Stored]:
        """Yield id, table and stored columns of the rows of this file in order."""
        with _translated(self.path):
            last = self._last_link_id()
            yield from self._merged(after, last if up_to is None else min(last, up_to))

    @contextmanager
    def at_one_moment(self) -> Iterator[sqlite3.Connection]:
        """Give the open file as it is now, whatever is written meanwhile."""
        with _translated(self.path):
            self._connection.execute("BEGIN")
            try:
                yield self._connection
            finally:
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")

    def _merged(self, after: int, last: int) -> Iterator[Stored]:
        streams = [self._stream(table, after, last) for table in self._tables]
        return heapq.merge(*streams, key=itemgetter(0))

    def history(self, station: str | None = None, *, after: int = 0) -> Iterator[Entry]:
        """Yield what ``rows`` does, from the past files and then from this one."""
        for path in self.past:
            with Reader(path) as reader:
                if reader.tail.last_id > after:
                    yield from reader.rows(station, after=after)
        yield from self.rows(station, after=after)

    def stations(self) -> tuple[str, ...]:
        """Return the stations that have settings in this file, by name."""
        with _translated(self.path):
            found = self._connection.execute(
                'SELECT DISTINCT "station" FROM "settings" ORDER BY "station"'
            ).fetchall()
        return tuple(name for (name,) in found)

    def last_run(self) -> RunRow | None:
        """Return how the last run began; its boot id tells whether that was this boot."""
        return next((row for _, row in self._latest(RunRow)), None)

    def runs(self) -> Iterator[tuple[RunRow, RunEndRow | None]]:
        """Yield the runs, newest first, each with its end if it came to one.

        A commissioning run may lie inside that of the daemon: ends are taken inside out.
        """
        ends: list[RunEndRow] = []
        newest_first: Iterator[tuple[int, Row]] = heapq.merge(
            self._latest(RunRow),
            self._latest(RunEndRow),
            key=lambda item: item[0],
            reverse=True,
        )
        for _, row in newest_first:
            if isinstance(row, RunEndRow):
                ends.append(row)
            elif isinstance(row, RunRow) and not row.continued:
                yield row, ends.pop() if ends else None

    def last_run_was_closed(self) -> bool:
        """Return whether the last run ended in good order; true without any run."""
        begun = next((row_id for row_id, _ in self._latest(RunRow)), 0)
        ended = next((row_id for row_id, _ in self._latest(RunEndRow)), 0)
        return ended >= begun

    def last_run_of(self, station: str) -> LastRun | None:
        """Return the last run in which a daemon started this station.

        Runs of other stations alone, and commissioning runs, are none.
        """
        started_id = next(
            (
                row_id
                for row_id, row in self._latest(EventRow, station)
                if row.kind == "started"
            ),
            None,
        )
        if started_id is None:
            return None
        next_id: int | None = None
        next_boot_id: str | None = None
        for row_id, run in self._latest(RunRow):
            if row_id < started_id:
                # A run that follows in the same boot shows that the host lived on.
                lived_on = next_boot_id == run.boot_id
                closed = lived_on or self._ended_between(started_id, next_id)
                return LastRun(boot_id=run.boot_id, closed=closed)
            if not run.continued:
                next_id, next_boot_id = row_id, run.boot_id
        return None

    def _ended_between(self, after: int, before: int | None) -> bool:
        for row_id, _ in self._latest(RunEndRow):
            if row_id < after:
                return False
            if before is None or row_id < before:
                return True
        return False

    def last_settings(self, station: str) -> SettingsRow | None:
        """Return the settings last in force."""
        return next((row for _, row in self._latest(SettingsRow, station)), None)

    def settings_before(self, station: str, row_id: int) -> SettingsRow | None:
        """Return the settings in force at this row."""
        return next(
            (
                row
                for found, row in self._latest(SettingsRow, station)
                if found < row_id
            ),
            None,
        )

    def last_state(self, station: str) -> tuple[int, StateRow] | None:
        """Return the last state row and its id."""
        return next(self._latest(StateRow, station), None)

    def last_commanded(self, station: str) -> Commanded | None:
        """Return the last command that may have moved the relay.

        Commands that were dropped, and offs that failed, leave what was commanded
        before in force.
        """
        outcomes: dict[int, OutcomeRow] = {}
        newest_first = heapq.merge(
            self._latest(IntentRow, station),
            self._latest(OutcomeRow, station),
            key=lambda item: item[0],
            reverse=True,
        )
        for row_id, row in newest_first:
            if isinstance(row, OutcomeRow):
                outcomes[row.intent] = row
            elif isinstance(row, IntentRow):
                outcome = outcomes.get(row_id)
                if _may_have_moved(row, outcome):
                    return Commanded(
                        supply=supply_of(row),
                        swapped=row.swapped,
                        intent=row_id,
                        is_certain=outcome is not None and outcome.succeeded,
                    )
        return None

    def last_trusted(self, station: str, *, boot_id: str) -> Reading | None:
        """Return the last trusted reading of this boot, if the log holds one."""
        first_id = None
        for row_id, run in self._latest(RunRow):
            if run.boot_id != boot_id:
                break
            first_id = row_id
        if first_id is None:
            return None
        for row_id, row in self._latest(ReadingRow, station):
            if row_id < first_id:
                return None
            if row.why_not is None:
                return reading_of(row, self.battery_before(station, row_id))
        return None

    def readings_lately(
        self, station: str, *, since_wall_ms: int, at_most: int
    ) -> list[ReadingRow]:
        """Return the last rows of readings of this file alone, in order; bounded."""
        (table,) = (each for each in self._tables if each.row is ReadingRow)
        with _translated(self.path):
            last = self._last_link_id()
            stored = self._connection.execute(
                f'{table.select} WHERE "id" > ? AND "id" <= ? AND "station" = ? '
                'AND "wall_ms" >= ? ORDER BY "id" DESC LIMIT ?',
                (last - _LATELY_ROWS, last, station, since_wall_ms, at_most),
            ).fetchall()
        rows = [schema.row_of(table, each) for _, *each in reversed(stored)]
        return [row for row in rows if isinstance(row, ReadingRow)]

    def intents_before(self, station: str, row_id: int) -> dict[int, IntentRow]:
        """Return the last intents before this row, enough for any still under way."""
        found = (item for item in self._latest(IntentRow, station) if item[0] < row_id)
        return dict(islice(found, _UNDER_WAY))

    def battery_before(self, station: str, row_id: int) -> BatteryRow | None:
        """Return the battery row in force at this row."""
        return next(
            (row for found, row in self._latest(BatteryRow, station) if found < row_id),
            None,
        )

    def _latest(
        self, kind: type[R], station: str | None = None
    ) -> Iterator[tuple[int, R]]:
        """Yield the rows of one kind, newest first, past files after this one."""
        yield from self._backward(kind, station)
        for path in reversed(self.past):
            with Reader(path) as reader:
                yield from reader._backward(kind, station)

    def _backward(self, kind: type[R], station: str | None) -> Iterator[tuple[int, R]]:
        (table,) = (table for table in self._tables if table.row is kind)
        where = "" if station is None else ' AND "station" = ?'
        values = () if station is None else (station,)
        with _translated(self.path):
            cursor = self._connection.execute(
                f'{table.select} WHERE "id" <= ?{where} ORDER BY "id" DESC',
                (self._last_link_id(), *values),
            )
            for row_id, *stored in cursor:
                row = schema.row_of(table, stored)
                assert isinstance(row, kind)
                yield row_id, row

    def _stream(self, table: schema.Table, after: int, last: int) -> Iterator[Stored]:
        cursor = self._connection.execute(
            f'{table.select} WHERE "id" > ? AND "id" <= ? ORDER BY "id"', (after, last)
        )
        for row in cursor:
            yield row[0], table, row[1:]

    def _last_link_id(self) -> int:
        found: int | None = self._connection.execute(
            'SELECT max("id") FROM "link"'
        ).fetchone()[0]
        return found or 0

    def _known_version(self) -> int:
        (application,) = self._connection.execute("PRAGMA application_id").fetchone()
        (things,) = self._connection.execute(
            "SELECT count(*) FROM sqlite_schema"
        ).fetchone()
        if application == things == 0:
            raise LogEmpty(
                f"{self.path} is empty", remedy="Look again once a daemon has begun it."
            )
        if application != schema.APPLICATION_ID:
            raise LogUnreadable(
                f"{self.path} is no cycle log", remedy="Name the file of log.path."
            )
        version: int = self._connection.execute("PRAGMA user_version").fetchone()[0]
        return version


def _may_have_moved(intent: IntentRow, outcome: OutcomeRow | None) -> bool:
    if outcome is None or outcome.succeeded:
        return True
    return outcome.error != DROPPED and intent.supply == Supply.ON


@contextmanager
def _translated(path: Path) -> Iterator[None]:
    try:
        yield
    except sqlite3.Error as error:
        raise explained(error, path, to_read=True) from error
