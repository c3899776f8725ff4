"""What a station's rows say, held against what the controller makes of its events.

Every command, every verdict on an effect and every alarm that the controller gives
must be the next such row of the log, and the other way round; each state row must be
the state that was arrived at. The first row that does not follow ends the judgement.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from typing import Final, Literal

from tidegate import __version__
from tidegate.core.controller import RULES_VERSION
from tidegate.core.effects import (
    ClearAlarm,
    Effect,
    EffectSeen,
    RaiseAlarm,
    Reason,
    SwitchSupply,
)
from tidegate.core.reading import WhyNot
from tidegate.core.state import State
from tidegate.core.watch import was_jump
from tidegate.cyclelog.course import Course
from tidegate.cyclelog.difference import first_other
from tidegate.cyclelog.in_force import InForce
from tidegate.cyclelog.outing import read_while_out, start_fault
from tidegate.cyclelog.plain import from_plain
from tidegate.cyclelog.record import evidence_digest, parsed
from tidegate.cyclelog.rows import (
    NEW_FILE_CAUSES,
    AlarmRow,
    EffectRow,
    Entry,
    EventRow,
    FailureRow,
    GapRow,
    IntentRow,
    OutcomeRow,
    ReadingRow,
    Row,
    RunEndRow,
    RunRow,
    StateRow,
    station_of,
)
from tidegate.cyclelog.shape import contradiction
from tidegate.errors import LogError

Why = Literal["other_rules", "other_version", "rows_lost", "past_absent"]
_Told = SwitchSupply | EffectSeen | RaiseAlarm | ClearAlarm
_Shown = IntentRow | EffectRow | AlarmRow

# What the rules make of numbers that no daemon can have met.
_IMPOSSIBLE: Final = (
    ArithmeticError,
    AssertionError,
    AttributeError,
    LookupError,
    TypeError,
    ValueError,
)


@dataclass(frozen=True, slots=True)
class Mismatch:
    """The first row that does not follow from those before it, and its wall time."""

    row: int
    what: str
    wall_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Unproven:
    """A stretch of the log that could not be judged, from a row on.

    ``switchings`` is how many lie in it; ``said`` what the log says was otherwise.
    """

    why: Why
    row: int
    said: str
    switchings: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    """What the controller gave and the log must show next."""

    effect: _Told
    trigger: Entry
    state_digest: str
    at_ms: int


class Judge:
    """Holds the rows of the log against the course of one station."""

    def __init__(self, course: Course) -> None:
        self.switchings = 0
        self.proven_to = 0
        self._course = course
        self._stretches: list[Unproven] = []
        self._is_first = True
        self._version = ""
        self._rules: int | None = None
        self._intent: int | None = None
        self._asked: deque[_Asked] = deque()
        self._in_force = InForce()

    @property
    def unproven(self) -> tuple[Unproven, ...]:
        """The stretches that could not be judged and hold switchings."""
        return tuple(each for each in self._stretches if each.switchings)

    def take(self, entry: Entry) -> Mismatch | None:
        """Take the next row; returns what is wrong with it, if anything."""
        try:
            return self._take(entry)
        except LogError as error:
            return _mismatch(entry, error.what)
        except _IMPOSSIBLE as error:
            said = str(error) or type(error).__name__
            return _mismatch(entry, f"no daemon can have met this ({said})")

    def _take(self, entry: Entry) -> Mismatch | None:
        row, course = entry.row, self._course
        is_mine = station_of(row) == course.station
        mismatch = None
        match row:
            case RunRow():
                self._begin(entry.id, row)
            case RunEndRow():
                mismatch = self._not_shown()
            case GapRow() if _loses_track(row, course.station):
                self._forget("rows_lost", entry.id, _told_of(row))
            case IntentRow() | EffectRow() | AlarmRow() if is_mine:
                mismatch = self._shown(entry, row)
            case StateRow() if is_mine:
                mismatch = self._state(entry, row)
            case EventRow() | ReadingRow() | FailureRow() | OutcomeRow() if is_mine:
                mismatch = self._not_shown() or self._misplaced(entry, row)
        # What another version's rules were given may have other keys; no row is accused.
        is_known = self._rules in (None, RULES_VERSION)
        if mismatch is None and is_known and (is_mine or isinstance(row, RunEndRow)):
            fault = self._in_force.take(entry, course)
            mismatch = None if fault is None else _mismatch(*fault)
        return mismatch or self._follow(entry, is_mine=is_mine)

    def _follow(self, entry: Entry, *, is_mine: bool) -> Mismatch | None:
        """Let the course take a row, and note what it asks for."""
        course = self._course
        for before, effect in course.take(entry):
            if isinstance(effect, _Told):
                self._ask(entry, before, effect)
        if isinstance(entry.row, IntentRow) and is_mine:
            self._intent = entry.id
        if isinstance(entry.row, ReadingRow) and is_mine:
            return self._jump(entry, entry.row)
        return None

    def _ask(self, entry: Entry, before: State, effect: _Told) -> None:
        assert self._course.state is not None
        is_switching = isinstance(effect, SwitchSupply)
        asked = _Asked(
            effect=effect,
            trigger=entry,
            state_digest=evidence_digest(before) if is_switching else "",
            at_ms=self._course.state.quiet.now_ms,
        )
        self._asked.append(asked)

    # --- what cannot be judged --------------------------------------------------------

    def _begin(self, row_id: int, row: RunRow) -> None:
        if not row.continued:
            # What a crash cut off between decision and row was never carried out.
            self._asked.clear()
            self._in_force.forget()
            self._intent = None
        follows_unseen = self._is_first and row.prev_link != ""
        self._is_first = False
        rules_before = self._rules
        self._version, self._rules = row.version, row.rules_version
        if row.rules_version != RULES_VERSION:
            said = f"rules {row.rules_version} of tidegate {row.version} were in force"
            self._forget("other_rules", row_id, said)
        elif follows_unseen:
            self._forget("past_absent", row_id, "the file before it is not here")
        elif rules_before not in (None, RULES_VERSION) and self._course.state is None:
            left = "what they left is known from the next state row on"
            self._forget(
                "other_rules", row_id, f"rules {rules_before} till here; {left}"
            )

    def _forget(self, why: Why, row_id: int, said: str) -> None:
        self._asked.clear()
        self._in_force.forget()
        self._course.forget()
        self._stretches.append(Unproven(why=why, row=row_id, said=said))

    def _leave(self, entry: Entry, row: IntentRow) -> Mismatch | None:
        """Take a switching of a stretch that cannot be judged."""
        if row.reason == Reason.PROVE:
            return None  # no rule decided it, whatever the rules were
        if self._stretches:
            known = self._stretches[-1]
            self._stretches[-1] = replace(known, switchings=known.switchings + 1)
            return None
        return _mismatch(entry, f"{_named(row)}: no settings stand before it")

    # --- what must follow -------------------------------------------------------------

    def _not_shown(self) -> Mismatch | None:
        """Between two events all that was asked for must have become rows."""
        if not self._asked:
            return None
        asked = self._asked[0]
        match asked.effect:
            case SwitchSupply(supply=supply, reason=reason):
                what = f"it asks for {supply} ({reason}); no intent follows"
            case EffectSeen(supply=supply, seen=seen):
                what = f"it shows {_seen(seen)} of {supply}; no effect row follows"
            case RaiseAlarm(alarm=alarm):
                what = f"it raises the alarm {alarm}; no alarm row follows"
            case ClearAlarm(alarm=alarm):
                what = f"it ends the alarm {alarm}; no alarm row follows"
        return _mismatch(asked.trigger, what)

    def _misplaced(
        self, entry: Entry, row: IntentRow | EventRow | ReadingRow | Row
    ) -> Mismatch | None:
        if isinstance(row, ReadingRow | FailureRow | OutcomeRow):
            what = contradiction(row) or read_while_out(row, self._course)
            return None if what is None else _mismatch(entry, what)
        if self._course.state is None or not isinstance(row, IntentRow | EventRow):
            return None
        what = start_fault(row, self._course) or self._course.proving.fault_of(row)
        return None if what is None else _mismatch(entry, what)

    def _shown(self, entry: Entry, row: _Shown) -> Mismatch | None:
        if isinstance(row, IntentRow):
            misplaced = self._misplaced(entry, row)
            if misplaced is not None:
                return misplaced
        if self._course.state is None:
            return self._leave(entry, row) if isinstance(row, IntentRow) else None
        if self._course.proving.is_on:
            return None
        asked = self._asked[0] if self._asked else None
        if asked is None or not isinstance(asked.effect, _ASKED_BY[type(row)]):
            instead = "" if asked is None else f", which asks for {_said(asked.effect)}"
            what = f"no event before it asks for this {_NOUNS[type(row)]}{instead}"
            return _mismatch(entry, f"{_named(row)}: {what}")
        self._asked.popleft()
        for name, wanted in self._columns(asked, row).items():
            found = getattr(row, name)
            if found != wanted:
                what = f"{name} is {found}, replay gives {wanted}"
                if name == "state_digest":
                    what = self._other_evidence()
                return _mismatch(entry, f"{_named(row)}: {what}")
        if isinstance(row, IntentRow):
            self.switchings += 1
            self.proven_to = entry.id
        return None

    def _other_evidence(self) -> str:
        since = f" (most likely after row {self.proven_to})" if self.proven_to else ""
        return (
            "state_digest is that of other evidence than replay finds: a row before it"
            f"{since} was altered, added or removed"
        )

    def _columns(self, asked: _Asked, row: _Shown) -> dict[str, object]:
        """Return the columns that the row must have."""
        match asked.effect:
            case SwitchSupply() as effect:
                return {
                    "supply": effect.supply,
                    "reason": effect.reason,
                    "kind": effect.kind,
                    "swapped": effect.swapped,
                    "trigger": asked.trigger.id,
                    "boot_ms": asked.at_ms,
                    "state_digest": asked.state_digest,
                }
            case EffectSeen() as effect:
                at_ms = max(row.boot_ms, asked.at_ms)
                return {
                    "supply": effect.supply,
                    "seen": effect.seen,
                    "intent": self._intent,
                    "boot_ms": at_ms,
                }
            case RaiseAlarm() | ClearAlarm() as effect:
                at_ms = max(row.boot_ms, asked.at_ms)
                raised = isinstance(effect, RaiseAlarm)
                return {"code": effect.alarm, "raised": raised, "boot_ms": at_ms}

    def _jump(self, entry: Entry, row: ReadingRow) -> Mismatch | None:
        """Whether a reading is set aside as a jump follows from those before it."""
        state, reading = self._course.state, self._course.reading
        if state is None or reading is None or self._course.proving.is_on:
            return None
        if row.why_not not in (None, WhyNot.JUMP):
            return None
        mine = was_jump(state, reading)
        if mine is (row.why_not == WhyNot.JUMP):
            return None
        return _mismatch(entry, f"replay finds that it is {'a' if mine else 'no'} jump")

    def _state(self, entry: Entry, row: StateRow) -> Mismatch | None:
        not_shown = self._not_shown()
        if not_shown is not None:
            return not_shown
        if row.rules_version != RULES_VERSION:
            if self._rules != RULES_VERSION:
                return None
            what = f"a state of rules {row.rules_version} in a run of {self._rules}"
            return _mismatch(entry, what)
        try:
            logged = from_plain(State, parsed(row.state))
        except LogError:
            if self._version == __version__:
                raise
            said = f"tidegate {self._version} wrote a state that this one cannot read"
            self._forget("other_version", entry.id, said)
            return None
        mine = self._course.state
        other = None if mine is None else first_other(mine, logged)
        if other is not None:
            return _mismatch(entry, f"replay arrives at another {other}")
        self._course.state = logged
        self.proven_to = entry.id
        return None


_ASKED_BY: Final[dict[type[_Shown], tuple[type[Effect], ...]]] = {
    IntentRow: (SwitchSupply,),
    EffectRow: (EffectSeen,),
    AlarmRow: (RaiseAlarm, ClearAlarm),
}
_NOUNS: Final[dict[type[_Shown], str]] = {
    IntentRow: "switching",
    EffectRow: "effect",
    AlarmRow: "alarm",
}


def _mismatch(entry: Entry, what: str) -> Mismatch:
    return Mismatch(entry.id, what, entry.row.wall_ms)


def _named(row: _Shown) -> str:
    match row:
        case IntentRow():
            return f"switching {row.supply} ({row.reason})"
        case EffectRow():
            return f"{_seen(row.seen)} of {row.supply}"
        case AlarmRow():
            return f"alarm {row.code} {'raised' if row.raised else 'over'}"


def _said(effect: _Told) -> str:
    match effect:
        case SwitchSupply(supply=supply, reason=reason):
            return f"the switching {supply} ({reason})"
        case EffectSeen(supply=supply, seen=seen):
            return f"{_seen(seen)} of {supply}"
        case RaiseAlarm(alarm=alarm):
            return f"the alarm {alarm}"
        case ClearAlarm(alarm=alarm):
            return f"the end of the alarm {alarm}"


def _seen(seen: bool | None) -> str:
    if seen is None:
        return "an unknown effect"
    return "an effect" if seen else "no effect"


def _loses_track(row: GapRow, station: str) -> bool:
    if row.station == station:
        return row.dropped_rows > 0
    return row.station == "" and row.why in NEW_FILE_CAUSES


def _told_of(row: GapRow) -> str:
    if row.dropped_rows:
        return f"{row.dropped_rows} rows were lost while the log could not be written"
    return f"the file before it could not be used ({row.why})"
