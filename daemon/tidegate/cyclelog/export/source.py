"""Which rows of a log are exported."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any, Final

from tidegate.cyclelog import schema
from tidegate.cyclelog.export.columns import Exported, exported
from tidegate.cyclelog.whole import WholeLog

# Told how many rows are done, and about how many there are.
Progress = Callable[[int, int], None]
_TOLD_EVERY: Final = 2_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Selection:
    """Which rows: of a station, in from ``since_ms`` up to ``until_ms`` (UTC).

    With a station also the rows that belong to none, such as runs and links. A run
    of equal readings counts if any part of it lies in the time.
    """

    station: str | None = None
    since_ms: int | None = None
    until_ms: int | None = None

    @property
    def is_all(self) -> bool:
        """Whether nothing is left out."""
        return self == Selection()

    def takes(self, table: Exported, stored: tuple[Any, ...]) -> bool:
        """Return whether a row is among them."""
        at = table.station_at
        if self.station and at is not None and stored[at] not in ("", self.station):
            return False
        begin_ms = stored[table.wall_at]
        if self.until_ms is not None and begin_ms >= self.until_ms:
            return False
        if self.since_ms is None:
            return True
        lasts_ms = 0 if table.lasts_at is None else stored[table.lasts_at]
        return bool(begin_ms + lasts_ms >= self.since_ms)


@dataclass(slots=True)
class Tally:
    """What was written: rows of each table, the first and last row, and their times.

    ``begin_ms`` and ``end_ms`` are by the wall clock, which may have been set between;
    all four are ``None`` without any row.
    """

    rows: dict[str, int]
    first_id: int | None = None
    last_id: int | None = None
    begin_ms: int | None = None
    end_ms: int | None = None

    @property
    def count(self) -> int:
        """How many rows there are in all."""
        return sum(self.rows.values())

    def take(self, table: Exported, row_id: int, stored: tuple[Any, ...]) -> None:
        """Count a row."""
        self.rows[table.name] += 1
        begin_ms = end_ms = stored[table.wall_at]
        if table.lasts_at is not None:
            end_ms += stored[table.lasts_at]
        if self.first_id is None:
            self.first_id = row_id
        self.last_id = row_id
        if self.begin_ms is None or begin_ms < self.begin_ms:
            self.begin_ms = begin_ms
        if self.end_ms is None or end_ms > self.end_ms:
            self.end_ms = end_ms


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """An open log and what of it is exported."""

    log: WholeLog
    selection: Selection = field(default_factory=Selection)

    @property
    def tables(self) -> tuple[Exported, ...]:
        """The tables of the log as they are exported."""
        return tuple(map(exported, schema.tables(self.log.last.version)))

    def tally(self) -> Tally:
        """Return that nothing was written yet."""
        return Tally(rows={table.name: 0 for table in self.tables})

    def rows(
        self, tally: Tally, progress: Progress | None = None
    ) -> Iterator[tuple[Exported, list[str | None]]]:
        """Yield the selected rows in the order of their ids, as they are written, and
        count each in ``tally``.

        Errors: LogError.
        """
        about = self.log.head.last_id
        for done, (row_id, table, stored) in enumerate(self.log.raw()):
            shown = exported(table)
            if self.selection.takes(shown, stored):
                yield shown, shown.cells(row_id, stored)
                tally.take(shown, row_id, stored)
            if progress is not None and done % _TOLD_EVERY == 0:
                progress(done, about)
