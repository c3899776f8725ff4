"""The times without supply of a station whose gauge needs the supply, from its log.

Nothing is read in them; that they were, and from when to when, the commands and their
outcomes tell. Only those are taken that nothing casts a doubt on: the off and the on
were carried out in one run of the daemon, nothing was read and nothing else happened in
between, and the gauge was back as soon after the on as the daemon itself asks of a loss
that it learns from.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from itertools import pairwise
from sqlite3 import Connection
from typing import Any, Final, NamedTuple

from tidegate.core.learn import SLOPE_BACK_WITHIN_MS
from tidegate.core.reading import Supply
from tidegate.cyclelog.placing import Placing
from tidegate.cyclelog.rows import (
    EventRow,
    GapRow,
    IntentRow,
    OutcomeRow,
    RunRow,
    SettingsRow,
)
from tidegate.cyclelog.schema import TABLE_OF
from tidegate.history.series import Coast, Point

_INTENTS, _OUTCOMES, _EVENTS, _RUNS, _GAPS, _SETTINGS = (
    TABLE_OF[each].name
    for each in (IntentRow, OutcomeRow, EventRow, RunRow, GapRow, SettingsRow)
)
# What neither moves the contact nor says that it was moved.
_HARMLESS: Final = (
    "time_passed",
    "neighbour_switched",
    "plan_changed",
    "override_placed",
    "override_released",
)


class _Told(NamedTuple):
    """A command that may have moved the contact; UTC ms of its outcome."""

    row_id: int
    supply: str
    is_done: bool
    at_ms: int


class Commands:
    """The commands of a station, file by file, and the rows that cast a doubt."""

    def __init__(self, placing: Placing) -> None:
        self._boots = sorted(placing.offsets.items())
        self._told: list[_Told] = []
        self._doubts: list[int] = []

    def take(self, connection: Connection, station: str, *, up_to: int) -> None:
        """Take those of one file."""
        done = {
            intent: (boot_ms, succeeded)
            for intent, boot_ms, succeeded in connection.execute(
                f'SELECT "intent", "boot_ms", "succeeded" FROM "{_OUTCOMES}" '
                'WHERE "station" = ? AND "id" <= ?',
                (station, up_to),
            )
        }
        for row_id, boot_ms, supply in connection.execute(
            f'SELECT "id", "boot_ms", "supply" FROM "{_INTENTS}" '
            'WHERE "station" = ? AND "id" <= ? ORDER BY "id"',
            (station, up_to),
        ):
            at_ms, succeeded = done.get(row_id, (boot_ms, False))
            placed_ms = at_ms + self._offset_ms(row_id)
            self._told.append(_Told(row_id, supply, bool(succeeded), placed_ms))
        self._doubts += sorted(
            row_id for row_id, *_ in _doubtful(connection, station, up_to)
        )

    def coasts(self, points: Sequence[Point], *, poll_ms: int) -> tuple[Coast, ...]:
        """Return the times without supply that lie between two readings."""
        times = [each.at_ms for each in points]
        within_ms = SLOPE_BACK_WITHIN_MS + poll_ms
        found = []
        was = Supply.ON.value
        for off, on in pairwise(self._told):
            # Said again it began earlier, or it had no effect the first time.
            is_first, was = was != Supply.OFF, off.supply
            place = bisect_left(times, on.at_ms)
            if not is_first or not self._is_sure(off, on):
                continue
            if not 0 < place < len(times):
                continue
            is_unread = times[place - 1] <= off.at_ms < on.at_ms
            # An off is decided with a reading.
            early_ms, late_ms = off.at_ms - times[place - 1], times[place] - on.at_ms
            if is_unread and max(early_ms, late_ms) <= within_ms:
                found.append(Coast(off.at_ms, on.at_ms, place))
        return tuple(found)

    def unread(self, points: Sequence[Point]) -> Iterator[int]:
        """Yield the places before which the supply was, or may have been, off."""
        times = [each.at_ms for each in points]
        for each in self._told:
            if each.supply == Supply.OFF:
                place = bisect_right(times, each.at_ms)
                if 0 < place < len(times):
                    yield place

    def _is_sure(self, off: _Told, on: _Told) -> bool:
        if (off.supply, on.supply) != (Supply.OFF, Supply.ON):
            return False
        doubts = self._doubts
        is_alone = bisect_left(doubts, off.row_id) == bisect_left(doubts, on.row_id)
        return off.is_done and on.is_done and is_alone

    def _offset_ms(self, row_id: int) -> int:
        place = bisect_right(self._boots, row_id, key=lambda each: each[0])
        return self._boots[place - 1][1] if place else 0


def _doubtful(connection: Connection, station: str, up_to: int) -> Iterator[Any]:
    """Yield the rows after which an off need not be what it was."""
    marks = ", ".join("?" * len(_HARMLESS))
    yield from connection.execute(
        f'SELECT "id" FROM "{_RUNS}" WHERE "id" <= ? '
        f'UNION SELECT "id" FROM "{_GAPS}" WHERE "id" <= ? '
        f'UNION SELECT "id" FROM "{_SETTINGS}" WHERE "station" = ? AND "id" <= ? '
        f'UNION SELECT "id" FROM "{_EVENTS}" WHERE "station" = ? AND "id" <= ? '
        f'AND "kind" NOT IN ({marks}) '
        """AND NOT ("kind" = 'relay_reported' AND "args" LIKE '%"off"%')""",
        (up_to, up_to, station, up_to, station, up_to, *_HARMLESS),
    )
