"""How often the daemon came back of late, from the run rows of the cycle log.

A service manager starts it again after each kill; only somebody who counts notices
that it dies every few minutes.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tidegate.clock import Clock
from tidegate.core.policy import HOUR_MS
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.rows import RunEndRow
from tidegate.errors import LogError

# Of a storm, more than these need not be told apart. Engineering choice, no source.
RUNS_AT_MOST: Final = 100
_IN_GOOD_ORDER: Final = "stopped"


@dataclass(frozen=True, slots=True)
class Restarts:
    """The runs of the hour before ``counted``: when each began, and after what.

    ``began_ms`` is on the boot clock of this boot and may be under 0; the flag beside
    it: the run before did not end in good order.
    """

    began_ms: tuple[tuple[int, bool], ...] = ()

    def at(self, now_ms: int) -> dict[str, int]:
        """Return how many runs began within the last hour, this one among them.

        ``unclosed`` of them followed one that was killed, or ended by a fault.
        """
        recent = [after for began, after in self.began_ms if now_ms - began < HOUR_MS]
        return {"last_hour": len(recent), "unclosed": sum(recent)}


def counted(path: Path, clock: Clock) -> Restarts:
    """Count in the cycle log of ``path``; one that cannot be read has none.

    Runs of an earlier boot are placed by the wall clock, but never after what followed
    them: on a machine that forgets the time it may have gone back by years.
    """
    try:
        with Reader(path) as reader:
            return Restarts(tuple(_recent(reader, clock)))
    except LogError:
        return Restarts()


def _recent(reader: Reader, clock: Clock) -> list[tuple[int, bool]]:
    found: list[tuple[int, bool]] = []
    later_ms: int | None = None
    # What makes boot clock of wall clock for the runs of earlier boots.
    behind_ms = clock.boot_ms() - clock.wall_ms()
    for run, end in reader.runs():
        if later_ms is not None:
            found.append((later_ms, _was_unclosed(end)))
        if run.boot_id == clock.boot_id():
            later_ms = run.boot_ms
        else:
            # This boot began at 0, and the run after this one at its own time.
            latest_ms = 0 if later_ms is None else min(0, later_ms)
            behind_ms = min(behind_ms, latest_ms - run.wall_ms)
            later_ms = run.wall_ms + behind_ms
        if clock.boot_ms() - later_ms >= HOUR_MS or len(found) >= RUNS_AT_MOST:
            return found
    if later_ms is not None:
        found.append((later_ms, False))  # the first run of all
    return found


def _was_unclosed(end: RunEndRow | None) -> bool:
    return end is None or end.why != _IN_GOOD_ORDER
