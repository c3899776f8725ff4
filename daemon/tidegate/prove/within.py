"""A commissioning run within a daemon that runs: what it has from there, what it leaves.

The daemon let go of this one station and goes on with the others. The run writes with
the daemon's writer into the daemon's run, and hands back what the station is to know.
"""

from __future__ import annotations

from collections.abc import Callable

from tidegate.core import controller
from tidegate.core.state import State
from tidegate.cyclelog.course import Course
from tidegate.cyclelog.rows import Entry, Row
from tidegate.cyclelog.writer import Writer


class Within:
    """The daemon around one run.

    ``state`` is what the station knew when it stopped, and once rows are written what a
    replay of these rows makes of it, by the same code. ``busy`` is told of calls that
    may cloud what stations on the same link observe, ``poisoned`` of a link that was
    closed under them.
    """

    def __init__(
        self,
        station: str,
        *,
        writer: Writer,
        busy: Callable[[], None] = lambda: None,
        poisoned: Callable[[], None] = lambda: None,
    ) -> None:
        self.writer = writer
        self.busy = busy
        self.poisoned = poisoned
        self._course = Course(station, controller.step)
        self._course.may_begin = False
        # As the state row of its stop leaves a replay.
        self._course.is_starting = self._course.is_out = True

    def knows(self, state: State | None) -> None:
        """Take what the station knew when it stopped, before anything is written."""
        self._course.state = state

    @property
    def state(self) -> State | None:
        """What the station knows by now."""
        return self._course.state

    def took(self, row_id: int, row: Row) -> None:
        """Take a row that was just written."""
        self._course.take(Entry(row_id, row))
