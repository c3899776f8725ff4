"""What time alone moves: coast, staleness, and the latches that run out."""

from __future__ import annotations

from typing import Final

from tidegate.core.effects import Reason
from tidegate.core.frozen import replace
from tidegate.core.policy import HOUR_MS, MINUTE_MS
from tidegate.core.state import State, Watch, days_learned, learned_slope

IN_A_ROW: Final = 3
OVER_MS: Final = MINUTE_MS  # "over at least 60 s" of rules 1 and 4
COAST_SLOPE: Final = 5.0
# Nobody sees what a device draws in a coast. Until a week of days has taught it, a day
# or a weekend of rest must not let a busy hour empty it: 15 %/h, as for a frozen gauge.
COAST_FIRST_SLOPE: Final = 15.0
COAST_SURE_DAYS: Final = 7
COAST_LEAST_MS: Final = 5 * MINUTE_MS
COAST_GRACE_MS: Final = MINUTE_MS


def gauge_enters(state: State, reason: Reason) -> State:
    """Latch rule 4; the first cause keeps its name, but frozen explains the rest."""
    if state.latches.gauge is reason:
        return state
    if state.latches.gauge is not None and reason is not Reason.GAUGE_FROZEN:
        return state
    latches = replace(state.latches, gauge=reason)
    return replace(state, latches=latches, watch=replace(state.watch, good_reads=0))


def coast_begins(state: State, now_ms: int) -> State:
    """The gauge went blind because we cut its supply: box the time."""
    policy = state.policy
    soc_percent = state.quiet.sure_percent if state.quiet.seen else None
    box_ms = float(policy.max_off_ms)
    if soc_percent is not None:
        is_sure = days_learned(state) >= COAST_SURE_DAYS
        least = COAST_SLOPE if is_sure else COAST_FIRST_SLOPE
        slope = learned_slope(state, least=least)
        spare_percent = max(0.0, soc_percent - policy.floor_percent)
        box_ms = min(box_ms, spare_percent / 2 / slope * HOUR_MS)
        if state.drive.off_by is Reason.AT_HIGH_MARK and policy.marks is not None:
            above_percent = max(0.0, soc_percent - state.low_percent)
            box_ms = min(box_ms, above_percent / slope * HOUR_MS)
    latches = replace(
        state.latches,
        coast_since_ms=now_ms,
        coast_box_ms=max(COAST_LEAST_MS, round(box_ms)),
    )
    return replace(state, latches=latches)


def coast_is_over(state: State, now_ms: int) -> bool:
    """Return whether the box of the coast is used up."""
    since_ms = state.latches.coast_since_ms
    return since_ms is not None and now_ms - since_ms >= state.latches.coast_box_ms


def stale_since_ms(state: State) -> int:
    """Return from when staleness counts: the last trusted reading, or the grace."""
    seen = state.quiet.seen
    return max(state.watch.stale_from_ms, seen.at_ms if seen else 0)


def temperature_since_ms(state: State) -> int:
    """Return from when a missing temperature counts against rule 8."""
    return max(state.watch.stale_from_ms, state.quiet.temperature_at_ms)


def _just_woke(state: State) -> bool:
    """Return whether a resume is not yet followed by a reading or three misses."""
    seen = state.quiet.seen
    return (
        seen is not None
        and seen.at_ms < state.watch.no_jump_before_ms
        and state.watch.bad_reads < IN_A_ROW
    )


def pass_time(state: State, now_ms: int) -> State:
    """Return the state with every latch that time alone moves."""
    policy, watch, latches, quiet = (
        state.policy,
        state.watch,
        state.latches,
        state.quiet,
    )
    woke = _just_woke(state)
    if (
        latches.critical
        and not woke
        and now_ms - quiet.temperature_at_ms >= policy.heat_hold_ms
    ):
        latches = replace(latches, critical=False)
    if (
        latches.hot_since_ms is not None
        and not state.coasting
        and not woke
        and now_ms - temperature_since_ms(state) >= policy.stale_after_ms
    ):
        latches = replace(latches, hot_since_ms=None, temperature_absent=True)
    if (
        latches.coast_over_until_ms is not None
        and now_ms >= latches.coast_over_until_ms
    ):
        latches = replace(latches, coast_over_until_ms=None)
    if (
        latches.lockout is not None
        and quiet.lived_ms - latches.lockout_lived_ms >= policy.lockout_for_ms
    ):
        latches = replace(latches, lockout=None)
    state = replace(state, latches=latches)
    state = _gauge_latch(state, watch, now_ms)
    if state.override is not None and now_ms >= state.override.until_ms:
        state = replace(state, override=None)
    return state


def _gauge_latch(state: State, watch: Watch, now_ms: int) -> State:
    """Rule 4: enter when stale and blind, leave after three trusted readings."""
    if (
        not state.coasting
        and watch.bad_reads >= IN_A_ROW
        and now_ms - stale_since_ms(state) >= state.policy.stale_after_ms
    ):
        state = gauge_enters(state, Reason.GAUGE_LOST)
    seen = state.quiet.seen
    if (
        state.latches.gauge is not None
        and watch.frozen_since_ms is None
        and seen is not None
        and state.watch.good_reads >= IN_A_ROW
        and seen.at_ms - state.watch.good_since_ms >= OVER_MS
    ):
        state = replace(
            state,
            latches=replace(state.latches, gauge=None),
            watch=replace(state.watch, good_reads=0),
        )
    return state
