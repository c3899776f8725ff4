"""Rows on their way to the file: kept in order, bounded, with what was lost on the way.

While the log cannot be written the oldest rows give way to the newest. What is in
force (run, settings, battery) stays, and each station that lost rows gets a gap row in
the place of the last one that it lost.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from tidegate.cyclelog.rows import (
    DROPPED,
    BatteryRow,
    Entry,
    GapRow,
    LinkRow,
    OutcomeRow,
    Row,
    RunRow,
    SettingsRow,
    station_of,
)

LIMIT: Final = 8192

_Place = tuple[type, str | None]


@dataclass(frozen=True, slots=True)
class Moment:
    """Both clocks at once."""

    boot_ms: int
    wall_ms: int


class Backlog:
    """Rows that are not durable yet. Not safe for threads by itself."""

    def __init__(self, *, limit: int = LIMIT) -> None:
        self.last_id = 0
        self._limit = limit
        self._rows: list[Entry] = []
        self._lost: dict[str, Entry] = {}
        self._in_force: dict[_Place, Row] = {}
        self._uncovered: dict[str, int] = {}
        self._ahead: set[int] = set()
        self._durable_id = 0

    def __len__(self) -> int:
        return len(self._rows)

    @property
    def first_id(self) -> int | None:
        """The lowest id that waits."""
        return self._rows[0].id if self._rows else None

    @property
    def has_lost(self) -> bool:
        """Whether rows gave way."""
        return bool(self._lost)

    def append(self, row: Row) -> int:
        """Take a row and return its id."""
        entry = Entry(self.take_id(), row)
        self._rows.append(entry)
        if isinstance(row, (RunRow, SettingsRow, BatteryRow)):
            self._in_force[_place(row)] = row
        if isinstance(row, OutcomeRow):
            if row.intent in self._ahead or row.intent > self._durable_id:
                self._count_uncovered(row)
            self._ahead.discard(row.intent)
        if len(self._rows) > self._limit:
            self._give_way()
        return entry.id

    def telling(self, intent: int) -> None:
        """Take note that a relay hears of this intent now, durable or not."""
        if intent > self._durable_id:
            self._ahead.add(intent)

    def take_id(self) -> int:
        """Return the next id."""
        self.last_id += 1
        return self.last_id

    def due(self) -> list[Entry]:
        """Return all rows that wait, with the gaps among them, in order."""
        return sorted([*self._rows, *self._lost.values()], key=lambda entry: entry.id)

    def settle(self, durable_id: int) -> None:
        """Forget what is durable: all rows up to this id."""
        self._durable_id = max(self._durable_id, durable_id)
        self._rows = [entry for entry in self._rows if entry.id > durable_id]
        self._lost = {
            station: entry
            for station, entry in self._lost.items()
            if entry.id > durable_id
        }

    def put_first(self, entries: Sequence[Entry]) -> None:
        """Put rows that have their ids already before those that wait."""
        self._rows[:0] = entries

    def uncovered(self) -> dict[str, int]:
        """Return, by station, the switchings whose intent was not durable in time."""
        return dict(self._uncovered)

    def cover(self, counted: dict[str, int]) -> None:
        """Forget these uncovered switchings: a gap row tells of them now."""
        for station, count in counted.items():
            left = self._uncovered[station] - count
            self._uncovered[station] = left
            if not left:
                del self._uncovered[station]

    def in_force(self, now: Moment, *, without: Iterable[Entry] = ()) -> list[Row]:
        """Return the rows that a new file begins with: what holds since earlier.

        ``without`` are rows that go there anyway.
        """
        coming = {_place(entry.row) for entry in without}
        return [
            _said_again(row, now)
            for place, row in self._in_force.items()
            if place not in coming
        ]

    def _count_uncovered(self, row: OutcomeRow) -> None:
        if row.succeeded or row.error != DROPPED:
            count = self._uncovered.get(row.station, 0)
            self._uncovered[row.station] = count + 1

    def _give_way(self) -> None:
        """Drop the oldest quarter, save the last of each kind that is in force."""
        parted = len(self._rows) - self._limit * 3 // 4
        oldest, self._rows = self._rows[:parted], self._rows[parted:]
        kept = {
            _place(entry.row): entry
            for entry in oldest
            if isinstance(entry.row, (RunRow, SettingsRow, BatteryRow))
        }
        kept_ids = {entry.id for entry in kept.values()}
        for entry in oldest:
            if entry.id not in kept_ids:
                self._lose(entry)
        self._rows[:0] = sorted(kept.values(), key=lambda entry: entry.id)

    def _lose(self, entry: Entry) -> None:
        row = entry.row
        station = station_of(row) or ""
        known = self._lost.get(station)
        gap = known.row if known is not None else None
        assert gap is None or isinstance(gap, GapRow)
        lost = row.dropped_rows if isinstance(row, GapRow) else 1
        self._lost[station] = Entry(
            entry.id,
            GapRow(
                boot_ms=row.boot_ms,
                wall_ms=row.wall_ms,
                station=station,
                why="overflow",
                since_boot_ms=gap.since_boot_ms if gap else row.boot_ms,
                since_wall_ms=gap.since_wall_ms if gap else row.wall_ms,
                dropped_rows=(gap.dropped_rows if gap else 0) + lost,
            ),
        )


def _said_again(row: Row, now: Moment) -> Row:
    row = replace(row, boot_ms=now.boot_ms, wall_ms=now.wall_ms)
    return replace(row, continued=True) if isinstance(row, RunRow) else row


def _place(row: Row | LinkRow) -> _Place:
    return type(row), station_of(row)
