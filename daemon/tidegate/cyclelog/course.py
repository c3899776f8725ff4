"""The state of one station as the rows of its log go by.

Each row is turned back into the events that it stands for, and these are fed to the
controller again. Nothing here judges: that is ``judge``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Final

from tidegate.core import state as core_state
from tidegate.core.controller import told_aside, unseen
from tidegate.core.effects import Effect
from tidegate.core.events import (
    Event,
    NotProved,
    Proved,
    SettingsChanged,
    Started,
)
from tidegate.core.policy import Policy
from tidegate.core.reading import Reading
from tidegate.core.state import State
from tidegate.cyclelog.plain import from_plain
from tidegate.cyclelog.proving import Proving
from tidegate.cyclelog.record import (
    arrivals_of,
    event_of,
    failure_of,
    outcome_of,
    parsed,
)
from tidegate.cyclelog.rows import (
    BatteryRow,
    Entry,
    EventRow,
    FailureRow,
    IntentRow,
    LinkRow,
    OutcomeRow,
    ReadingRow,
    Row,
    RunRow,
    SettingsRow,
    StateRow,
    station_of,
)
from tidegate.errors import LogError

# Under older rules the time of an intent is when it was written, not when ordered.
EXACT_SINCE: Final = 2

Step = Callable[[State, Event, int], tuple[State, tuple[Effect, ...]]]


class Course:
    """The state of one station as its rows go by, ``None`` while it is not known.

    ``may_begin``: all rows so far were seen, so the first settings begin a life.
    ``is_starting``: a run has begun in which the station has not started yet, or it
    was taken out of one that goes on: stopped, and its state written down. ``is_out``:
    the latter, with that run still going on.
    ``now_ms`` is the boot-clock time of the last event, ``reading`` the last one.
    """

    def __init__(self, station: str, step: Step) -> None:
        self.station = station
        self.state: State | None = None
        self.battery: BatteryRow | None = None
        self.reading: Reading | None = None
        self.intents: dict[int, IntentRow] = {}
        self.proving = Proving()
        self.is_exact = True
        self.may_begin = True
        self.is_starting = False
        self.is_out = False
        self._step = step
        self._is_stopping = False
        self._said: Policy | None = None
        self.now_ms = 0

    def take(self, entry: Entry) -> list[tuple[State, Effect]]:
        """Return the effects that follow from this row, each with the state before.

        Errors: LogError when the row cannot have come from a daemon.
        """
        row = entry.row
        if isinstance(row, RunRow):
            self.is_exact = row.rules_version >= EXACT_SINCE
            self.is_starting = self.is_starting or not row.continued
            self.is_out = self.is_out and row.continued
            self._prove(entry.id, row)
        if station_of(row) != self.station:
            return []
        self._note(entry.id, row)
        self._prove(entry.id, row)
        if self.state is None:
            return []
        if self.proving.is_on:
            self._aside(row)
            return []
        effects: list[tuple[State, Effect]] = []
        for event, now_ms in self._events(row):
            self._pass_time(event, now_ms, entry.id)
            before = self.state
            self.state, told = self._step(before, event, now_ms)
            effects += [(before, effect) for effect in told]
        return effects

    def _prove(self, row_id: int, row: Row | LinkRow) -> None:
        self.proving.take(row_id, row, is_free=self.is_starting, is_out=self.is_out)

    def forget(self) -> None:
        """Know nothing until the next state row."""
        self.state, self.may_begin, self.now_ms = None, False, 0
        self._said = None

    def _note(self, row_id: int, row: Row | LinkRow) -> None:
        if isinstance(row, BatteryRow):
            self.battery = row
        elif isinstance(row, IntentRow):
            self.intents[row_id] = row
        elif isinstance(row, SettingsRow):
            self._settings(row)
        elif isinstance(row, EventRow) and row.kind in ("stopping", "started"):
            self._is_stopping = row.kind == "stopping"
        elif isinstance(row, StateRow) and (self._is_stopping or self._has_stopped()):
            # The last row of a station that stops, be it alone or with the daemon; the
            # event before it may stand in the file of the year before.
            self._is_stopping, self.is_starting, self.is_out = False, True, True

    def _has_stopped(self) -> bool:
        return self.state is not None and self.state.drive.stopped

    def _settings(self, row: SettingsRow) -> None:
        if self.state is None and self.may_begin:
            self.state = core_state.fresh(from_plain(Policy, parsed(row.policy)))
        elif self.state is not None:
            # While a station runs the event says so; one that starts has the new
            # settings from its first event on.
            self._said = from_plain(Policy, parsed(row.policy))
            if self.is_starting:
                self.state = replace(self.state, policy=self._said)

    def _aside(self, row: Row | LinkRow) -> None:
        """Take a row of a commissioning run, in which no time is lived."""
        assert self.state is not None
        self.state = unseen(self.state)
        event = event_of(row) if isinstance(row, EventRow) else None
        if isinstance(event, SettingsChanged | Proved | NotProved):
            self.state = told_aside(self.state, event)

    def _pass_time(self, event: Event, now_ms: int, row_id: int) -> None:
        if isinstance(event, Started):
            self._start()
        elif self.state is not None and now_ms < max(
            self.now_ms, self.state.quiet.now_ms
        ):
            raise LogError(
                f"row {row_id} of the cycle log lies before the one that it follows",
                remedy="The file was altered.",
            )
        self.now_ms = now_ms

    def _start(self) -> None:
        self.is_starting = self.is_out = False
        if self._said is not None and self.state is not None:
            # Whoever reads on from the state row of a stop has not seen the stop.
            self.state = replace(self.state, policy=self._said)
        self._said = None

    def _events(self, row: Row | LinkRow) -> Iterator[tuple[Event, int]]:
        """Yield what a row stands for, each with its boot-clock time."""
        match row:
            case EventRow():
                yield event_of(row), row.boot_ms
            case ReadingRow():
                for arrived in arrivals_of(row, self.battery):
                    self.reading = arrived.reading
                    yield arrived, arrived.reading.at_ms
            case FailureRow():
                yield failure_of(row), row.boot_ms + row.span_ms
            case OutcomeRow() if row.intent in self.intents:
                intent = self.intents.pop(row.intent)
                outcome = outcome_of(row, intent, is_exact=self.is_exact)
                yield outcome, row.boot_ms
