"""A consistent copy of the log, past files included, while a daemon writes it or not.

SQLite's online backup copies each file as it is at one moment, WAL and all. The copy
is verified before it is put in its place. Files that were set aside as damaged are
copied byte by byte, because the file that follows one is only explained by it.
"""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing
from pathlib import Path
from typing import Final

from tidegate.cyclelog.disk import (
    aside_files,
    cause_of,
    past_named,
    side_files,
)
from tidegate.cyclelog.export.source import Progress
from tidegate.cyclelog.export.target import (
    TargetTaken,
    put_files,
    refuse_log,
    refuse_taken,
    staged,
)
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.verify import Verdict, verify
from tidegate.cyclelog.whole import WholeLog
from tidegate.errors import LogError

# Pages at a time; in between a Ctrl-C is heard and progress told.
_PAGES: Final = 2_000


def duplicate(
    log: WholeLog, path: Path, *, force: bool = False, progress: Progress | None = None
) -> Verdict:
    """Copy all files of the log to ``path`` and beside it; return what they came to.

    Names keep what they say: ``copy.db`` gets ``copy-2026.db`` beside it.
    Errors: LogError, TargetTaken.
    """
    last = log.last.path
    pairs = [(reader, _named(reader.path, last, path)) for reader in log.readers]
    aside = [(each, _named(each, last, path)) for each in _aside(last)]
    paths = [*(to for _, to in aside), *(to for _, to in pairs)]
    refuse_log(paths, last)
    _refuse_strange(path, paths)
    # What SQLite left beside an older copy would be read as if it belonged to this one.
    stale = [side for _, to in pairs for side in side_files(to) if side.exists()]
    refuse_taken([*paths, *stale], force=force)
    with staged(path) as work:
        for file, to in aside:
            shutil.copyfile(file, work / to.name)
        for reader, to in pairs:
            _backup(reader, work / to.name, path, progress)
        verdict = verify(work / path.name, progress=progress)
        for each in stale:
            each.unlink(missing_ok=True)
        put_files(work, paths)
    return verdict


def _refuse_strange(path: Path, paths: Sequence[Path]) -> None:
    """Let no file be taken for a part of the copy that is no part of it."""
    if not path.parent.is_dir():
        return
    strange = {*past_named(path), *aside_files(path)} - {*paths}
    if strange:
        what = f"{min(strange).name} is there and would be taken for a part of the copy"
        raise TargetTaken(what, remedy="Name another --to.")


def _aside(last: Path) -> list[Path]:
    files = aside_files(last)
    return [*(side for each in files for side in _beside(each)), *files]


def _beside(path: Path) -> Iterator[Path]:
    return (side for side in side_files(path) if side.exists())


def _named(file: Path, last: Path, path: Path) -> Path:
    """Return the name in the copy: the stem is that of the copy, the rest is kept."""
    if file.name.startswith(f"{last.name}."):
        return path.with_name(path.name + file.name.removeprefix(last.name))
    rest = file.stem.removeprefix(last.stem)
    return path.with_name(f"{path.stem}{rest}{path.suffix}")


def _backup(reader: Reader, to: Path, path: Path, progress: Progress | None) -> None:
    def told(_: int, remaining: int, total: int) -> None:
        if progress is not None:
            progress(total - remaining, total)

    with reader.at_one_moment() as connection:
        # The moment is that of the first read.
        connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        try:
            with closing(sqlite3.connect(to)) as copy:
                connection.backup(copy, pages=_PAGES, progress=told)
        except sqlite3.Error as error:
            if cause_of(error) == "damaged":
                raise
            raise LogError(
                f"the export to {path} was given up, nothing of it is left: {error}",
                remedy="Free some space, or name another place with --to.",
            ) from error
