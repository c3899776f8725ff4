"""When things happened, by a clock that never runs back.

A boot's rows are placed by its boot clock, which no one can set, so a wall clock that
is put right or wrong while the daemon runs moves nothing. What ties a boot to the
calendar is the wall clock of its first run whose clock was synchronised, else that
of its last row. A boot that would begin before the one before it ended is placed
right after that: the order of the log is certain, the calendar then is not.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

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
