"""The relearn: down to its low level, up to its high one, and what holds it back."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, auto
from typing import Final

from tidegate.core.effects import Alarm
from tidegate.core.events import PlanChanged
from tidegate.core.policy import DAY_MS, HOUR_MS, Marks, PlanReason
from tidegate.core.reading import Supply
from tidegate.core.state import ABOVE_FLOOR_PERCENT, State, learned_slope
from tidegate.settings.table import HIGHEST_PERCENT
from tidegate.settings.table_plans import (
    KEPT_FROM_FLOOR_PERCENT,
    LEAST_EXCURSION_PERCENT,
    LEAST_SLOPE,
    TURN_PERCENT,
    Relearn,
)

# All of these are engineering choices without a source.
# It begins only so far from hot and from cold, and ends where it comes so near: in
# neither may it be charged again, and the level would fall from its low mark on.
COOL_BY_C: Final = 5.0
BREAKS_OFF_BY_C: Final = 2.0
AT_MOST_LIVED_MS: Final = 48 * HOUR_MS
AGAIN_AFTER_LIVED_MS: Final = DAY_MS
BEFORE_A_RISE_MS: Final = DAY_MS
MOST_TRIES: Final = 3  # every one of them costs a deep cycle

# What some relays and gauges have for good, and what says nothing of the excursion.
_NO_REASON_TO_WAIT: Final = frozenset(
    {Alarm.NOT_FAIL_ON, Alarm.EFFECT_UNPROVABLE, Alarm.OVERRIDE_ENDED}
)
_NO_REASON_TO_END: Final = _NO_REASON_TO_WAIT | {Alarm.RELAY_BUDGET, Alarm.LOG_LOST}


class Way(Enum):
    """Which way an excursion goes."""

    DOWN = auto()
    UP = auto()


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What the relearn wants: a change, or it waits, and why (both ``None``: nothing)."""

    change: PlanChanged | None = None
    waits_for: str | None = None


NOTHING: Final = Wish()


def marks_of(
    relearn: Relearn, state: State, way: Way, *, from_percent: float = 0.0
) -> Marks:
    """Return the marks of one half of the excursion; up from a level that was reached.

    Where it turned a little above its low level it goes as much higher, so that it
    always spans what measures capacity.
    """
    low, high = lowest(relearn, state), relearn.high_percent
    if way is Way.DOWN:
        return Marks(low_percent=low, high_percent=round(low + TURN_PERCENT, 3))
    assert state.policy.marks is not None
    # Low enough that an interrupted charge does not begin again at every point.
    turn = max(state.policy.marks.low_percent, low + TURN_PERCENT)
    at_most = high - TURN_PERCENT
    top = max(high, from_percent + LEAST_EXCURSION_PERCENT)
    return Marks(low_percent=round(min(turn, at_most), 3), high_percent=round(top, 3))


def lowest(relearn: Relearn, state: State) -> float:
    """Return where it turns; the floor in force may be another than when it was set."""
    return max(relearn.low_percent, state.policy.floor_percent + ABOVE_FLOOR_PERCENT)


def way_of(relearn: Relearn, state: State) -> Way | None:
    """Return the half that is in force, ``None`` where other settings made it."""
    low, high = state.plan_low_percent, state.plan_high_percent
    if low is None or high is None:
        return None
    for way in Way:
        marks = marks_of(relearn, state, way)
        higher = high - marks.high_percent
        is_its_high = higher == 0 or (way is Way.UP and 0 < higher <= TURN_PERCENT)
        if low == marks.low_percent and is_its_high:
            return way
    return None


def due_in_ms(relearn: Relearn, state: State) -> int:
    """Return how much must still be lived until it is due; 0 and less is now."""
    lived_ms = state.quiet.lived_ms
    due_ms = (state.relearned_lived_ms or 0) + relearn.every_ms
    if state.relearn_broken_lived_ms is not None:
        is_last = (state.relearn_tries or 1) % MOST_TRIES == 0
        wait_ms = relearn.every_ms if is_last else AGAIN_AFTER_LIVED_MS
        due_ms = max(due_ms, state.relearn_broken_lived_ms + wait_ms)
    return due_ms - lived_ms


def wish(relearn: Relearn, state: State, *, why_not_now: str | None) -> Wish:
    """Return what the relearn wants now. ``why_not_now`` is what the calendar says."""
    if state.plan_why is PlanReason.RELEARN:
        return _going_on(relearn, state)
    if state.plan_why is not None or due_in_ms(relearn, state) > 0:
        return NOTHING
    waits_for = (
        why_not_now or _held_back(state, to_end=False) or _too_low(relearn, state)
    )
    if waits_for is not None:
        return Wish(waits_for=waits_for)
    marks = marks_of(relearn, state, Way.DOWN)
    return Wish(change=PlanChanged(marks=marks, why=PlanReason.RELEARN))


def _going_on(relearn: Relearn, state: State) -> Wish:
    soc_percent = state.soc_percent
    way = way_of(relearn, state)
    ended = _held_back(state, to_end=True)
    if way is None:
        ended = "its settings changed"
    if ended is not None:
        return _end(PlanReason.RELEARN_BROKEN_OFF, ended)
    if way is Way.UP and soc_percent is not None:
        if soc_percent >= state.high_percent:
            return _end(PlanReason.RELEARNED, "")
    elif way is Way.DOWN and soc_percent is not None:
        turn = _turn(relearn, state, soc_percent)
        if turn is not NOTHING:
            return turn
    since_ms = state.plan_since_lived_ms
    if since_ms is not None and state.quiet.lived_ms - since_ms >= AT_MOST_LIVED_MS:
        return _end(
            PlanReason.RELEARN_GIVEN_UP,
            f"not done within {AT_MOST_LIVED_MS // HOUR_MS} h",
        )
    return NOTHING


def _turn(relearn: Relearn, state: State, soc_percent: float) -> Wish:
    """Return the turn, where the level is low enough or must not go lower.

    With the supply on again, after a restart or a coast that ended, another off would
    last the dwell, or not come at all between the two marks.
    """
    is_there = soc_percent <= lowest(relearn, state)
    is_on = state.drive.commanded is Supply.ON
    if not is_there and not (is_on and _too_low(relearn, state)):
        return NOTHING
    is_near = soc_percent <= lowest(relearn, state) + TURN_PERCENT
    at_most = HIGHEST_PERCENT if is_near else relearn.high_percent
    if soc_percent + LEAST_EXCURSION_PERCENT > at_most:
        because = "the charge is too low for another off, and not low enough"
        return _end(PlanReason.RELEARN_BROKEN_OFF, because)
    marks = marks_of(relearn, state, Way.UP, from_percent=soc_percent)
    return Wish(change=PlanChanged(marks=marks, why=PlanReason.RELEARN))


def _end(why: PlanReason, because: str) -> Wish:
    return Wish(change=PlanChanged(marks=None, why=why, because=because))


def _held_back(state: State, *, to_end: bool) -> str | None:
    """Return what keeps it from beginning, or ends it."""
    if state.override is not None:
        return "an override is in force"
    if state.coasting and not to_end:
        return "the gauge cannot be read until the supply is on again"
    if (unfit := _warm_or_cold(state, to_end=to_end)) is not None:
        return unfit
    let_pass = _NO_REASON_TO_END if to_end else _NO_REASON_TO_WAIT
    alarms = sorted(alarm.value for alarm in state.alarms - let_pass)
    if alarms:
        return f"alarms stand: {', '.join(alarms)}"
    if not to_end and state.log_lost:
        return "the cycle log cannot be written"
    return None


def _warm_or_cold(state: State, *, to_end: bool) -> str | None:
    margin_c = BREAKS_OFF_BY_C if to_end else COOL_BY_C
    warm_c, cold_c = state.policy.hot_c - margin_c, state.policy.cold_c + margin_c
    seen = state.quiet.seen
    if seen is None or seen.temperature_c is None:
        return None
    if seen.temperature_c >= warm_c:
        return f"the battery is warm (from {warm_c:g} °C on)"
    if seen.temperature_c <= cold_c:
        return f"the battery is cold (up to {cold_c:g} °C)"
    return None


def _too_low(relearn: Relearn, state: State) -> str | None:
    """Return why the excursion cannot begin at this level.

    An off lasts the dwell at least, so it must not lead from here to near the floor.
    """
    soc_percent, policy = state.soc_percent, state.policy
    if soc_percent is None or state.drive.commanded is None:
        return "nothing was read yet"
    if policy.gauge_needs_supply and not learned_slope(state, least=0.0):
        # Nothing is seen of the level while it falls: only its pace bounds an off.
        return "it is not known yet how fast the level falls"
    slope = learned_slope(state, least=LEAST_SLOPE)
    dwell_percent = slope * policy.dwell_off_ms / HOUR_MS
    least = policy.floor_percent + KEPT_FROM_FLOOR_PERCENT + dwell_percent
    if soc_percent <= max(least, lowest(relearn, state) + TURN_PERCENT):
        return "the charge is too low to begin"
    return None
