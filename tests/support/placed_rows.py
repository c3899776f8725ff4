"""Where the rows of a log belong in time, found row by row, to hold SQLite's answer to.

After what ``tidegate.cyclelog.placing`` says of boots and clocks.
"""

from __future__ import annotations

from collections.abc import Iterable

from tidegate.cyclelog.placing import Boot, Placing, placed
from tidegate.cyclelog.rows import Entry, FailureRow, LinkRow, ReadingRow, Row, RunRow


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
        _take(boots[-1], row)
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


def _take(boot: Boot, row: Row) -> None:
    offset_ms = row.wall_ms - row.boot_ms
    if isinstance(row, RunRow) and row.synchronised and not boot.is_anchored:
        boot.is_anchored, boot.offset_ms = True, offset_ms
    elif not boot.is_anchored:
        boot.offset_ms = offset_ms
    span_ms = row.span_ms if isinstance(row, (ReadingRow, FailureRow)) else 0
    boot.first_ms = min(boot.first_ms, row.boot_ms)
    boot.last_ms = max(boot.last_ms, row.boot_ms + span_ms)
    boot.least_ms = min(boot.least_ms, offset_ms)
    boot.most_ms = max(boot.most_ms, offset_ms)
