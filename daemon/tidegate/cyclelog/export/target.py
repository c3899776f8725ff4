"""Where an export goes: written beside its place, and put there whole or not at all."""

from __future__ import annotations

import errno
import os
import re
import shutil
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from tidegate.cyclelog.disk import SIDE_FILES, aside_files, past_named, side_files
from tidegate.errors import LogError

_LOCK: Final = ".lock"
_ELSEWHERE: Final = "Name another --to."
_ROOM: Final = "Free some space, or name another place with --to."
_RIGHTS: Final = "Get the right to write in {folder}, or name another place with --to."
_REMEDIES: Final = {
    errno.ENOSPC: _ROOM,
    errno.EDQUOT: _ROOM,
    errno.EACCES: _RIGHTS,
    errno.EPERM: _RIGHTS,
    errno.EROFS: "It can only be read; name another place with --to.",
    errno.ENOTDIR: "{folder} is no folder; name another place with --to.",
}


class TargetTaken(LogError):
    """Something stands where the export is to go."""


def refuse_log(paths: Sequence[Path], log: Path) -> None:
    """Let nothing that is, or would be taken for, a part of a log be written over.

    ``log`` is the one that is exported; of others, the lock of their writer tells.
    Errors: TargetTaken.
    """
    named = past_named(log) if log.parent.is_dir() else []
    parts = [log, *named, *(aside_files(log) if named or log.exists() else [])]
    parts += [side for each in parts for side in side_files(each)]
    for path in paths:
        if any(_is_same(path, part) for part in parts):
            raise TargetTaken(f"{path} is of the log itself", remedy=_ELSEWHERE)
        if _is_same(path.parent, log.parent) and _part_name(log).fullmatch(path.name):
            what = f"beside {log.name}, {path.name} would be taken for a part of it"
            raise TargetTaken(what, remedy=_ELSEWHERE)
        if os.path.lexists(path) and path.with_name(path.name + _LOCK).exists():
            raise TargetTaken(
                f"{path} is a log that a daemon writes, or wrote ({path.name}{_LOCK})",
                remedy=_ELSEWHERE,
            )


def _is_same(one: Path, other: Path) -> bool:
    return one.exists() and other.exists() and one.samefile(other)


def _part_name(log: Path) -> re.Pattern[str]:
    """Return what the names of all files of a log look like, present or not."""
    name, stem, end = map(re.escape, (log.name, log.stem, log.suffix))
    sides = "|".join(map(re.escape, (*SIDE_FILES, "-journal")))
    aside = r"\.\w+-\d{8}T\d{6}Z(-\d+)?"
    past = rf"{stem}-(\d{{4}}|undated)(-\d+)?{end}"
    return re.compile(rf"{name}{re.escape(_LOCK)}|({name}({aside})?|{past})({sides})?")


def refuse_taken(paths: Sequence[Path], *, force: bool) -> None:
    """Let nothing give way that nobody meant to. Errors: TargetTaken."""
    for path in paths:
        if not os.path.lexists(path):
            continue
        if not force:
            raise TargetTaken(
                f"{path} is there already",
                remedy="Name another --to, or let it give way with --force.",
            )
        if path.is_dir() and not path.is_symlink():
            raise TargetTaken(
                f"{path} is a folder, and is not deleted for a file",
                remedy=_ELSEWHERE,
            )
        if path.is_symlink() or not path.is_file():
            what = f"{path} is a link or a device, and no file that could give way"
            raise TargetTaken(what, remedy=_ELSEWHERE)


def refuse_folder(path: Path, known: Sequence[str], *, force: bool) -> None:
    """As ``refuse_taken``, for a folder: with force, only an older export gives way.

    ``known`` are the names of the files that an export makes.
    """
    if not os.path.lexists(path):
        return
    is_folder = path.is_dir() and not path.is_symlink()
    if is_folder and not any(path.iterdir()):
        return
    if not force:
        raise TargetTaken(
            f"{path} is there already",
            remedy="Name another --to, or let it give way with --force.",
        )
    strange = (
        sorted({each.name for each in path.iterdir()} - {*known})
        if is_folder
        else [path.name]
    )
    if strange:
        raise TargetTaken(
            f"{path} is not only an export, it has {strange[0]}: it does not give way",
            remedy=_ELSEWHERE,
        )


@contextmanager
def staged(path: Path) -> Iterator[Path]:
    """Give an empty folder beside ``path`` that is gone at the end, however that comes.

    Errors: LogError for what the disk refuses.
    """
    try:
        folder = Path(
            tempfile.mkdtemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
        )
    except OSError as error:
        raise refused(error, path) from error
    try:
        yield folder
    except OSError as error:
        raise refused(error, path) from error
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def put_files(folder: Path, paths: Sequence[Path]) -> None:
    """Put the files of the folder in their places, the last one last of all.

    Whoever finds the last file finds all of them. Errors: OSError.
    """
    for path in paths:
        made = folder / path.name
        _sync(made)
        made.replace(path)
    _sync(paths[-1].parent)


def put_folder(folder: Path, path: Path) -> None:
    """Put a folder in its place; an older export gives way. Errors: OSError."""
    for made in folder.iterdir():
        _sync(made)
    _sync(folder)
    if path.is_dir() and any(path.iterdir()):
        old = folder.with_name(f"{folder.name}.old")
        try:
            path.replace(old)
            folder.replace(path)
        except BaseException:
            if old.exists() and not path.exists():
                old.replace(path)
            raise
    else:
        folder.replace(path)
    _sync(path.parent)


def refused(error: OSError, path: Path) -> LogError:
    """Return what to raise when the disk does not take an export."""
    folder = path.parent
    if error.errno == errno.ENOENT and not folder.is_dir():
        return LogError(
            f"there is no folder {folder} for the export",
            remedy="Make it first, or name another place with --to.",
        )
    said = error.strerror or str(error) or type(error).__name__
    remedy = _REMEDIES.get(error.errno or 0, "Name a place with --to that takes it.")
    return LogError(
        f"the export to {path} was given up, nothing of it is left: {said}",
        remedy=remedy.format(folder=folder),
    )


def _sync(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
