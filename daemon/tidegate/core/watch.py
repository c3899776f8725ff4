"""What each reading, failed read and passing minute does to what we know.

Entry and leave levels of the latching rules 1, 3, 4 and 5 live here, beside the
tests for jumps, frozen and lost gauges; rules 2, 8 and 9 have theirs in ``heat``.
Which rule wins is ``rules``.
"""

from __future__ import annotations

from dataclasses import fields
from operator import attrgetter
from typing import Final

from tidegate.core.effects import Reason
from tidegate.core.events import GaugeFailed, ReadingArrived
from tidegate.core.frozen import replace
from tidegate.core.heat import CONFIRM_AFTER_MS, take_temperature
from tidegate.core.learn import learn
from tidegate.core.passing import (
    IN_A_ROW,
    OVER_MS,
    coast_begins,
    gauge_enters,
)
from tidegate.core.policy import HOUR_MS, MINUTE_MS, Proof
from tidegate.core.reading import (
    BatteryStatus,
    ExternalPower,
    Reading,
    Supply,
)
from tidegate.core.state import Mark, Seen, State, learned_slope

CONFIRM_WITHIN_PERCENT: Final = 2.0
PRESENT_FOR_MS: Final = 10 * MINUTE_MS
FLOOR_LEAVES_IN_HEAT_PERCENT: Final = 10.0
JUMP_PERCENT: Final = 5.0
JUMP_WITHIN_MS: Final = 120_000
JUMP_WITHIN_POLLS: Final = 2.5
JUMPS: Final = 3
JUMPS_WITHIN_MS: Final = 10 * MINUTE_MS
FROZEN_LEAST_MS: Final = 30 * MINUTE_MS
FROZEN_MOST_MS: Final = 4 * HOUR_MS
FROZEN_LASTS_MS: Final = 24 * HOUR_MS
FROZEN_READS: Final = 60
FROZEN_SLOPE: Final = 15.0
# All that two readings can share; when they were taken differs.
_figures: Final = attrgetter(*(f.name for f in fields(Seen) if f.name != "at_ms"))


def points(a_percent: float, b_percent: float) -> float:
    """Return the distance of two states of charge, free of binary residue."""
    return round(abs(a_percent - b_percent), 2)


def was_jump(state: State, reading: Reading) -> bool:
    """Return whether the step that took this reading set it aside as a jump."""
    return state.watch.set_aside_at_ms == reading.at_ms


# --- a reading ------------------------------------------------------------------


def take_reading(
    state: State, event: ReadingArrived, now_ms: int
) -> tuple[State, bool]:
    """Return the state with the reading in it, and whether it is trusted."""
    reading = event.reading
    state = _fitted(state, reading, now_ms)
    if reading.why_not is None:
        state, jumped = _jump(state, reading)
        if jumped:
            state = _floor_enters(state, reading)
    if reading.why_not is not None or jumped:
        return _rejected(state, event.reads), False
    state = _trusted(state, event)
    return state, True


def _rejected(state: State, reads: int) -> State:
    watch = replace(
        state.watch,
        bad_reads=min(IN_A_ROW, state.watch.bad_reads + reads),
        rejected_reads=min(IN_A_ROW, state.watch.rejected_reads + reads),
        good_reads=0,
    )
    state = replace(state, watch=watch)
    if watch.rejected_reads >= IN_A_ROW and not state.coasting:
        state = gauge_enters(state, Reason.GAUGE_IMPLAUSIBLE)
    return state


def take_failure(state: State, event: GaugeFailed, now_ms: int) -> State:
    """Return the state after a read that brought nothing."""
    watch, drive = state.watch, state.drive
    off = drive.commanded is Supply.OFF
    if off and watch.lost_off_at_ms is None:
        watch = replace(watch, lost_off_at_ms=now_ms)
    if state.policy.gauge_needs_supply and off and not state.coasting:
        state = coast_begins(state, now_ms)
    # After a coast the gauge gets a minute to come back before a miss is a fault.
    bad = event.reads if now_ms >= watch.stale_from_ms else 0
    watch = replace(
        watch,
        bad_reads=min(IN_A_ROW, watch.bad_reads + bad),
        rejected_reads=0,
        good_reads=0,
    )
    return replace(state, watch=watch)


def _fitted(state: State, reading: Reading, now_ms: int) -> State:
    """Rule 1: three samples without a battery over 60 s; back for ten minutes."""
    watch, latches = state.watch, state.latches
    if not reading.sample.present:
        first_ms = watch.absent_since_ms if watch.absent_reads else now_ms
        count = min(IN_A_ROW, watch.absent_reads + 1)
        watch = replace(
            watch, absent_reads=count, absent_since_ms=first_ms, present_since_ms=None
        )
        if count >= IN_A_ROW and now_ms - first_ms >= OVER_MS:
            latches = replace(latches, no_battery=True)
        return replace(state, watch=watch, latches=latches)
    if latches.no_battery:
        since_ms = now_ms if watch.present_since_ms is None else watch.present_since_ms
        watch = replace(watch, present_since_ms=since_ms, absent_reads=0)
        if now_ms - since_ms >= PRESENT_FOR_MS:
            latches = replace(latches, no_battery=False)
            watch = replace(watch, present_since_ms=None)
        return replace(state, watch=watch, latches=latches)
    if watch.absent_reads:
        return replace(state, watch=replace(watch, absent_reads=0))
    return state


def _jump(state: State, reading: Reading) -> tuple[State, bool]:
    """Set a leap of more than 5 points aside until a second reading confirms it."""
    watch, at_ms = state.watch, reading.at_ms
    mark, jumps_ms = watch.jump, watch.jumps_ms
    far = _is_far(state, reading)
    if mark is None and not far:
        return state, False
    if mark is not None:
        agrees = points(reading.soc_percent, mark.value) <= CONFIRM_WITHIN_PERCENT
        if far and agrees:
            sure = at_ms - mark.at_ms >= CONFIRM_AFTER_MS
            watch = replace(
                watch,
                jump=None if sure else mark,
                set_aside_at_ms=watch.set_aside_at_ms if sure else at_ms,
            )
            return replace(state, watch=watch), not sure
        if not agrees:
            jumps_ms = tuple(
                jump_ms
                for jump_ms in (*jumps_ms, at_ms)
                if at_ms - jump_ms <= JUMPS_WITHIN_MS
            )
        mark = None
    if far:
        mark = Mark(value=reading.soc_percent, at_ms=at_ms)
        watch = replace(watch, set_aside_at_ms=at_ms)
    too_many = len(jumps_ms) >= JUMPS
    watch = replace(watch, jump=mark, jumps_ms=() if too_many else jumps_ms)
    state = replace(state, watch=watch)
    if too_many:
        state = gauge_enters(state, Reason.GAUGE_IMPLAUSIBLE)
    return state, far


def _is_far(state: State, reading: Reading) -> bool:
    seen = state.quiet.seen
    if seen is None or seen.at_ms < state.watch.no_jump_before_ms:
        return False
    within_ms = max(JUMP_WITHIN_MS, round(JUMP_WITHIN_POLLS * state.policy.poll_ms))
    return (
        reading.at_ms - seen.at_ms <= within_ms
        and points(reading.soc_percent, seen.soc_percent) > JUMP_PERCENT
    )


def _trusted(state: State, event: ReadingArrived) -> State:
    reading = event.reading
    before = state.quiet.seen
    now_seen = _seen(reading)
    state = _counted(state, reading)
    state = _identical(state, event, before, now_seen)
    state = take_temperature(state, reading, before)
    state = _frozen(state, reading, before)
    state = _floor_enters(state, reading)
    state = _floor_leaves(state, reading)
    return learn(state, reading, before)


def _seen(reading: Reading) -> Seen:
    sample = reading.sample
    return Seen(
        at_ms=reading.at_ms,
        soc_percent=reading.soc_percent,
        status=sample.battery_status,
        power=sample.external_power,
        voltage_v=sample.voltage_v,
        current_a=sample.current_a,
        temperature_c=sample.temperature_c,
        charge_ah=sample.charge_ah,
    )


def _counted(state: State, reading: Reading) -> State:
    watch, latches = state.watch, state.latches
    watch = replace(
        watch,
        bad_reads=0,
        rejected_reads=0,
        lost_off_at_ms=None,
        power_seen=watch.power_seen
        or reading.sample.external_power is not ExternalPower.UNKNOWN,
    )
    if latches.coast_since_ms is not None:
        latches = replace(latches, coast_since_ms=None)
    if latches.gauge is not None and watch.good_reads < IN_A_ROW:
        since_ms = reading.at_ms if watch.good_reads == 0 else watch.good_since_ms
        watch = replace(watch, good_reads=watch.good_reads + 1, good_since_ms=since_ms)
    return replace(state, watch=watch, latches=latches)


def _identical(
    state: State, event: ReadingArrived, before: Seen | None, now_seen: Seen
) -> State:
    quiet, watch = state.quiet, state.watch
    at_ms = now_seen.at_ms
    if event.same_reads is not None and event.same_since_ms is not None:
        same_reads, since_ms = event.same_reads, event.same_since_ms
    elif before is not None and _figures(before) == _figures(now_seen):
        same_reads, since_ms = quiet.same_reads + event.reads, quiet.same_since_ms
    else:
        same_reads, since_ms = 1, at_ms
    if before is None or points(before.soc_percent, now_seen.soc_percent) > 0:
        quiet = replace(quiet, soc_moved_at_ms=at_ms)
    if (
        before is not None
        and before.voltage_v is not None
        and now_seen.voltage_v is not None
        and before.voltage_v != now_seen.voltage_v
        and not watch.voltage_varied
    ):
        watch = replace(watch, voltage_varied=True)
    quiet = replace(quiet, seen=now_seen, same_reads=same_reads, same_since_ms=since_ms)
    return replace(state, quiet=quiet, watch=watch)


def _frozen(state: State, reading: Reading, before: Seen | None) -> State:
    watch, quiet = state.watch, state.quiet
    at_ms = reading.at_ms
    if watch.frozen_since_ms is not None:
        moved = (
            quiet.same_reads == 1
            if watch.frozen_whole
            else (before is not None and before.soc_percent != reading.soc_percent)
        )
        if moved or (
            not watch.frozen_whole and at_ms - watch.frozen_since_ms >= FROZEN_LASTS_MS
        ):
            # The three trusted readings of rule 4 are counted from here.
            watch = replace(
                watch, frozen_since_ms=None, good_reads=1, good_since_ms=at_ms
            )
            quiet = replace(quiet, soc_moved_at_ms=at_ms)
        return replace(state, watch=watch, quiet=quiet)
    whole = (
        watch.voltage_varied
        and quiet.same_reads >= FROZEN_READS
        and at_ms - quiet.same_since_ms >= FROZEN_LEAST_MS
        and reading.sample.battery_status
        in (BatteryStatus.CHARGING, BatteryStatus.DISCHARGING)
    )
    if whole or _soc_is_frozen(state, reading):
        watch = replace(watch, frozen_since_ms=at_ms, frozen_whole=whole, good_reads=0)
        return gauge_enters(replace(state, watch=watch), Reason.GAUGE_FROZEN)
    return state


def _soc_is_frozen(state: State, reading: Reading) -> bool:
    policy, drive = state.policy, state.drive
    if (
        drive.commanded is not Supply.OFF
        or policy.hold
        or policy.proof is not Proof.EXTERNAL_POWER
        or reading.sample.external_power is ExternalPower.YES
    ):
        return False
    since_ms = max(state.quiet.soc_moved_at_ms, drive.commanded_at_ms)
    spare_percent = max(0.0, reading.soc_percent - policy.floor_percent)
    half_ms = spare_percent / 2 / learned_slope(state, least=FROZEN_SLOPE) * HOUR_MS
    limit_ms = max(FROZEN_LEAST_MS, min(FROZEN_MOST_MS, half_ms))
    return reading.at_ms - since_ms > limit_ms


# --- floor -----------------------------------------------------------------------


def _floor_enters(state: State, reading: Reading) -> State:
    """Rule 5 takes an unconfirmed reading too: it can only cost a charge."""
    if state.latches.floor or reading.soc_percent > state.policy.floor_percent:
        return state
    return replace(state, latches=replace(state.latches, floor=True))


def _floor_leaves(state: State, reading: Reading) -> State:
    latches, policy = state.latches, state.policy
    if not latches.floor or policy.marks is None:
        return state
    if latches.hot_since_ms is not None or latches.cold_since_ms is not None:
        level_percent = policy.floor_percent + FLOOR_LEAVES_IN_HEAT_PERCENT
    else:
        level_percent = state.low_percent
    if reading.soc_percent < level_percent:
        return state
    return replace(state, latches=replace(latches, floor=False))
