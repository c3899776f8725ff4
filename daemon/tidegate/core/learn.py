"""What a station learns over days: slope, pack, and time above a hold."""

from __future__ import annotations

from typing import Final

from tidegate.core.frozen import replace
from tidegate.core.policy import DAY_MS, HOUR_MS, MINUTE_MS, Proof
from tidegate.core.reading import ExternalPower, Reading, Supply
from tidegate.core.state import SLOPE_DAYS, Lesson, Seen, State

SLOPE_OVER_MS: Final = HOUR_MS
SLOPE_LEAST_MS: Final = 30 * MINUTE_MS
SLOPE_BLIND_LEAST_MS: Final = 5 * MINUTE_MS  # the shortest box of a coast
SLOPE_BACK_WITHIN_MS: Final = 2 * MINUTE_MS  # later, it was without power longer
SLOPE_LEAP_PERCENT: Final = 5.0
SLOPE_AGREES_PERCENT: Final = 2.0


def learn(state: State, reading: Reading, before: Seen | None) -> State:
    """Return the state with the slow lessons of a trusted reading in it."""
    state = _blind_slope(_slope(state, reading), reading, before)
    sure_percent = reading.soc_percent
    if before is not None and sure_percent - before.soc_percent > SLOPE_LEAP_PERCENT:
        sure_percent = before.soc_percent
    if sure_percent != state.quiet.sure_percent:
        state = replace(state, quiet=replace(state.quiet, sure_percent=sure_percent))
    return _above(_pack(state, reading), reading)


def _slope(state: State, reading: Reading) -> State:
    """Learn the steepest loss with the supply off, over at most an hour."""
    quiet, at_ms = state.quiet, reading.at_ms
    if (
        state.drive.commanded is not Supply.OFF
        or reading.sample.external_power is ExternalPower.YES
    ):
        if not quiet.slope_points:
            return state
        return replace(state, quiet=replace(quiet, slope_points=()))
    old = quiet.slope_points
    if old and old[-1][1] == reading.soc_percent:
        return state
    new = (*old, (at_ms, reading.soc_percent))
    while len(new) > 2 and at_ms - new[1][0] >= SLOPE_OVER_MS:
        new = new[1:]
    state = replace(state, quiet=replace(quiet, slope_points=new))
    span_ms = at_ms - new[0][0]
    if span_ms < SLOPE_LEAST_MS:
        return state
    rate = round((new[0][1] - reading.soc_percent) * HOUR_MS / span_ms, 3)
    return _steepest(state, rate)


def _blind_slope(state: State, reading: Reading, before: Seen | None) -> State:
    """Learn the loss of a coast from its two ends: nothing was read in between.

    A gauge may wake up with nonsense: if the second reading after the on shows less
    of a loss, that one counts.
    """
    drive, lesson = state.drive, state.watch.lesson
    if lesson is not None and before is not None:
        watch = replace(state.watch, lesson=None)
        if reading.soc_percent - before.soc_percent <= SLOPE_AGREES_PERCENT:
            return replace(state, watch=watch)
        state = replace(state, watch=replace(watch, slope_days=lesson.slopes))
        return _steepest(state, _rate(lesson, reading))
    if (
        before is None
        or not state.policy.gauge_needs_supply
        or drive.commanded is not Supply.ON
        or drive.off_done_at_ms is None
        or before.at_ms >= drive.commanded_at_ms
    ):
        return state
    span_ms = drive.commanded_at_ms - max(before.at_ms, drive.off_done_at_ms)
    late_ms = reading.at_ms - drive.commanded_at_ms
    sure_percent = state.quiet.sure_percent
    if (
        sure_percent is None
        or span_ms < SLOPE_BLIND_LEAST_MS
        or late_ms > SLOPE_BACK_WITHIN_MS + state.policy.poll_ms
    ):
        return state
    lesson = Lesson(
        slopes=state.watch.slope_days, from_percent=sure_percent, span_ms=span_ms
    )
    state = replace(state, watch=replace(state.watch, lesson=lesson))
    return _steepest(state, _rate(lesson, reading))


def _rate(lesson: Lesson, reading: Reading) -> float:
    lost_percent = lesson.from_percent - reading.soc_percent
    return round(lost_percent * HOUR_MS / lesson.span_ms, 3)


def _steepest(state: State, rate: float) -> State:
    """Keep the rate if it is the steepest of its day, for 14 days lived."""
    day = state.quiet.lived_ms // DAY_MS
    days = dict(state.watch.slope_days)
    if rate <= days.get(day, 0.0):
        return state
    days[day] = rate
    kept = tuple(sorted(item for item in days.items() if item[0] > day - SLOPE_DAYS))
    return replace(state, watch=replace(state.watch, slope_days=kept))


def _pack(state: State, reading: Reading) -> State:
    watch, sample = state.watch, reading.sample
    if sample.health != watch.health:
        watch = replace(watch, health=sample.health)
    if sample.pack is not None and sample.pack != watch.pack:
        latches = state.latches
        if watch.pack is not None:
            # A new pack starts with a clean record: old lockouts were about the old.
            latches = replace(latches, lockout=None)
            watch = replace(watch, slope_days=())
            drive = replace(state.drive, only_source_losses=0, fed_losses=0)
            state = replace(state, latches=latches, drive=drive)
        watch = replace(watch, pack=sample.pack)
    if watch is not state.watch:
        state = replace(state, watch=watch)
    return state


def _above(state: State, reading: Reading) -> State:
    """What only stops charging cannot lower a level: how long does it stand above?"""
    if state.policy.proof is not Proof.CHARGING or state.policy.marks is None:
        return state
    above = reading.soc_percent > state.high_percent + 2
    since_ms = state.watch.above_since_lived_ms
    if above and since_ms is None:
        since_ms = state.quiet.lived_ms
    elif not above:
        since_ms = None
    if since_ms == state.watch.above_since_lived_ms:
        return state
    return replace(state, watch=replace(state.watch, above_since_lived_ms=since_ms))
