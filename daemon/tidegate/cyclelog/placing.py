"""When things happened, by a clock that never runs back.

A boot's rows are placed by its boot clock, which no one can set, so a wall clock that
is put right or wrong while the daemon runs moves nothing. What ties a boot to the
calendar is the wall clock of its first run whose clock was synchronised, else that
of its last row. A boot that would begin before the one before it ended is placed
right after that: the order of the log is certain, the calendar then is not.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from tidegate.cyclelog.rows import Entry, FailureRow, LinkRow, ReadingRow, Row, RunRow

# What a wall clock may drift or be corrected by before it is worth a word.
STEP_MS: Final = 2 * 60_000


@dataclass(slots=True)
class Boot:
    """One boot of the host; ``offset_ms`` is what its wall clock is ahead by.

    ``least_ms`` and ``most_ms`` are the bounds of that over all of its rows.
    """

    first_id: int
    boot_id: str
    first_ms: int
    last_ms: int
    offset_ms: int
    least_ms: int
    most_ms: int
    is_anchored: bool = False

    def take(self, row: Row) -> None:
        offset_ms = row.wall_ms - row.boot_ms
        if isinstance(row, RunRow) and row.synchronised and not self.is_anchored:
            self.is_anchored, self.offset_ms = True, offset_ms
        elif not self.is_anchored:
            self.offset_ms = offset_ms
        span_ms = row.span_ms if isinstance(row, (ReadingRow, FailureRow)) else 0
        self.first_ms = min(self.first_ms, row.boot_ms)
        self.last_ms = max(self.last_ms, row.boot_ms + span_ms)
        self.least_ms = min(self.least_ms, offset_ms)
        self.most_ms = max(self.most_ms, offset_ms)


@dataclass(frozen=True, slots=True, kw_only=True)
class Placing:
    """Boot-clock ms plus an offset is UTC ms; ``offsets`` are by the id of the row
    from which they hold.

    ``stepped_ms`` is how far the wall clock was set within one boot, ``delayed`` how
    many boots are placed later than their wall clock said, ``end_ms`` when the last
    of the rows ended, 0 without any.
    """

    offsets: dict[int, int]
    stepped_ms: int
    delayed: int
    end_ms: int = 0

    def offset_ms(self, row_id: int) -> int:
        """Return the offset of a row."""
        begun = [first_id for first_id in self.offsets if first_id <= row_id]
        return self.offsets[max(begun)] if begun else 0


def place(entries: Iterable[Entry]) -> Placing:
    """Return where the rows of a log belong; ``entries`` are in the log's order."""
    boots: list[Boot] = []
    for entry in entries:
        row = entry.row
        if isinstance(row, LinkRow):
            continue
        boot_id = row.boot_id if isinstance(row, RunRow) else None
        if not boots or (boot_id is not None and boot_id != boots[-1].boot_id):
            boots.append(_begun(entry.id, row, boot_id or ""))
        boots[-1].take(row)
    return placed(boots)


def _begun(first_id: int, row: Row, boot_id: str) -> Boot:
    offset_ms = row.wall_ms - row.boot_ms
    return Boot(
        first_id=first_id,
        boot_id=boot_id,
        first_ms=row.boot_ms,
        last_ms=row.boot_ms,
        offset_ms=offset_ms,
        least_ms=offset_ms,
        most_ms=offset_ms,
    )


def placed(boots: list[Boot]) -> Placing:
    """Return where the rows of these boots belong; they are in the log's order."""
    offsets: dict[int, int] = {}
    delayed = 0
    end_ms: int | None = None
    for boot in boots:
        offset_ms = boot.offset_ms
        if end_ms is not None and boot.first_ms + offset_ms < end_ms:
            offset_ms = end_ms - boot.first_ms
            delayed += 1
        offsets[boot.first_id] = offset_ms
        end_ms = boot.last_ms + offset_ms
    stepped = max((boot.most_ms - boot.least_ms for boot in boots), default=0)
    return Placing(
        offsets=offsets, stepped_ms=stepped, delayed=delayed, end_ms=end_ms or 0
    )
