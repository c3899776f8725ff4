"""Settings rows and the events that put settings in force say the same.

At a start the settings row alone counts. While a run lasts the core is told by the
event ``settings_changed``, and the row just before it is what people read.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from tidegate.core.events import SettingsChanged
from tidegate.core.policy import Policy
from tidegate.cyclelog.plain import from_plain
from tidegate.cyclelog.record import event_of, parsed
from tidegate.cyclelog.rows import (
    Entry,
    EventRow,
    FailureRow,
    OutcomeRow,
    ReadingRow,
    RunEndRow,
    SettingsRow,
    StateRow,
)

if TYPE_CHECKING:
    from tidegate.cyclelog.course import Course

Fault = tuple[Entry, str]


class InForce:
    """Follows what is said of the settings of one station."""

    def __init__(self) -> None:
        self._said: Policy | None = None
        self._untold: Entry | None = None

    def forget(self) -> None:
        """Know of no settings row: a run begins, or rows are missing."""
        self._said = self._untold = None

    def take(self, entry: Entry, course: Course) -> Fault | None:
        """Return which row contradicts the others, if one does; before the course.

        ``entry`` is a row of the station, or the end of the run. Errors: LogError.
        """
        match entry.row:
            case SettingsRow() as row:
                self._said = from_plain(Policy, parsed(row.policy))
                known = None if course.is_starting else course.state
                is_new = known is not None and known.policy != self._said
                self._untold = entry if is_new else None
            case EventRow(kind="settings_changed") as row:
                return self._told(entry, row)
            case EventRow(kind="resumed"):
                pass  # a suspend that is noticed on the way from the row to the event
            case (
                EventRow()
                | ReadingRow()
                | FailureRow()
                | OutcomeRow()
                | StateRow()
                | RunEndRow()
            ) if self._untold is not None:
                what = "these settings are not in force, and no event puts them there"
                return self._untold, what
        return None

    def _told(self, entry: Entry, row: EventRow) -> Fault | None:
        event = event_of(row)
        assert isinstance(event, SettingsChanged)
        said, self._said, self._untold = self._said, event.policy, None
        if said is None or said == event.policy:
            return None
        return entry, "it puts other settings in force than the settings row before it"
