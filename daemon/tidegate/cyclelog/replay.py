"""The logged events through the controller again: same switchings, or where not.

Each command that the controller gives must be the next intent of the log, at the same
time, with the same reason and from the same evidence, and the other way round; so must
effects and alarms; each state row must be the state that replay arrived at. What
cannot be judged is counted as unproven: rows of other rules, and those between lost
rows and the next state row.

The switchings of a commissioning run are an operator's act that no rule decided: they
are neither agreed nor unproven, but they may stand in such a run only (``proving``).
What replay cannot see: an edit from which no decision follows. The chain is against
that; whether it holds is for ``verify``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from tidegate.core import controller
from tidegate.core.state import State
from tidegate.cyclelog.course import EXACT_SINCE, Course, Step
from tidegate.cyclelog.judge import Judge, Mismatch, Unproven
from tidegate.cyclelog.plain import from_plain
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.record import parsed
from tidegate.cyclelog.rows import Entry, StateRow, station_of
from tidegate.errors import LogError

# Told the id of the row that was taken.
Progress = Callable[[int], None]
_TOLD_EVERY: Final = 2_000


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplayResult:
    """What the replay of one station came to.

    ``switchings`` agreed; ``unproven`` lie in the stretches of ``because``, which
    could not be judged. ``proven_to`` is the last row at which all before it counted.
    """

    station: str
    ok: bool
    switchings: int
    first_mismatch: Mismatch | None
    unproven: int
    because: tuple[Unproven, ...] = ()
    proven_to: int = 0


def replay(
    entries: Iterable[Entry], station: str, *, step: Step = controller.step
) -> ReplayResult:
    """Return whether the switchings of a station follow from its events.

    ``entries`` are rows in order, such as ``Reader.history`` yields.
    Errors: LogError when the log cannot be read.
    """
    (result,) = replay_all(entries, [station], step=step)
    return result


def replay_all(
    entries: Iterable[Entry],
    stations: Sequence[str],
    *,
    step: Step = controller.step,
    progress: Progress | None = None,
) -> list[ReplayResult]:
    """Return what ``replay`` does for each station, in one way through the rows."""
    judges = {station: Judge(Course(station, step)) for station in stations}
    open_judges = dict(judges)
    wrong: dict[str, Mismatch] = {}
    told = 0
    for entry in entries:
        station = station_of(entry.row)
        mine = open_judges.get(station) if station else None
        for name, judge in (
            [(station, mine)]
            if station and mine is not None
            else []
            if station
            else list(open_judges.items())
        ):
            mismatch = judge.take(entry)
            if mismatch is not None:
                wrong[name] = mismatch
                del open_judges[name]
        if progress is not None and entry.id - told >= _TOLD_EVERY:
            told = entry.id
            progress(told)
        if not open_judges:
            break
    return [_result(name, judges[name], wrong.get(name)) for name in stations]


def _result(station: str, judge: Judge, mismatch: Mismatch | None) -> ReplayResult:
    return ReplayResult(
        station=station,
        ok=mismatch is None,
        switchings=judge.switchings,
        first_mismatch=mismatch,
        unproven=sum(each.switchings for each in judge.unproven),
        because=judge.unproven,
        proven_to=judge.proven_to,
    )


def rebuild(
    reader: Reader, station: str, *, step: Step = controller.step
) -> State | None:
    """Return the state that the log leaves a station in, ``None`` if it knows none.

    Begins at the last state row, or with the first settings where there is none. A
    state row that this version cannot read counts as none, and so does all before
    it. Errors: LogError when a row cannot be read.
    """
    course = Course(station, step)
    after = 0
    last = reader.last_state(station)
    if last is not None:
        after, row = last
        course.battery = reader.battery_before(station, after)
        course.intents = reader.intents_before(station, after)
        course.is_exact = row.rules_version >= EXACT_SINCE
        course.state = _readable_state(row)
        # The state of a stop: the station may have been out when this ended.
        course.is_starting = course.state is not None and course.state.drive.stopped
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
