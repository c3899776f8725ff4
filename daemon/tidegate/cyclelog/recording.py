"""Readings that were taken once, in order, on a time line of their own.

``logged`` yields those of a cycle log; ``tidegate.cyclelog.recording_csv`` those of a
CSV file. ``Playback`` says what such a recording has for a moment.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path
from typing import Final

from tidegate.core.reading import Reading, Sample, WhyNot
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.record import first_of, reading_of
from tidegate.cyclelog.rows import (
    BatteryRow,
    Entry,
    FailureRow,
    LinkRow,
    ReadingRow,
    Row,
    RunRow,
)

# The first bytes of every SQLite file: its file format, section 1.3.
_SQLITE: Final = b"SQLite format 3\0"
NOT_RECORDED: Final = "nothing was recorded then"
OVER: Final = "the recording is over"
# So many rows are read at a time. No reading of the file outlasts them, or a log that
# is still being written could not empty its WAL while somebody plays it.
_ROWS_AT_ONCE: Final = 500
# Whether a reading is a jump follows from those before it, so that is judged anew.
_JUDGED_ANEW: Final = frozenset({WhyNot.JUMP})


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """What a read brought ``at_ms`` after the beginning of the recording.

    It holds for ``lasts_ms``: a run of equal readings is known by its first and its
    last. ``sample`` is ``None`` for a read that failed; ``why`` then says how.
    """

    at_ms: int
    lasts_ms: int = 0
    sample: Sample | None = None
    why: str = ""

    @property
    def until_ms(self) -> int:
        """When it was last seen to hold."""
        return self.at_ms + self.lasts_ms


Recording = Callable[[], Iterator[Taken]]


def is_log(path: Path) -> bool:
    """Return whether a recording is a cycle log and no CSV. Errors: OSError."""
    with path.open("rb") as file:
        return file.read(len(_SQLITE)) == _SQLITE


class Playback:
    """A recording from its beginning, as often as wanted.

    ``gap_ms``: this long after a reading, without another one, nothing was recorded.
    ``make`` begins the recording; errors of its iterator are passed on.
    """

    def __init__(self, make: Recording, *, gap_ms: int, is_repeated: bool) -> None:
        self._make = make
        self._gap_ms = gap_ms
        self._is_repeated = is_repeated
        self._began_ms = 0
        self._begin()

    def at(self, now_ms: int) -> Taken:
        """Return the last that was taken at or before ``now_ms``; never goes back.

        Without a sample where there is none: in a gap, or at the end.
        """
        self._forward(now_ms - self._began_ms)
        end_ms = self._end_ms()
        passed_ms = now_ms - self._began_ms
        if end_ms is not None and passed_ms >= end_ms:
            if not self._is_repeated or end_ms == 0:
                return Taken(at_ms=now_ms, why=OVER)
            self._began_ms += passed_ms // end_ms * end_ms
            passed_ms %= end_ms
            self._begin()
            self._forward(passed_ms)
        now = self._now
        if now is None or passed_ms > now.until_ms + self._gap_ms:
            return Taken(at_ms=now_ms, why=NOT_RECORDED)
        return now

    def _begin(self) -> None:
        self._taken = self._make()
        self._now: Taken | None = None
        self._apart_ms = self._gap_ms
        self._next = next(self._taken, None)

    def _forward(self, passed_ms: int) -> None:
        while self._next is not None and self._next.at_ms <= passed_ms:
            if self._now is not None and self._next.at_ms > self._now.until_ms:
                self._apart_ms = self._next.at_ms - self._now.until_ms
            self._now, self._next = self._next, next(self._taken, None)

    def _end_ms(self) -> int | None:
        """Return when it is over: as long after the last reading as that came after
        the one before it. ``None`` while there is more to come.
        """
        if self._next is not None:
            return None
        if self._now is None:
            return 0
        return self._now.until_ms + min(self._apart_ms, self._gap_ms)


def logged(path: Path, station: str, *, begin_wall_ms: int | None) -> Iterator[Taken]:
    """Yield what a station's gauge brought, from the first read or ``begin_wall_ms``.

    Rows that are written meanwhile are left out. Errors: LogError.
    """
    line = _Line(station, begin_wall_ms)
    with Reader(path) as reader:
        last_id = reader.tail.last_id
    after = 0
    while True:
        with Reader(path) as reader:
            rows = reader.rows(station, after=after, up_to=last_id)
            batch = list(islice(rows, _ROWS_AT_ONCE))
        if not batch:
            return
        after = batch[-1].id
        for entry in batch:
            yield from line.take(entry)


class _Line:
    """The time line: within a boot its boot clock, which no one can set.

    Between two boots the wall clocks of the rows next to them tell how much time
    passed, and none did where the second one is behind the first.
    """

    def __init__(self, station: str, begin_wall_ms: int | None) -> None:
        self._station = station
        self._begin_wall_ms = begin_wall_ms
        self._battery: BatteryRow | None = None
        self._boot_id = ""
        self._offset_ms = 0
        self._last_ms = 0
        self._last_wall_ms: int | None = None
        self._start_ms: int | None = None

    def take(self, entry: Entry) -> list[Taken]:
        row = entry.row
        if isinstance(row, LinkRow):
            return []
        if isinstance(row, RunRow) and row.boot_id != self._boot_id:
            self._boot(row)
        if isinstance(row, BatteryRow):
            self._battery = row
        span_ms, slip_ms = 0, 0
        if isinstance(row, ReadingRow | FailureRow):
            span_ms, slip_ms = row.span_ms, row.wall_slip_ms
        end_ms = row.boot_ms + span_ms + self._offset_ms
        self._last_ms = max(self._last_ms, end_ms)
        self._last_wall_ms = row.wall_ms + span_ms + slip_ms
        found = self._taken(row)
        if found and self._start_ms is None:
            self._start_ms = self._started(found[0], end_ms)
        if self._start_ms is None:
            return []
        return [_moved(each, -self._start_ms) for each in found]

    def _started(self, taken: Taken, end_ms: int) -> int | None:
        """Return where the recording begins if it does in the row that ends here."""
        assert self._last_wall_ms is not None
        if self._begin_wall_ms is None:
            return taken.at_ms
        inside_ms = self._last_wall_ms - self._begin_wall_ms
        return max(taken.at_ms, end_ms - inside_ms) if inside_ms >= 0 else None

    def _boot(self, row: RunRow) -> None:
        passed_ms = 0
        if self._last_wall_ms is not None:
            passed_ms = max(0, row.wall_ms - self._last_wall_ms)
        self._boot_id = row.boot_id
        self._offset_ms = self._last_ms + passed_ms - row.boot_ms

    def _taken(self, row: Row) -> tuple[Taken, ...]:
        """Return what a row of this station holds, on the line of the whole log."""
        if isinstance(row, FailureRow):
            said = f": {row.text}" if row.text else ""
            at_ms = row.boot_ms + self._offset_ms
            why = f"the read failed then ({row.kind}{said})"
            return (Taken(at_ms=at_ms, lasts_ms=row.span_ms, why=why),)
        if not isinstance(row, ReadingRow):
            return ()
        at_ms = row.boot_ms + self._offset_ms
        first = _sample(first_of(row, self._battery), row)
        if row.reads == 1:
            return (Taken(at_ms=at_ms, sample=first),)
        last = _sample(reading_of(row, self._battery), row)
        return (
            Taken(at_ms=at_ms, lasts_ms=row.span_ms, sample=first),
            Taken(at_ms=at_ms + row.span_ms, sample=last),
        )


def _moved(taken: Taken, by_ms: int) -> Taken:
    """Return it at another time, without what then lies before the beginning."""
    at_ms = max(0, taken.at_ms + by_ms)
    return replace(
        taken, at_ms=at_ms, lasts_ms=max(at_ms, taken.until_ms + by_ms) - at_ms
    )


def _sample(reading: Reading, row: ReadingRow) -> Sample:
    """Return the sample with the verdict that stood on it.

    The figures that led to it are not all in the log, so it could not be found again.
    """
    why_not = reading.why_not
    if why_not is None or why_not in _JUDGED_ANEW:
        return reading.sample
    return replace(reading.sample, claims=why_not, raw=row.raw or "")
