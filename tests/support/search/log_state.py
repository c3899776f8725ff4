"""What the files of a cycle log hold, read as a stranger would, and remembered.

Written from the canonical form in DEVELOPERS.md, with SQLite and the verifier of the
tests; nothing here is shared with tidegate. Rows that were once seen are kept as they
were, so what is missing or other later is found.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, field
from operator import itemgetter
from pathlib import Path

# By its own name, so that a disk that a test puts in its place is not asked.
from sqlite3 import connect
from stat import S_ISREG
from typing import Any, Final

from support.cyclelog_verifier import SCHEMA_1, digest, line

NOTHING: Final = "0" * 64
SAID: Final = "said once"
Cells = tuple[Any, ...]


class Wrong(Exception):
    """A file does not hold what it must; says what, in a sentence."""


@dataclass(frozen=True, slots=True)
class Kept:
    """A row: its id, the name of its table, its columns by name."""

    id: int
    table: str
    cells: dict[str, Any]

    def __getitem__(self, column: str) -> Any:
        return self.cells[column]


@dataclass(frozen=True, slots=True)
class Batch:
    """What one commit wrote: its rows in order, and its link."""

    rows: tuple[Kept, ...]
    link: Kept


@contextmanager
def reading(path: Path) -> Iterator[sqlite3.Connection]:
    """Open a file for reading only, at one moment; other programs are not disturbed."""
    with closing(opened(path)) as database:
        database.execute("BEGIN")
        yield database


def opened(path: Path) -> sqlite3.Connection:
    """Open a file for reading only."""
    uri = f"{path.absolute().as_uri()}?mode=ro"
    return connect(uri, uri=True, isolation_level=None)


def first_link(database: sqlite3.Connection) -> Cells | None:
    """Return id and digest of the first link, by which a file is known for ever."""
    (tables,) = database.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    if not tables:
        return None  # just begun
    found: Cells | None = database.execute(
        "SELECT id, digest FROM link ORDER BY id LIMIT 1"
    ).fetchone()
    return found


@dataclass
class OneFile:
    """One file of the log: each row that was ever durable in it.

    ``is_hurt``: the world damaged it on purpose, and what it held may be gone.
    """

    path: Path
    first: bytes = b""
    is_hurt: bool = False
    rows: dict[str, list[Cells]] = field(default_factory=dict)
    columns: dict[str, list[str]] = field(default_factory=dict)
    last_id: int = 0
    links: list[str] = field(default_factory=lambda: [NOTHING])
    follows: str | None = None
    compared: object = None
    asked: dict[str, str] = field(default_factory=dict)
    has_news: str = ""

    @property
    def link(self) -> str:
        return self.links[-1]

    def news(self, database: sqlite3.Connection) -> list[Batch]:
        """Take the rows beyond those known, and hold them against their links.

        Errors: Wrong, and what is behind the last link that holds is not taken.
        """
        if not self.columns:
            self._learn(database)
        after = (self.last_id,)
        found = [
            (cells[0], table, cells)
            for (table,) in database.execute(self.has_news, after).fetchall()
            for cells in database.execute(self.asked[table], after)
        ]
        found.sort(key=itemgetter(0, 1))
        batches, since = [], list[tuple[int, str, Cells]]()
        for row in found:
            since.append(row)
            if row[1] == "link":
                batches.append(self._batch(since))
                since = []
        if since:
            raise Wrong(f"rows from {since[0][0]} on follow the last link")
        return batches

    def _learn(self, database: sqlite3.Connection) -> None:
        schema = database.execute(
            "SELECT type, name, tbl_name, sql FROM sqlite_schema ORDER BY name"
        ).fetchall()
        if digest(["\t".join(map(str, each)) for each in schema]) != SCHEMA_1:
            raise Wrong("its schema is another")
        for _, table, _, _ in schema:
            told = database.execute(f'SELECT * FROM "{table}" LIMIT 0').description
            self.columns[table] = [each[0] for each in told]
            self.rows[table] = []
            self.asked[table] = f'SELECT * FROM "{table}" WHERE id > ? ORDER BY id'
        self.has_news = " UNION ALL ".join(
            f"SELECT '{table}' WHERE EXISTS (SELECT 1 FROM \"{table}\" WHERE id > ?1)"
            for table in self.columns
        )

    def _batch(self, found: list[tuple[int, str, Cells]]) -> Batch:
        *_, (link_id, _, (_, _, _, number, count, stored)) = found
        ids = [row_id for row_id, _, _ in found]
        if len(set(ids)) < len(ids):
            raise Wrong(f"an id up to {link_id} is there twice")
        if number != len(self.links) or count != len(found) - 1:
            raise Wrong(f"before link {link_id} rows or links are missing or too many")
        lines = [
            line(row_id, table, list(cells[1:-1] if table == "link" else cells[1:]))
            for row_id, table, cells in found
        ]
        link = digest([self.link, *lines])
        if link != stored.hex():
            raise Wrong(f"link {link_id} is not that of its rows")
        self.links.append(link)
        self.last_id = link_id
        kept = []
        for row_id, table, cells in found:
            self.rows[table].append(cells)
            named = dict(zip(self.columns[table], cells, strict=True))
            kept.append(Kept(row_id, table, named))
            if table == "run" and self.follows is None:
                self.follows = named["prev_link"]
        return Batch(tuple(kept[:-1]), kept[-1])

    def differs(self, database: sqlite3.Connection) -> str | None:
        """Return what of the known rows is missing or other now."""
        lost, other = list[tuple[int, str]](), list[tuple[int, str]]()
        for table, known in self.rows.items():
            now = database.execute(f'SELECT * FROM "{table}" ORDER BY id').fetchall()
            if now == known:
                continue
            there = {cells[0] for cells in now}
            lost += [(each[0], table) for each in known if each[0] not in there]
            other += [(each[0], table) for each in set(now) ^ set(known)]
        if lost:
            return "row {} ({}) was committed and is gone".format(*min(lost))
        if other:
            return "row {} ({}) is not as committed".format(*min(other))
        return None


class LogFiles:
    """All files of a log, oldest first, the one in use last."""

    def __init__(self, log: Path) -> None:
        self.log = log
        self.files: list[OneFile] = []
        self._hurt_before: set[Path] | None = None
        # Whether the file in use may stay open from look to look, for speed: whoever
        # says so also says ``let_go`` before anybody closes, moves or changes it.
        self.stays_open = False
        self._open: tuple[object, sqlite3.Connection] | None = None

    def let_go(self) -> None:
        """Close the file; the last who closes it puts the WAL away."""
        if self._open is not None:
            self._open[1].close()
            self._open = None

    @property
    def last_id(self) -> int:
        """The highest id that was ever seen to be durable."""
        return max((each.last_id for each in self.files), default=0)

    @property
    def current(self) -> OneFile | None:
        return self.files[-1] if self.files else None

    @property
    def standing(self) -> list[OneFile]:
        """The files that are the log: not those set aside, or hurt."""
        return [each for each in self.files if not each.is_hurt and self._counts(each)]

    @property
    def tied(self) -> list[OneFile]:
        """Those of them that the last one goes on from, and itself."""
        tied: list[OneFile] = []
        for each in reversed(self.standing):
            if tied and tied[0].follows != each.link:
                break  # behind a damaged file nothing is known of what came before
            tied.insert(0, each)
        return tied

    @property
    def is_doubtful(self) -> bool:
        """Whether a file that the world damaged is still a part of the log."""
        return any(each.is_hurt and self._counts(each) for each in self.files)

    def _counts(self, file: OneFile) -> bool:
        return not file.path.name.startswith(f"{self.log.name}.")

    def hurt(self, *, is_gone: bool = False) -> None:
        """Demand no more of the file in use than that it is set aside, not deleted.

        ``is_gone``: not even that, for the world itself took it away.
        """
        self.let_go()
        if self.current is not None:
            self.current.is_hurt = True
            self._hurt_before = None if is_gone else self._aside()

    def news(self) -> list[Batch]:
        """Return the commits since the last look. Errors: Wrong, sqlite3.Error."""
        place = self._place()
        if place is None:
            return []
        try:
            with self._reading(place) as database:
                return self._news(database)
        except sqlite3.DatabaseError:
            if self.current is not None and self.current.is_hurt:
                return []
            raise

    def _place(self) -> object | None:
        """Return which file stands at the path, ``None`` if none does."""
        try:
            found = self.log.stat()
        except (FileNotFoundError, NotADirectoryError):
            return None
        return (found.st_dev, found.st_ino) if S_ISREG(found.st_mode) else None

    @contextmanager
    def _reading(self, place: object) -> Iterator[sqlite3.Connection]:
        """Read the file in use at one moment; what is damaged is opened each time."""
        is_hurt = self.current is not None and self.current.is_hurt
        if is_hurt or not self.stays_open:
            self.let_go()
            with reading(self.log) as database:
                yield database
            return
        if self._open is None or self._open[0] != place:
            self.let_go()
            self._open = place, opened(self.log)
        _, database = self._open
        try:
            database.execute("BEGIN")
            yield database
            database.execute("COMMIT")
        except BaseException:
            self.let_go()
            raise

    def _news(self, database: sqlite3.Connection) -> list[Batch]:
        first = first_link(database)
        if first is None:
            return self._turned_to_empty()
        batches = []
        if self.current is None or self.current.first != first[1]:
            batches = self._turned(first[1])
            self.files.append(OneFile(self.log, first[1]))
        assert self.current is not None
        self.current.path = self.log
        try:
            batches += self.current.news(database)
        except Wrong:
            if not self.current.is_hurt:
                raise
        self._check_tie()
        return batches

    def _turned_to_empty(self) -> list[Batch]:
        """A new file has no commit yet: the one before it may have got another name."""
        old = self.current
        found = self._beside().get(old.first) if old is not None else None
        if old is None or found is None:
            return []
        old.path = found[1]
        return self._rest(old)

    def _turned(self, first: bytes) -> list[Batch]:
        """Another file stands in its place: take the rest of those before it."""
        batches, old = [], self.current
        beside = self._beside()
        if old is not None:
            if old.first in beside:
                old.path = beside[old.first][1]
                batches += self._rest(old)
            elif not old.is_hurt:
                raise Wrong(f"the file with rows up to {old.last_id} is nowhere")
            elif self._hurt_before is not None and self._aside() <= self._hurt_before:
                raise Wrong("a damaged file was deleted instead of set aside")
            else:
                old.path = self.log.with_name(f"{self.log.name}.unreadable")
        known = {each.first for each in self.files} | {first}
        unseen = [(*beside[key], key) for key in beside.keys() - known]
        for row_id, path, key in sorted(unseen):
            if row_id > self.last_id:
                self.files.append(OneFile(path, key))
                batches += self._rest(self.files[-1])
        return batches

    def _rest(self, file: OneFile) -> list[Batch]:
        try:
            with reading(file.path) as database:
                return file.news(database)
        except (Wrong, sqlite3.DatabaseError):
            if file.is_hurt:
                return []
            raise

    def _check_tie(self) -> None:
        """A file goes on from the one before, unless nothing could be read of that."""
        if len(self.files) > 1 and self.files[-1].follows is not None:
            before, last = self.files[-2:]
            if not before.is_hurt and last.follows != before.link:
                last.follows = None  # said once
                raise Wrong(f"{last.path.name} does not go on from {before.path.name}")

    def compare(self) -> list[str]:
        """Return what was committed and is not there any more, a sentence a file."""
        said = []
        for file in self.files:
            stamp = _stamp(file.path)
            if file.is_hurt or file.compared in (stamp, SAID):
                continue
            if not file.path.is_file():
                continue  # away for a while, or the next look says that it is nowhere
            try:
                with reading(file.path) as database:
                    what = file.differs(database)
            except sqlite3.Error as error:
                what = f"cannot be read: {error}"
            file.compared = stamp if what is None else SAID
            if what is not None:
                said.append(f"{file.path.name}: {what}")
        return said

    def after_a_lie(self) -> bool:
        """Take in a disk that lost what it had confirmed; return whether it is whole.

        Whole is a beginning of what was committed, up to a commit: known from here on.
        Errors: Wrong for a whole file that is anything else.
        """
        old = self.current
        if old is None or not self.log.is_file():
            return True
        found = OneFile(self.log)
        try:
            with reading(self.log) as database:
                (ok,) = database.execute("PRAGMA integrity_check(1)").fetchone()
                first = first_link(database) if ok == "ok" else None
                if first is not None:
                    found.first = first[1]
                    found.news(database)
        except (Wrong, sqlite3.DatabaseError):
            ok = "damaged"
        if ok != "ok":
            self.hurt()
            return False
        if found.first not in (b"", old.first):
            # The year had just turned: nothing of the new file was noted yet.
            self.news()
            return True
        if found.link != old.links[min(len(found.links), len(old.links)) - 1]:
            raise Wrong("what a lying disk left verifies and was never committed")
        self.files[-1:] = [found] if found.first else []
        return True

    def _beside(self) -> dict[bytes, tuple[int, Path]]:
        """Return the other files that can be read, by their first link."""
        found = {}
        for path in self.log.parent.iterdir():
            ends = (".lock", "-wal", "-shm", "-journal")
            mine = path.name.startswith(self.log.stem) and not path.name.endswith(ends)
            if not mine or path == self.log or not path.is_file():
                continue
            with suppress(sqlite3.DatabaseError), reading(path) as database:
                first = first_link(database)
                if first is not None:
                    found[first[1]] = (first[0], path)
        return found

    def _aside(self) -> set[Path]:
        return set(self.log.parent.glob(f"{self.log.name}.*Z*"))


def _stamp(path: Path) -> object:
    beside = (path, path.with_name(f"{path.name}-wal"))
    return [
        (each.stat().st_mtime_ns, each.stat().st_size)
        for each in beside
        if each.exists()
    ]
