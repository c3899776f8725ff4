"""The logged events through the controller again: same switchings, or where not.

Each command that the controller gives must be the next intent of the log, with the
same reason and from the same evidence, and the other way round; each state row must
have the evidence that replay arrived at. What cannot be judged is counted as
unproven: rows of other rules, and those between lost rows and the next state row.

The switchings of a commissioning run are an operator's act that no rule decided: they
are neither agreed nor unproven, but they may stand in such a run only (``proving``).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace

from tidegate.core import controller
from tidegate.core import state as core_state
from tidegate.core.controller import RULES_VERSION, told_aside, unseen
from tidegate.core.effects import Effect, SwitchSupply
from tidegate.core.events import (
    Event,
    NotProved,
    Proved,
    SettingsChanged,
    Started,
)
from tidegate.core.policy import Policy
from tidegate.core.state import State
from tidegate.cyclelog.plain import from_plain, to_plain
from tidegate.cyclelog.proving import Proving
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.record import (
    arrivals_of,
    event_of,
    evidence_digest,
    failure_of,
    outcome_of,
    parsed,
)
from tidegate.cyclelog.rows import (
    NEW_FILE_CAUSES,
    BatteryRow,
    Entry,
    EventRow,
    FailureRow,
    GapRow,
    IntentRow,
    LinkRow,
    OutcomeRow,
    ReadingRow,
    Row,
    RunEndRow,
    RunRow,
    SettingsRow,
    StateRow,
    station_of,
)
from tidegate.errors import LogError

# Under older rules the time of an intent is when it was written, not when ordered.
EXACT_SINCE = 2

Step = Callable[[State, Event, int], tuple[State, tuple[Effect, ...]]]


@dataclass(frozen=True, slots=True)
class Mismatch:
    """The first row that does not follow from those before it."""

    row: int
    what: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplayResult:
    """What a replay came to; ``switchings`` agreed, ``unproven`` could not be judged."""

    ok: bool
    switchings: int
    first_mismatch: Mismatch | None
    unproven: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Decided:
    """A command that the controller gave and the log must show."""

    effect: SwitchSupply
    trigger: int
    state_digest: str

    def shown(self) -> dict[str, object]:
        """Return the columns that the intent must have."""
        return {
            "supply": self.effect.supply,
            "reason": self.effect.reason,
            "kind": self.effect.kind,
            "swapped": self.effect.swapped,
            "trigger": self.trigger,
            "state_digest": self.state_digest,
        }


def replay(
    entries: Iterable[Entry], station: str, *, step: Step = controller.step
) -> ReplayResult:
    """Return whether the switchings of a station follow from its events.

    ``entries`` are rows in order, such as ``Reader.history`` yields.
    Errors: LogError when a row cannot be read.
    """
    judge = _Judge(_Course(station, step))
    mismatch = next((found for entry in entries if (found := judge.take(entry))), None)
    return ReplayResult(
        ok=mismatch is None,
        switchings=judge.switchings,
        first_mismatch=mismatch,
        unproven=judge.unproven,
    )


def rebuild(
    reader: Reader, station: str, *, step: Step = controller.step
) -> State | None:
    """Return the state that the log leaves a station in, ``None`` if it knows none.

    Begins at the last state row, or with the first settings where there is none. A
    state row that this version cannot read counts as none, and so does all before
    it. Errors: LogError when a row cannot be read.
    """
    course = _Course(station, step)
    after = 0
    last = reader.last_state(station)
    if last is not None:
        after, row = last
        course.battery = reader.battery_before(station, after)
        course.intents = reader.intents_before(station, after)
        course.is_exact = row.rules_version >= EXACT_SINCE
        course.state = _readable_state(row)
    for entry in reader.history(station, after=after):
        course.take(entry)
    return course.state


def _readable_state(row: StateRow) -> State | None:
    # Another version may have had other fields. What it latched is then lost, and
    # the rules find it again from the readings.
    try:
        return from_plain(State, parsed(row.state))
    except LogError:
        return None


class _Course:
    """The state of one station as its rows go by."""

    def __init__(self, station: str, step: Step) -> None:
        self.station = station
        self.state: State | None = None
        self.battery: BatteryRow | None = None
        self.intents: dict[int, IntentRow] = {}
        self.proving = Proving()
        self.is_exact = True
        self._may_begin = True
        self._is_starting = False
        self._step = step
        self._now_ms = 0

    def take(self, entry: Entry) -> list[tuple[State, Effect]]:
        """Return the effects that follow from this row, each with the state before.

        Errors: LogError when the row cannot have come from a daemon.
        """
        row = entry.row
        if isinstance(row, RunRow):
            self.is_exact = row.rules_version >= EXACT_SINCE
            self._is_starting = self._is_starting or not row.continued
            self.proving.take(entry.id, row, is_free=self._is_starting)
        if station_of(row) != self.station:
            return []
        self._note(entry.id, row)
        self.proving.take(entry.id, row, is_free=self._is_starting)
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

    def forget(self) -> None:
        """Know nothing until the next state row."""
        self.state, self._may_begin, self._now_ms = None, False, 0

    def _note(self, row_id: int, row: Row | LinkRow) -> None:
        if isinstance(row, BatteryRow):
            self.battery = row
        elif isinstance(row, IntentRow):
            self.intents[row_id] = row
        elif isinstance(row, SettingsRow):
            self._settings(row)

    def _settings(self, row: SettingsRow) -> None:
        if self.state is None and self._may_begin:
            self.state = core_state.fresh(from_plain(Policy, parsed(row.policy)))
        elif self.state is not None and self._is_starting:
            # While a run lasts the event says so; a run that begins has the new
            # settings from its first event on.
            policy = from_plain(Policy, parsed(row.policy))
            self.state = replace(self.state, policy=policy)

    def _aside(self, row: Row | LinkRow) -> None:
        """Take a row of a commissioning run, in which no time is lived."""
        assert self.state is not None
        self.state = unseen(self.state)
        event = event_of(row) if isinstance(row, EventRow) else None
        if isinstance(event, SettingsChanged | Proved | NotProved):
            self.state = told_aside(self.state, event)

    def _pass_time(self, event: Event, now_ms: int, row_id: int) -> None:
        if isinstance(event, Started):
            self._is_starting = False
        elif now_ms < self._now_ms:
            raise LogError(
                f"row {row_id} of the cycle log lies before the one that it follows",
                remedy="The file was altered.",
            )
        self._now_ms = now_ms

    def _events(self, row: Row | LinkRow) -> Iterator[tuple[Event, int]]:
        """Yield what a row stands for, each with its boot-clock time."""
        match row:
            case EventRow():
                yield event_of(row), row.boot_ms
            case ReadingRow():
                for arrived in arrivals_of(row, self.battery):
                    yield arrived, arrived.reading.at_ms
            case FailureRow():
                yield failure_of(row), row.boot_ms + row.span_ms
            case OutcomeRow() if row.intent in self.intents:
                intent = self.intents.pop(row.intent)
                outcome = outcome_of(row, intent, is_exact=self.is_exact)
                yield outcome, row.boot_ms


class _Judge:
    """Holds the switchings of the log against those of the course."""

    def __init__(self, course: _Course) -> None:
        self.switchings = 0
        self.unproven = 0
        self._course = course
        self._is_first = True
        self._decided: deque[_Decided] = deque()

    def take(self, entry: Entry) -> Mismatch | None:
        """Take the next row; returns what is wrong with it, if anything."""
        row, course = entry.row, self._course
        is_mine = station_of(row) == course.station
        mismatch = None
        match row:
            case RunRow():
                self._begin(row)
            case RunEndRow():
                mismatch = self._not_carried_out()
            case GapRow() if _loses_track(row, course.station):
                self._forget()
            case IntentRow() if is_mine:
                mismatch = self._intent(entry.id, row)
            case StateRow() if is_mine:
                mismatch = self._state(entry.id, row)
            case EventRow() if is_mine:
                mismatch = self._not_carried_out() or self._misplaced(entry.id, row)
            case ReadingRow() | FailureRow() | OutcomeRow() if is_mine:
                mismatch = self._not_carried_out()
        for before, effect in course.take(entry) if mismatch is None else ():
            if isinstance(effect, SwitchSupply):
                proof = evidence_digest(before)
                decided = _Decided(effect=effect, trigger=entry.id, state_digest=proof)
                self._decided.append(decided)
        return mismatch

    def _begin(self, row: RunRow) -> None:
        if not row.continued:
            # What a crash cut off between decision and intent was never carried out.
            self._decided.clear()
        follows_unseen = self._is_first and row.prev_link != ""
        self._is_first = False
        if follows_unseen or row.rules_version != RULES_VERSION:
            self._forget()

    def _forget(self) -> None:
        self._decided.clear()
        self._course.forget()

    def _not_carried_out(self) -> Mismatch | None:
        """Between two events every command must have become an intent."""
        if not self._decided:
            return None
        decided = self._decided[0]
        supply, reason = decided.effect.supply, decided.effect.reason
        return Mismatch(
            decided.trigger, f"it asks for {supply} ({reason}); no intent follows"
        )

    def _misplaced(self, row_id: int, row: IntentRow | EventRow) -> Mismatch | None:
        if self._course.state is None:
            return None
        what = self._course.proving.fault_of(row)
        return None if what is None else Mismatch(row_id, what)

    def _intent(self, row_id: int, row: IntentRow) -> Mismatch | None:
        misplaced = self._misplaced(row_id, row)
        if misplaced is not None or self._course.proving.is_on:
            return misplaced
        if self._course.state is None:
            self.unproven += 1
            return None
        if not self._decided:
            return Mismatch(row_id, "no event before it asks for this switching")
        decided = self._decided.popleft()
        for name, wanted in decided.shown().items():
            found = getattr(row, name)
            if found != wanted and not (name == "trigger" and found is None):
                return Mismatch(row_id, f"{name} is {found}, replay gives {wanted}")
        self.switchings += 1
        return None

    def _state(self, row_id: int, row: StateRow) -> Mismatch | None:
        if row.rules_version != RULES_VERSION:
            return None
        logged, mine = from_plain(State, parsed(row.state)), self._course.state
        if mine is not None and evidence_digest(mine) != evidence_digest(logged):
            return Mismatch(
                row_id, f"replay arrives at another {_first_other(mine, logged)}"
            )
        # The quiet half of the state is exact here, and only here.
        self._course.state = logged
        return None


def _loses_track(row: GapRow, station: str) -> bool:
    if row.station == station:
        return row.dropped_rows > 0
    return row.station == "" and row.why in NEW_FILE_CAUSES


def _first_other(mine: State, logged: State) -> str:
    """Return the path of the first field in which two states differ."""
    one, other = to_plain(mine), to_plain(logged)
    assert isinstance(one, dict)
    assert isinstance(other, dict)
    for name in sorted({*one, *other} - {"quiet"}):
        a, b = one.get(name), other.get(name)
        if isinstance(a, dict) and isinstance(b, dict):
            for inner in sorted({*a, *b}):
                if a.get(inner) != b.get(inner):
                    return f"{name}.{inner}"
        elif a != b:
            return name
    return "state"
