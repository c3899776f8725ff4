"""A station that is taken out of a run that goes on, and comes back: what may be said.

Between its stop and its start nobody reads it, and the start knows of the stop.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from tidegate.core.events import Started
from tidegate.cyclelog.record import event_of
from tidegate.cyclelog.rows import EventRow, FailureRow, ReadingRow, Row

if TYPE_CHECKING:
    from tidegate.cyclelog.course import Course


def read_while_out(row: Row, course: Course) -> str | None:
    """Return what is wrong with a read of a station that nobody reads, if anything.

    A commissioning run writes no such rows.
    """
    is_read = isinstance(row, ReadingRow | FailureRow)
    if not is_read or not course.is_out or course.proving.is_on:
        return None
    return "it was read while it was out, between its stop and its start"


def start_fault(row: Row, course: Course) -> str | None:
    """Return what is wrong with a start, if it is one and anything is.

    Errors: LogError.
    """
    if not isinstance(row, EventRow) or row.kind != "started":
        return None
    if not course.is_starting:
        return "it starts in a run in which it has not stopped"
    event = event_of(row)
    assert isinstance(event, Started)
    if course.is_out and not (event.same_boot and event.was_closed):
        return "it has stopped in this run, and starts as if it had not"
    return None
