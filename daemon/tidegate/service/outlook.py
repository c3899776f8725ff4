"""What a station does and why, and what is to be expected next: words and data.

Pure: a state goes in, what people are told comes out. Times are boot-clock
milliseconds; whoever shows them turns them into those of the wall clock.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from tidegate.core.effects import Reason
from tidegate.core.policy import DAY_MS, HOUR_MS
from tidegate.core.reading import Supply
from tidegate.core.rules import budget_is_free, first_match
from tidegate.core.state import State
from tidegate.core.waking import dwell_ends_ms
from tidegate.service.pace import Pace
from tidegate.words import REASONS

# Reasons under which the marks decide what comes next; the others hold until
# something happens that nobody can foresee.
_BY_THE_MARKS: Final = frozenset(
    {
        Reason.BELOW_FLOOR,
        Reason.AT_LOW_MARK,
        Reason.AT_HIGH_MARK,
        Reason.IN_WINDOW,
        Reason.START,
        Reason.COAST_OVER,
    }
)

# Before a pace is known, a rise that begins within so long comes before the low mark.
_SOON_MS: Final = HOUR_MS


@dataclass(frozen=True, slots=True, kw_only=True)
class Rise:
    """A planned rise: when it is still to begin, its marks, and when it is over."""

    begins_ms: int | None = None
    low_percent: float
    high_percent: float
    ends_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Next:
    """The next expected switching, or the end of an override.

    ``what`` is ``on``, ``off`` or ``override_ends``; ``None`` where nothing is known,
    and then ``why`` says why. ``to_percent`` is the level it is expected at; without
    one ``why`` says what it waits for.
    """

    what: str | None = None
    at_ms: int | None = None
    to_percent: float | None = None
    why: str = ""


def because(state: State) -> str:
    """Return why the supply is as it is, with the numbers that decided it."""
    soc_percent = state.soc_percent
    if soc_percent is None or state.policy.marks is None:
        return REASONS[state.reason]
    soc = f"SoC {soc_percent:g} %"
    low, high = f"{state.low_percent:g}", f"{state.high_percent:g}"
    match state.reason:
        case Reason.AT_LOW_MARK:
            return f"{soc} is at the low mark {low} %"
        case Reason.AT_HIGH_MARK:
            return f"{soc} is at the high mark {high} %"
        case Reason.IN_WINDOW:
            return f"{soc} is inside the window {low} to {high} %"
        case Reason.BELOW_FLOOR:
            floor = f"{state.policy.floor_percent:g} %"
            return f"the charge reached the floor {floor} (now {soc})"
    return REASONS[state.reason]


def sentence(state: State) -> str:
    """Return what the supply does and why, such as for a person at a terminal."""
    commanded = state.drive.commanded
    if state.policy.marks is None:
        return "only measures"
    if commanded is None:
        return "nothing is commanded yet, because the daemon is only starting"
    verdict = first_match(state)
    wanted = verdict.supply
    if state.reason is Reason.IN_WINDOW and wanted is None:
        return f"supply stays {commanded.value}: {because(state)}"
    if wanted is None or wanted is commanded or state.drive.stopped:
        return f"supply {commanded.value} because {because(state)}"
    if wanted is Supply.OFF and state.policy.off_is_refused:
        return f"supply {commanded.value} because {REASONS[Reason.DEAD_LOCK]}"
    due = f"a trial of {wanted.value}" if verdict.trial else wanted.value
    return f"supply {commanded.value} for now; {due} is due because {because(state)}"


def upcoming(
    state: State, pace: Pace, now_ms: int, *, rise: Rise | None = None
) -> Next:
    """Return what is expected next, or why nothing is.

    ``rise`` is the one in force, else the next one.
    """
    drive = state.drive
    if state.policy.marks is None:
        return Next(why="the station only measures")
    if drive.commanded is None or drive.stopped:
        return Next(why="the daemon is starting or stopping")
    coast = _coast_ends(state, now_ms)
    if state.override is not None and state.reason is Reason.OVERRIDE:
        ends = Next(what="override_ends", at_ms=state.override.until_ms)
        # Both outrank an operator.
        others = (coast, _at_the_floor(state, pace, now_ms))
        return min((ends, *(each for each in others if each is not None)), key=_when)
    if coast is not None:
        return coast
    if state.supply_is_absent:
        return Next(why="nothing as long as no power comes")
    if state.reason is Reason.RELAY_BUDGET:
        return _budget_frees(state, now_ms)
    if state.reason not in _BY_THE_MARKS:
        return Next(why=f"it stays so as long as {REASONS[state.reason]}")
    if drive.commanded is Supply.ON and state.policy.off_is_refused:
        return Next(why=f"it is never switched off: {REASONS[Reason.DEAD_LOCK]}")
    coming = _at_the_mark(state, pace, now_ms)
    if rise is None or state.soc_percent is None:
        return coming
    turns_ms = rise.ends_ms if rise.begins_ms is None else rise.begins_ms
    if coming.at_ms is not None and coming.at_ms <= turns_ms:
        return coming
    if rise.begins_ms is None:
        return _as_it_ends(state, pace, now_ms, ends_ms=rise.ends_ms)
    return _as_it_begins(state, pace, now_ms, rise=rise, coming=coming)


def _as_it_begins(
    state: State, pace: Pace, now_ms: int, *, rise: Rise, coming: Next
) -> Next:
    """Return what a rise brings that begins before the marks of now bring anything."""
    assert rise.begins_ms is not None
    assert state.soc_percent is not None
    if state.drive.commanded is Supply.ON:
        # It charges on, to the mark of the rise.
        found = _at(state, pace, now_ms, mark=rise.high_percent)
        return coming if found.at_ms is None else found
    if state.soc_percent > rise.low_percent:
        return coming  # it may fall to that mark by then, or not
    if not pace.is_known() and rise.begins_ms - now_ms > _SOON_MS:
        return coming  # the low mark of now comes first, nobody knows when
    at_ms = max(now_ms, rise.begins_ms, _may_ms(state))
    return Next(what="on", at_ms=at_ms, why="a planned rise begins")


def _as_it_ends(state: State, pace: Pace, now_ms: int, *, ends_ms: int) -> Next:
    """Return what comes where a rise is over before its own marks bring anything."""
    marks, is_on = state.policy.marks, state.drive.commanded is Supply.ON
    assert marks is not None
    mark = marks.high_percent if is_on else marks.low_percent
    found = _at(state, pace, now_ms, mark=mark)
    if found.at_ms is None or found.at_ms > ends_ms:
        return found
    # The mark of then is passed already, and counts from then on.
    at_ms = max(ends_ms, _may_ms(state))
    return Next(what=found.what, at_ms=at_ms, why="the planned rise is over then")


def _budget_frees(state: State, now_ms: int) -> Next:
    """Return the off that the relay's budget has refused, when it is free again."""
    policy, drive, quiet = state.policy, state.drive, state.quiet
    ages = [at + age for at in drive.spent_lived_ms for age in (HOUR_MS, DAY_MS)]
    if drive.last_off_lived_ms is not None:
        ages.append(drive.last_off_lived_ms + 2 * DAY_MS // policy.per_day)
    for lived_ms in sorted(ages):
        later = replace(state, quiet=replace(quiet, lived_ms=lived_ms))
        if lived_ms > quiet.lived_ms and budget_is_free(later):
            at_ms = max(now_ms, quiet.now_ms + lived_ms - quiet.lived_ms)
            return Next(what="off", at_ms=at_ms, why="the relay's budget is free then")
    return Next(why=f"it stays so as long as {REASONS[Reason.RELAY_BUDGET]}")


def _coast_ends(state: State, now_ms: int) -> Next | None:
    """Return the on at the end of a coast; only critical heat outranks that."""
    since_ms = state.latches.coast_since_ms
    if since_ms is None or state.reason is Reason.BATTERY_CRITICAL_HEAT:
        return None
    at_ms = max(now_ms, since_ms + state.latches.coast_box_ms)
    return Next(
        what="on", at_ms=at_ms, why="the time without a readable gauge is used up then"
    )


def _at_the_floor(state: State, pace: Pace, now_ms: int) -> Next | None:
    """Return the on that ends an override, where it is off and the pace is known."""
    floor, soc_percent = state.policy.floor_percent, state.soc_percent
    if state.drive.commanded is not Supply.OFF or soc_percent is None:
        return None
    at_ms = pace.reaches_ms(floor, now_ms=now_ms, soc_percent=soc_percent)
    if at_ms is None:
        return None
    return Next(what="on", at_ms=at_ms, to_percent=floor)


def _when(coming: Next) -> int:
    assert coming.at_ms is not None
    return coming.at_ms


def _at_the_mark(state: State, pace: Pace, now_ms: int) -> Next:
    if state.soc_percent is None:
        return Next(why="no reading yet")
    is_on = state.drive.commanded is Supply.ON
    mark = state.high_percent if is_on else state.low_percent
    return _at(state, pace, now_ms, mark=mark)


def _at(state: State, pace: Pace, now_ms: int, *, mark: float) -> Next:
    """Return the switching at a mark that the charge moves to, or has passed."""
    soc_percent, is_on = state.soc_percent, state.drive.commanded is Supply.ON
    assert soc_percent is not None
    what = "off" if is_on else "on"
    least_ms = max(now_ms, _may_ms(state))
    if soc_percent >= mark if is_on else soc_percent <= mark:
        return Next(what=what, at_ms=least_ms, to_percent=mark)
    at_ms = pace.reaches_ms(mark, now_ms=now_ms, soc_percent=soc_percent)
    if at_ms is None:
        lacks = "how fast the charge moves is not yet known"
        if pace.is_known():
            lacks = "the charge does not move towards it"
        return Next(why=f"it goes {what} at {mark:g} %; {lacks}")
    return Next(what=what, at_ms=max(at_ms, least_ms), to_percent=mark)


def _may_ms(state: State) -> int:
    """Return until when an ordinary switching must wait, whatever the charge."""
    drive, times = state.drive, [dwell_ends_ms(state)]
    if drive.commanded is Supply.ON:
        # An off without effect is tried again later, and none during a probe.
        times += [drive.retry_off_at_ms or 0, drive.probe_until_ms or 0]
    return max(times)
