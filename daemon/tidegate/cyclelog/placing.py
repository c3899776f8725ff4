"""When things happened, by a clock that never runs back.

A boot's rows are placed by its boot clock, which no one can set, so a wall clock that
is put right or wrong while the daemon runs moves nothing. What ties a boot to the
calendar is the wall clock of its first run whose clock was synchronised, else that
of its last row. A boot that would begin before the one before it ended is placed
right after that: the order of the log is certain, the calendar then is not.

A host without a clock that goes on while it is off begins in 1970, until somebody tells
it the time. Boots of such a date before the first of another are placed so that they
end where that one begins: how long before it they were is not known.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

# What a wall clock may drift or be corrected by before it is worth a word.
STEP_MS: Final = 2 * 60_000
# 1 January 2020 in UTC: no log is older, so a clock that says so was not set.
FOUNDED_MS: Final = 1_577_836_800_000
# So long between two boots is worth a word where one of the clocks is not certain.
LONG_MS: Final = 365 * 86_400_000


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
    many boots are placed right after the one before, later than their wall clock said,
    ``unset`` how many right before the next one, as nobody had set their clock,
    ``doubtful_ms`` the longest time of more than a year between two boots one of whose
    clocks was never synchronised, ``end_ms`` when the last of the rows ended, 0
    without any.
    """

    offsets: dict[int, int]
    stepped_ms: int
    delayed: int
    end_ms: int = 0
    unset: int = 0
    doubtful_ms: int = 0

    def offset_ms(self, row_id: int) -> int:
        """Return the offset of a row."""
        begun = [first_id for first_id in self.offsets if first_id <= row_id]
        return self.offsets[max(begun)] if begun else 0


def placed(boots: list[Boot]) -> Placing:
    """Return where the rows of these boots belong; they are in the log's order."""
    offsets: dict[int, int] = {}
    delayed = doubtful_ms = 0
    end_ms: int | None = None
    was_certain = True
    before = _before_the_clock_was_set(boots)
    for place, boot in enumerate(boots):
        offset_ms = before[place] if place < len(before) else boot.offset_ms
        if end_ms is not None and boot.first_ms + offset_ms < end_ms:
            offset_ms = end_ms - boot.first_ms
            delayed += 1
        apart_ms = 0 if end_ms is None else boot.first_ms + offset_ms - end_ms
        if apart_ms > LONG_MS and not (was_certain and boot.is_anchored):
            doubtful_ms = max(doubtful_ms, apart_ms)
        offsets[boot.first_id] = offset_ms
        end_ms, was_certain = boot.last_ms + offset_ms, boot.is_anchored
    stepped = max((boot.most_ms - boot.least_ms for boot in boots), default=0)
    return Placing(
        offsets=offsets,
        stepped_ms=stepped,
        delayed=delayed,
        end_ms=end_ms or 0,
        unset=len(before),
        doubtful_ms=doubtful_ms,
    )


def _before_the_clock_was_set(boots: list[Boot]) -> list[int]:
    """Return the offsets of the boots before the first whose date may be true.

    None where there is no such boot after them: their dates are all there is.
    """
    count = 0
    while count < len(boots) and _is_unset(boots[count]):
        count += 1
    if count == len(boots):
        return []
    offsets = []
    begin_ms = boots[count].first_ms + boots[count].offset_ms
    for boot in reversed(boots[:count]):
        offsets.append(begin_ms - boot.last_ms)
        begin_ms += boot.first_ms - boot.last_ms
    return offsets[::-1]


def _is_unset(boot: Boot) -> bool:
    return not boot.is_anchored and boot.last_ms + boot.offset_ms < FOUNDED_MS
