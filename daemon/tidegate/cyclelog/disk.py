"""Files of the cycle log on disk: their names, reading them, and what went wrong.

Beside ``cycles.db`` there may be: ``cycles.db.lock`` (held by the one writer),
``cycles-2025.db`` (the file of a past year, or of a past schema) and
``cycles.db.damaged-20260102T030405Z`` (a file that could not be read any more; the
same with ``newer_schema``).
"""

from __future__ import annotations

import errno
import os
import re
import shutil
import sqlite3
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tidegate.cyclelog import chain
from tidegate.errors import LogAbsent, LogError, LogUnreadable

# A wall clock before 2024 was never set.
FIRST_PLAUSIBLE_MS: Final = 1_704_067_200_000
SIDE_FILES: Final = ("-shm", "-wal")
_COPY_TRIES: Final = 5

# No writer comes near: ids are counted up from 1, or from the ms since 1970. Whatever
# stands beyond was put in, and would leave no room for a next one.
_BEYOND: Final = 2**62

_CAUSES: Final = {
    sqlite3.SQLITE_ERROR: "damaged",  # our queries fit every log: this is none
    sqlite3.SQLITE_FULL: "full",
    sqlite3.SQLITE_READONLY: "read_only",
    sqlite3.SQLITE_PERM: "read_only",
    sqlite3.SQLITE_CORRUPT: "damaged",
    sqlite3.SQLITE_NOTADB: "damaged",
    sqlite3.SQLITE_CANTOPEN: "missing",
    sqlite3.SQLITE_BUSY: "busy",
    sqlite3.SQLITE_LOCKED: "busy",
}
_ERRNOS: Final = {
    errno.ENOSPC: "full",
    errno.EDQUOT: "full",
    errno.EFBIG: "full",
    errno.EROFS: "read_only",
    errno.EACCES: "read_only",
    errno.EPERM: "read_only",
    errno.ENOENT: "missing",
    errno.ENOTDIR: "missing",
    errno.EISDIR: "missing",
}
_REMEDIES: Final = {
    "full": "Free some space; the log goes on by itself.",
    "read_only": "Let this user write in the folder, and a service's unit as well "
    "(ReadWritePaths=-/folder); the log goes on by itself.",
    "damaged": "The file is set aside at the next attempt, and a new one begun.",
    "missing": "Give log.path a file in an existing folder; the log goes on by itself.",
    "busy": "End the program that keeps the file locked; the log goes on by itself.",
    "io": "Check the disk; the log goes on by itself when it works again.",
}
_REMEDIES_TO_READ: Final = {
    "read_only": "Read it as its owner, or a copy of it.",
    "damaged": "Name the file of log.path, or a copy from before it was damaged.",
    "missing": "Read it as its owner, or name another file.",
    "busy": "End the program that keeps the file locked, or read a copy.",
    "full": "Free some space for temporary files, or set TMPDIR.",
    "io": "Check the disk, or read a copy.",
}


@dataclass(frozen=True, slots=True)
class Tail:
    """The end of a file: highest id, last link and its number, its year if known.

    ``number`` is 0 and ``link`` means nothing while the file has no link.
    """

    last_id: int = 0
    link: str = chain.START
    number: int = 0
    year: int | None = None
    was_closed: bool = True


def cause_of(error: BaseException | None) -> str:
    """Return in one word what kept the log from being written or read."""
    if isinstance(error, sqlite3.Error):
        # Without a code it is Python that cannot decode a text.
        fallback = sqlite3.SQLITE_ERROR * isinstance(error, sqlite3.OperationalError)
        code: int = getattr(error, "sqlite_errorcode", fallback)
        return _CAUSES.get(code & 0xFF, "io")
    if isinstance(error, OSError):
        return _ERRNOS.get(error.errno or 0, "io")
    return "io"


def give(descriptor: int, folder: Path) -> None:
    """Leave a file that root makes to the service whose folder it is in.

    A commissioning run by root before the first start would else leave the service a
    log that it may not write. SQLite does the same with its side files.
    """
    if os.geteuid() == 0:
        owner = folder.stat()
        os.fchown(descriptor, owner.st_uid, owner.st_gid)


def explained(
    error: sqlite3.Error | OSError, path: Path, *, to_read: bool = False
) -> LogError:
    """Return what to raise from this error; ``to_read`` is for whoever only reads."""
    said = error.strerror if isinstance(error, OSError) else None
    cause = cause_of(error)
    kind = LogUnreadable if cause == "damaged" else LogError
    return kind(
        f"the cycle log {path} cannot be used: {said or error}",
        remedy=(_REMEDIES_TO_READ if to_read else _REMEDIES)[cause],
    )


def malformed(what: str) -> sqlite3.DatabaseError:
    """Return the error that SQLite has for a damaged file."""
    error = sqlite3.DatabaseError(what)
    error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
    return error


@contextmanager
def sayable() -> Iterator[None]:
    """Turn a message of SQLite that is no UTF-8 into a damaged file.

    It quotes the schema, and Python then cannot even decode what it says.
    """
    try:
        yield
    except UnicodeDecodeError as error:
        raise malformed("its schema holds text that is not UTF-8") from error


def plausible_year(wall_ms: int) -> int | None:
    """Return the year, ``None`` for a wall clock that was evidently never set."""
    if wall_ms < FIRST_PLAUSIBLE_MS:
        return None
    return time.gmtime(wall_ms / 1000).tm_year


def side_files(path: Path) -> list[Path]:
    """Return what SQLite keeps beside a file, whether it is there or not."""
    return [path.with_name(path.name + end) for end in SIDE_FILES]


def past_name(path: Path, year: int | None) -> Path:
    """Return a free name for a file whose year or schema is over."""
    return _unused(path, f"{path.stem}-{year or 'undated'}", path.suffix)


def aside_name(path: Path, why: str, wall_ms: int) -> Path:
    """Return a free name, with a time stamp, for a file that is set aside."""
    stamp = time.strftime("%Y%m%dT%H%M%SZ", time.gmtime(wall_ms / 1000))
    return _unused(path, f"{path.name}.{why}-{stamp}", "")


def _unused(path: Path, begin: str, end: str) -> Path:
    count, found = 1, path.with_name(begin + end)
    while found.exists():
        count += 1
        found = path.with_name(f"{begin}-{count}{end}")
    return found


def past_files(path: Path) -> list[Path]:
    """Return the files of past years and schemas, oldest first, by their ids."""
    ended = [(last_readable(file).last_id, file) for file in past_named(path)]
    return [file for last_id, file in sorted(ended) if last_id]


def past_named(path: Path) -> list[Path]:
    """Return what has the name of a past file, readable or not."""
    named = rf"{re.escape(path.stem)}-(\d{{4}}|undated)(-\d+)?{re.escape(path.suffix)}"
    return _siblings(path, named)


def aside_files(path: Path) -> list[Path]:
    """Return the files that were set aside, readable or not."""
    return _siblings(path, rf"{re.escape(path.name)}\.\w+-\d{{8}}T\d{{6}}Z(-\d+)?")


def last_before(path: Path) -> Tail:
    """Return the end of what was written before the file at ``path`` was begun."""
    tails = map(last_readable, (*past_files(path), *aside_files(path)))
    return max(tails, key=lambda tail: tail.last_id, default=Tail())


def _siblings(path: Path, named: str) -> list[Path]:
    return sorted(
        file for file in path.parent.iterdir() if re.fullmatch(named, file.name)
    )


def last_readable(path: Path) -> Tail:
    """Return the end of a file as far as it can be read, an empty one if not."""
    try:
        with opened_to_read(path) as connection:
            return read_tail(connection)
    except (LogError, sqlite3.Error):
        return Tail()


def read_tail(connection: sqlite3.Connection) -> Tail:
    """Return the end of an open file, of whatever schema version.

    Errors: sqlite3.Error, that of a damaged file for values that no writer stores.
    """
    # Only tables with an id: what a tool may have added (sqlite_stat1) has none.
    names = connection.execute(
        "SELECT item.name FROM sqlite_schema AS item "
        "JOIN pragma_table_info(item.name) AS part ON part.name = 'id' "
        "WHERE item.type = 'table' AND part.type = 'INTEGER' AND part.pk"
    ).fetchall()
    highest = {name: _highest_id(connection, name) for (name,) in names}
    last = connection.execute(
        'SELECT "number", "digest" FROM "link" ORDER BY "id" DESC LIMIT 1'
    ).fetchone()
    number, digest = last or (0, bytes.fromhex(chain.START))
    if not (isinstance(digest, bytes) and _is_below(number, _BEYOND)):
        raise malformed("its last link is none")
    dated = connection.execute(
        'SELECT "wall_ms" FROM "link" WHERE "wall_ms" BETWEEN ? AND ? '
        'ORDER BY "id" LIMIT 1',
        (FIRST_PLAUSIBLE_MS, _BEYOND),
    ).fetchone()
    return Tail(
        last_id=max(highest.values(), default=0),
        link=digest.hex(),
        number=number,
        year=plausible_year(dated[0]) if dated else None,
        was_closed=highest.get("run_end", 0) >= highest.get("run", 0),
    )


def _highest_id(connection: sqlite3.Connection, table: str) -> int:
    name = table.replace('"', '""')
    found: int | None = connection.execute(
        f'SELECT max("id") FROM "{name}" WHERE "id" < ?', (_BEYOND,)
    ).fetchone()[0]
    return found or 0


def _is_below(value: object, end: int) -> bool:
    return isinstance(value, int) and 0 <= value < end


@contextmanager
def opened_to_read(path: Path) -> Iterator[sqlite3.Connection]:
    """Open a file for reading only, on a read-only disk too.

    Errors: LogError when that cannot be.
    """
    if not path.is_file():
        raise LogAbsent(
            f"there is no cycle log at {path}",
            remedy="Name the file, or let the daemon run first.",
        )
    # SQLite does not say why it cannot open a file. (Nor may we open it to see: to
    # close it would let go of the locks that this process has on it.)
    if not os.access(path, os.R_OK):
        error = PermissionError(errno.EACCES, os.strerror(errno.EACCES))
        raise explained(error, path, to_read=True) from error
    try:
        connection = _connected(path)
    except sqlite3.Error as error:
        if cause_of(error) not in ("missing", "read_only"):
            raise explained(error, path, to_read=True) from error
        with _from_read_only_folder(path) as connection:
            yield connection
        return
    with closing(connection):
        yield connection


def _connected(path: Path, *, fixed: bool = False) -> sqlite3.Connection:
    uri = f"{path.resolve().as_uri()}?mode=ro{'&immutable=1' if fixed else ''}"
    connection = sqlite3.connect(
        uri, uri=True, isolation_level=None, timeout=5.0, check_same_thread=False
    )
    try:
        with sayable():
            connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    except sqlite3.Error:
        connection.close()
        raise
    return connection


@contextmanager
def _from_read_only_folder(path: Path) -> Iterator[sqlite3.Connection]:
    """Open a file beside which SQLite may not make its shared memory.

    Without a WAL or a journal the file is all there is. With one, both are copied:
    SQLite would leave out what is in the WAL only, and read what the journal undoes.
    """
    beside = [file for file in _unfinished(path) if _size(file)]
    try:
        if not beside:
            with closing(_connected(path, fixed=True)) as connection:
                yield connection
            return
        with tempfile.TemporaryDirectory(prefix="tidegate-") as folder:
            copy = Path(folder) / path.name
            _copy_consistently(path, beside, copy)
            # Undoing needs a connection that may write; it does so to the copy only.
            with closing(sqlite3.connect(copy)) as undoing:
                undoing.execute("SELECT count(*) FROM sqlite_schema").fetchone()
            with closing(_connected(copy)) as connection:
                yield connection
    except (sqlite3.Error, OSError) as error:
        raise explained(error, path, to_read=True) from error


def _copy_consistently(path: Path, beside: list[Path], copy: Path) -> None:
    """Copy file and side files, again while a writer elsewhere changes them.

    Errors: LogError, rather than a mixture of moments that would look like a fault.
    """
    for _ in range(_COPY_TRIES):
        before = _stamps(path, *beside)
        for file in beside:
            shutil.copyfile(file, copy.with_name(file.name))
        shutil.copyfile(path, copy)
        if _stamps(path, *beside) == before:
            return
    raise LogError(
        f"{path} is being written too fast to be copied",
        remedy="Try again, or read it as the user who writes it.",
    )


def _stamps(*files: Path) -> list[tuple[int, int]]:
    return [(each.stat().st_mtime_ns, each.stat().st_size) for each in files]


def _unfinished(path: Path) -> list[Path]:
    return [path.with_name(path.name + end) for end in ("-wal", "-journal")]


def _size(path: Path) -> int:
    return path.stat().st_size if path.exists() else 0
