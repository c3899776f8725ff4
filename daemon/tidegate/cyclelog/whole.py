"""The whole log, past files and all, as it is when it is opened.

Rows that a daemon adds meanwhile are left out, so whatever goes through the log twice
sees the same.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tidegate.cyclelog.disk import Tail, read_tail
from tidegate.cyclelog.reader import Reader, Stored
from tidegate.cyclelog.rows import Entry
from tidegate.errors import LogError

_TRIES: Final = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class WholeLog:
    """The open files of a log, oldest first, and where each ended.

    Errors of every method: LogError.
    """

    readers: tuple[Reader, ...]
    tails: tuple[Tail, ...]

    @property
    def last(self) -> Reader:
        """The file that is, or was, written last."""
        return self.readers[-1]

    @property
    def head(self) -> Tail:
        """The end of the log."""
        return self.tails[-1]

    @property
    def stations(self) -> tuple[str, ...]:
        """The stations that have settings in any of the files, by name."""
        names = {name for reader in self.readers for name in reader.stations()}
        return tuple(sorted(names))

    @property
    def end_wall_ms(self) -> int:
        """When the last link was made; 0 without any."""
        with self.last.at_one_moment() as connection:
            found = connection.execute(
                'SELECT "wall_ms" FROM "link" ORDER BY "id" DESC LIMIT 1'
            ).fetchone()
        return int(found[0]) if found else 0

    def rows(self, station: str | None = None) -> Iterator[Entry]:
        """Yield what ``Reader.rows`` does, from the oldest file to the last."""
        for reader, tail in zip(self.readers, self.tails, strict=True):
            yield from reader.rows(station, up_to=tail.last_id)

    def raw(self) -> Iterator[Stored]:
        """Yield what ``Reader.raw`` does, from the oldest file to the last."""
        for reader, tail in zip(self.readers, self.tails, strict=True):
            yield from reader.raw(up_to=tail.last_id)


@contextmanager
def opened_whole(path: Path) -> Iterator[WholeLog]:
    """Open the log at this path with its past files. Errors: LogError.

    A year that turns meanwhile moves the file away; then it is opened again.
    """
    with ExitStack() as stack:
        for _ in range(_TRIES):
            stack.close()
            inode = _inode(path)
            last = stack.enter_context(Reader(path))
            past = [stack.enter_context(Reader(each)) for each in last.past]
            readers = (*past, last)
            tails = tuple(map(_end_of, readers))
            if _inode(path) == inode:
                break
        else:
            raise LogError(
                f"the cycle log {path} is replaced again and again",
                remedy="Try again once that has ended.",
            )
        yield WholeLog(readers=readers, tails=tails)


def _inode(path: Path) -> int | None:
    return path.stat().st_ino if path.exists() else None


def _end_of(reader: Reader) -> Tail:
    with reader.at_one_moment() as connection:
        return read_tail(connection)
