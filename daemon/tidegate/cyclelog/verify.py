"""A whole cycle log, file by file from the oldest, and against what was kept elsewhere.

Torn ends of crashes are explained (``torn``), never faults. What a file that was set
aside as damaged held is named and not verified.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from tidegate.cyclelog import neighbours, torn
from tidegate.cyclelog.anchor import Anchor, distrusted, lost
from tidegate.cyclelog.check import Examined, examine
from tidegate.cyclelog.disk import last_readable
from tidegate.cyclelog.fault import Fault
from tidegate.cyclelog.neighbours import Beside, End
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.walk import Link
from tidegate.errors import LogUnreadable

# Rows done, and about how many there are.
Progress = Callable[[int, int], None]
_TRIES: Final = 3


@dataclass(frozen=True, slots=True)
class FileChecked:
    """One file of the log and what it came to."""

    path: Path
    examined: Examined


@dataclass(frozen=True, slots=True)
class AnchorChecked:
    """An anchor, the file that has its link, and what is wrong with it.

    Neither of them where the log is broken before the anchor could be reached.
    """

    anchor: Anchor
    file: Path | None
    fault: Fault | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What a log came to. ``fault_file`` is where its first fault lies.

    ``notes`` are sentences on what is no fault and yet should be known.
    """

    files: tuple[FileChecked, ...]
    set_aside: tuple[Path, ...]
    fault: Fault | None
    fault_file: Path | None
    anchors: tuple[AnchorChecked, ...]
    notes: tuple[str, ...]

    @property
    def anchored(self) -> bool:
        """Whether there are anchors, all genuine, and the log has all of them."""
        return bool(self.anchors) and all(
            each.file is not None and each.fault is None for each in self.anchors
        )

    @property
    def rows(self) -> int:
        """How many rows are as written, links apart."""
        return sum(file.examined.rows for file in self.files)

    @property
    def links(self) -> int:
        """How many links hold."""
        return sum(file.examined.links for file in self.files)

    @property
    def head(self) -> tuple[Path, Link] | None:
        """The last link that holds, and its file; a file just begun has none."""
        return next(
            (
                (file.path, file.examined.last)
                for file in reversed(self.files)
                if file.examined.last is not None
            ),
            None,
        )


def verify(
    path: Path,
    *,
    anchors: Sequence[Anchor] = (),
    key: str | None = None,
    progress: Progress | None = None,
) -> Verdict:
    """Verify the log at this path and the past files beside it.

    Every signed anchor must be genuine, and of ``key`` if that is given. Errors:
    LogError when the file itself cannot be read, Unsupported.
    """
    checked = [AnchorChecked(each, None, distrusted(each, key)) for each in anchors]
    for _ in range(_TRIES):
        run = _Run(path, frozenset(each.link for each in anchors), progress)
        if run.is_of_one_moment():
            break
    placed = tuple(_placed(each, run) for each in checked)
    wrong = next((each for each in placed if each.fault is not None), None)
    fault, file = run.fault, run.fault_file
    if fault is None and wrong is not None:
        # What is wrong with the signature lies in the anchor, anything else in the log.
        fault = wrong.fault
        file = wrong.anchor.source if distrusted(wrong.anchor, key) else path
    return Verdict(
        files=tuple(run.files),
        set_aside=run.beside.aside,
        fault=fault,
        fault_file=file,
        anchors=placed,
        notes=tuple(run.notes),
    )


class _Run:
    """One way through all files, up to the first fault."""

    def __init__(
        self, path: Path, wanted: frozenset[str], progress: Progress | None
    ) -> None:
        self.path = path
        self.files: list[FileChecked] = []
        self.fault: Fault | None = None
        self.fault_file: Path | None = None
        self.notes: list[str] = []
        self._wanted = wanted
        self._progress = progress
        self._inode = path.stat().st_ino if path.exists() else None
        # The last file stays open from the start, so that a year that turns meanwhile
        # does not put an empty one in its place.
        with Reader(path) as reader:
            self.notes += torn.explanations(path)
            self.beside = neighbours.beside(path)
            self._rows = last_readable(path).last_id
            self._go(reader, self.beside)

    def is_of_one_moment(self) -> bool:
        """Return whether no other file came to stand at the path meanwhile."""
        return self.path.exists() and self.path.stat().st_ino == self._inode

    def _go(self, last: Reader, beside: Beside) -> None:
        for path in beside.unreadable:
            self._unplaced(path)
        before: End | None = None
        for end in beside.past:
            if self.fault is None:
                self._past(end, before)
                self._found(neighbours.misnamed(end, self.path), end.path)
            before = end
        if self.fault is None:
            self._one(last, before)

    def _unplaced(self, path: Path) -> None:
        """Say what is wrong with a file of which not even the end can be read."""
        fault = None
        with suppress(LogUnreadable), Reader(path) as reader:
            fault = examine(reader).fault
        what = f"nothing can be read of {path.name}"
        self._found(fault or Fault(None, "damaged", what), path)

    def _past(self, end: End, before: End | None) -> None:
        try:
            with Reader(end.path) as reader:
                self._one(reader, before)
        except LogUnreadable as error:
            self._found(Fault(None, "damaged", error.what), end.path)

    def _one(self, reader: Reader, before: End | None) -> None:
        examined = examine(reader, wanted=self._wanted, progress=self._told())
        self.files.append(FileChecked(reader.path, examined))
        self._found(examined.fault, reader.path)
        if self.fault is None:
            tie = neighbours.tie(examined.begin, reader.path, before, self.beside.aside)
            if isinstance(tie, str):
                self.notes.append(tie)
            else:
                self._found(tie, reader.path)

    def _told(self) -> Callable[[int], None] | None:
        progress, done = self._progress, sum(each.examined.rows for each in self.files)
        if progress is None:
            return None
        return lambda rows: progress(done + rows, self._rows)

    def _found(self, fault: Fault | None, path: Path) -> None:
        if fault is not None and self.fault is None:
            self.fault, self.fault_file = fault, path


def _placed(checked: AnchorChecked, run: _Run) -> AnchorChecked:
    """Return the anchor with the file that has its link, or why none has."""
    link = checked.anchor.link
    for file in run.files:
        if link in file.examined.found:
            checked = replace(checked, file=file.path)
            break
    if checked.fault is not None or (checked.file is None and run.fault is not None):
        return checked
    examined = [file.examined for file in run.files]
    return replace(checked, fault=lost(checked.anchor, examined))
