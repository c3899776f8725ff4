"""One writer's hold on the file of the cycle log: lock, connection, tail, next file.

Nothing here waits on anything but the disk. Every failure leaves the file closed and
is a LogError; ``open`` may be called again at any time and finds out what was written
for certain.
"""

from __future__ import annotations

import fcntl
import os
import sqlite3
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Final, TextIO

from tidegate.cyclelog import chain, schema
from tidegate.cyclelog.disk import (
    Tail,
    aside_name,
    cause_of,
    explained,
    give,
    last_before,
    last_readable,
    past_name,
    plausible_year,
    read_tail,
    sayable,
    side_files,
)
from tidegate.cyclelog.rows import Entry, LinkRow, RunRow
from tidegate.errors import Busy, LogError

_SETTINGS: Final = (
    "PRAGMA journal_mode = WAL",
    "PRAGMA synchronous = FULL",
    # Only the last page of each table is ever touched: 256 KiB are plenty.
    "PRAGMA cache_size = -256",
)
_BUSY_MS: Final = 2_000


class LogFile:
    """The file that rows go to. One thread at a time may use it."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.tail = Tail()
        # Why the file in use is a new one although another should be there.
        self.began: str | None = None
        # The highest id that any file of this log was seen to have.
        self.highest_id = 0
        self._before = ""
        self._lock: TextIO | None = None
        self._connection: sqlite3.Connection | None = None
        self._inode: tuple[int, int] | None = None

    @property
    def follows(self) -> str:
        """The link that the next run row will carry; "" where it follows nothing."""
        return self._before

    @property
    def is_open(self) -> bool:
        """Whether rows can be tried now."""
        return self._connection is not None

    def open(self, *, wall_ms: int, first_id: int | None = None) -> None:
        """Make ready for rows.

        A damaged file, or one of another schema, is set aside and a new one begun.
        So is one that already has ids from ``first_id`` on.
        Errors: Busy when another process writes this log; LogError.
        """
        try:
            self._hold()
            self._attach(wall_ms=wall_ms, first_id=first_id)
        except (OSError, sqlite3.Error) as error:
            self.drop()
            raise explained(error, self.path) from error
        except LogError:
            self.drop()
            raise
        self.highest_id = max(self.highest_id, self.tail.last_id)

    def write(
        self, entries: Sequence[Entry], *, link_id: int, boot_ms: int, wall_ms: int
    ) -> None:
        """Write these rows and their link in one durable transaction.

        Errors: LogError, and then it is not known whether the rows are durable.
        """
        link = LinkRow(
            boot_ms=boot_ms,
            wall_ms=wall_ms,
            number=self.tail.number + 1,
            rows=len(entries),
            digest=chain.START,
        )
        try:
            digest = self._commit(self._tied(entries), link_id, link)
        except (OSError, sqlite3.Error) as error:
            self.drop()
            raise explained(error, self.path) from error
        self.began = None
        if any(isinstance(entry.row, RunRow) for entry in entries):
            self._before = ""
        year = self.tail.year or plausible_year(wall_ms)
        self.tail = Tail(link_id, digest, link.number, year)

    def year_is_over(self, wall_ms: int) -> bool:
        """Return whether a file of a new year is due, by a plausible wall clock."""
        mine, now = self.tail.year, plausible_year(wall_ms)
        return mine is not None and now is not None and now > mine

    def turn(self) -> bool:
        """Begin the next file; returns False while a reader stands in the way.

        Errors: LogError.
        """
        connection = self._connection
        assert connection is not None
        try:
            # Whoever reads may take long, and the rows that wait must not.
            connection.execute("PRAGMA busy_timeout = 0")
            busy = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0]
            connection.execute(f"PRAGMA busy_timeout = {_BUSY_MS}")
            if busy:
                return False
            self.drop()
            self._keep_as_past()
            self._create()
        except (OSError, sqlite3.Error) as error:
            self.drop()
            raise explained(error, self.path) from error
        return True

    def drop(self) -> None:
        """Close the connection, keep the lock. Never raises."""
        connection, self._connection = self._connection, None
        if connection is not None:
            # Closing also empties the WAL into the file. On a broken disk that may
            # fail, and what is durable stays so.
            with suppress(sqlite3.Error):
                connection.close()

    def close(self) -> None:
        """Let go of everything."""
        self.drop()
        lock, self._lock = self._lock, None
        if lock is not None:
            lock.close()

    def _commit(self, entries: Sequence[Entry], link_id: int, link: LinkRow) -> str:
        connection = self._connection
        assert connection is not None
        self._check_place()
        connection.execute("BEGIN IMMEDIATE")
        lines = []
        for entry in entries:
            table, cells = schema.TABLE_OF[type(entry.row)], schema.cells(entry.row)
            connection.execute(table.insert, (entry.id, *cells))
            lines.append(schema.line(entry.id, table, cells))
        own_line = schema.line(link_id, schema.LINK, schema.cells(link))
        digest = chain.link(self.tail.link, lines, own_line)
        linked = schema.cells(replace(link, digest=digest))
        connection.execute(schema.LINK.insert, (link_id, *linked))
        connection.execute("COMMIT")
        return digest

    def _tied(self, entries: Sequence[Entry]) -> list[Entry]:
        """Return the rows, the first run row tied to the file before."""
        out, before = [], self._before
        for entry in entries:
            if before and isinstance(entry.row, RunRow):
                entry = replace(entry, row=replace(entry.row, prev_link=before))
                before = ""
            out.append(entry)
        return out

    def _check_place(self) -> None:
        found = self.path.stat()
        if (found.st_dev, found.st_ino) != self._inode:
            raise FileNotFoundError(2, "another file stands in its place")

    def _hold(self) -> None:
        if self._lock is not None:
            return
        lock = self.path.with_name(self.path.name + ".lock").open("a+")
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            lock.seek(0)
            holder = lock.read(20).strip() or "unknown"
            lock.close()
            raise Busy(
                f"another tidegate (process {holder}) writes this cycle log",
                target=str(self.path),
                remedy="Stop it, or give this one another log.path.",
            ) from error
        self._lock = lock
        give(lock.fileno(), self.path.parent)
        with suppress(OSError):  # only a courtesy, and a full disk has no room for it
            lock.truncate(0)
            lock.write(f"{os.getpid()}\n")
            lock.flush()

    def _attach(self, *, wall_ms: int, first_id: int | None) -> None:
        known = self.tail
        self.drop()
        if self.path.is_dir():
            raise IsADirectoryError(21, "it is a folder")
        if not self.path.exists():
            self.began = "removed" if known.number else None
            self._create()
            self._follow(known)
            return
        fault = self._fault()
        if fault is None and first_id is not None and self.tail.last_id >= first_id:
            fault = "overtaken"
        if fault is None:
            self._remember_place()
            if not self.tail.number:
                self._follow(known)
            return
        self.drop()
        if fault in ("overtaken", "older_schema"):
            self.highest_id = max(self.highest_id, self.tail.last_id)
            self._keep_as_past()
        else:
            self._set_aside(fault, known=known, wall_ms=wall_ms)
        self._create()

    def _follow(self, known: Tail) -> None:
        """Tie an empty file to the last one before it."""
        before = known if known.number else last_before(self.path)
        if before.number:
            self._before = before.link
            self.highest_id = max(self.highest_id, before.last_id)

    def _fault(self) -> str | None:
        """Connect and read the tail; return why the file cannot be used, if so."""
        try:
            with sayable():
                return self._inspect()
        except sqlite3.DatabaseError as error:
            if cause_of(error) != "damaged":
                raise
            return "damaged"

    def _inspect(self) -> str | None:
        connection = self._connect()
        (application,) = connection.execute("PRAGMA application_id").fetchone()
        (version,) = connection.execute("PRAGMA user_version").fetchone()
        (tables,) = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        if application != schema.APPLICATION_ID:
            if tables:
                raise LogError(
                    f"{self.path} is a database of something else",
                    remedy="Give log.path another name.",
                )
            self._make_tables(connection)
            return None
        if version > schema.VERSION:
            return "newer_schema"
        self.tail = read_tail(connection)
        if version < schema.VERSION:
            return "older_schema"
        if not _is_ours(connection):
            return "damaged"
        self._set_up(connection)
        if not self.tail.was_closed:
            (verdict,) = connection.execute("PRAGMA quick_check(1)").fetchone()
            return None if verdict == "ok" else "damaged"
        return None

    def _connect(self) -> sqlite3.Connection:
        self._connection = sqlite3.connect(
            self.path,
            isolation_level=None,
            check_same_thread=False,
            timeout=_BUSY_MS / 1000,
        )
        return self._connection

    def _set_up(self, connection: sqlite3.Connection) -> None:
        for setting in _SETTINGS:
            connection.execute(setting)

    def _create(self) -> None:
        self.tail = Tail()
        with self.path.open("xb") as new:
            give(new.fileno(), self.path.parent)
        self._make_tables(self._connect())
        self._remember_place()

    def _make_tables(self, connection: sqlite3.Connection) -> None:
        self.tail = Tail()
        self._set_up(connection)
        connection.execute("BEGIN IMMEDIATE")
        for table in schema.TABLES.values():
            connection.execute(table.create)
        connection.execute(f"PRAGMA application_id = {schema.APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {schema.VERSION}")
        connection.execute("COMMIT")
        self._sync_folder()

    def _remember_place(self) -> None:
        found = self.path.stat()
        self._inode = (found.st_dev, found.st_ino)

    def _keep_as_past(self) -> None:
        self._rename(past_name(self.path, self.tail.year))
        if self.tail.number:
            self._before = self.tail.link

    def _set_aside(self, why: str, *, known: Tail, wall_ms: int) -> None:
        before = known if known.number else last_readable(self.path)
        # With nothing readable no one knows which ids are taken; milliseconds since
        # 1970 are beyond any that were counted up from 1.
        self.highest_id = max(self.highest_id, before.last_id or wall_ms)
        self._rename(aside_name(self.path, why, wall_ms))
        self.began = why
        if before.number:
            self._before = before.link

    def _rename(self, target: Path) -> None:
        # Side files first: after a crash in between, the new file must not find the
        # WAL of the old one under its own name.
        for source, end in zip(side_files(self.path), side_files(target), strict=True):
            if source.exists():
                source.rename(end)
        self.path.rename(target)
        self._sync_folder()

    def _sync_folder(self) -> None:
        folder = os.open(self.path.parent, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


def _is_ours(connection: sqlite3.Connection) -> bool:
    """Return whether every table of this version is there and takes our rows as given.

    A trigger may drop them unsaid; other things that a tool added are in nobody's way.
    """
    found = connection.execute("SELECT type, sql FROM sqlite_schema").fetchall()
    made = {sql for kind, sql in found if kind == "table"}
    return all(kind != "trigger" for kind, _ in found) and all(
        table.create in made for table in schema.TABLES.values()
    )
