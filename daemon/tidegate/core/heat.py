"""Heat and cold: where rules 2, 8 and 9 come and go, and a sensor that sticks."""

from __future__ import annotations

from typing import Final

from tidegate.core.frozen import replace
from tidegate.core.policy import MINUTE_MS
from tidegate.core.reading import BatteryStatus, Reading
from tidegate.core.state import Mark, Seen, State

CONFIRM_AFTER_MS: Final = 5_000
CONFIRM_WITHIN_C: Final = 2.0
CRITICAL_LEAVES_UNDER_C: Final = 5.0
HOT_LEAVES_UNDER_C: Final = 3.0
COLD_LEAVES_OVER_C: Final = 3.0
HEAT_STAYS_MS: Final = 30 * MINUTE_MS
TEMPERATURE_FROZEN_MS: Final = 60 * MINUTE_MS
TEMPERATURE_FROZEN_PERCENT: Final = 5.0


def _confirmed(
    mark: Mark | None, value: float, at_ms: int, *, holds: bool, within: float
) -> tuple[Mark | None, bool]:
    """Return the mark to keep and whether a second reading has confirmed it."""
    if not holds:
        return None, False
    if mark is None or abs(round(value - mark.value, 3)) > within:
        return Mark(value=value, at_ms=at_ms), False
    return mark, at_ms - mark.at_ms >= CONFIRM_AFTER_MS


def take_temperature(state: State, reading: Reading, before: Seen | None) -> State:
    """Return the state with the temperature of a trusted reading in it."""
    temperature_c = reading.sample.temperature_c
    state, absent = _temperature_frozen(state, reading, before)
    if temperature_c is None or absent:
        return state
    at_ms = reading.at_ms
    charging = reading.sample.battery_status is BatteryStatus.CHARGING or (
        before is not None and reading.soc_percent > before.soc_percent
    )
    state = _critical(state, temperature_c, at_ms)
    state = _hot(state, temperature_c, at_ms)
    state = _cold(state, temperature_c, at_ms, charging=charging)
    watch, latches = state.watch, state.latches
    if latches.temperature_absent:
        latches = replace(latches, temperature_absent=False)
    if (
        watch.temperature_same_since_ms is not None
        and not latches.critical
        and latches.hot_since_ms is None
    ):
        watch = replace(watch, temperature_same_since_ms=None)
    quiet = replace(state.quiet, temperature_at_ms=at_ms)
    return replace(state, watch=watch, latches=latches, quiet=quiet)


def _critical(state: State, temperature_c: float, at_ms: int) -> State:
    """Rule 2: enters confirmed, leaves 5 °C under it."""
    policy, watch, latches = state.policy, state.watch, state.latches
    if latches.critical:
        if temperature_c > policy.critical_c - CRITICAL_LEAVES_UNDER_C:
            return state
        return replace(state, latches=replace(latches, critical=False))
    holds = temperature_c >= policy.critical_c
    if not holds and watch.critical is None:
        return state
    mark, sure = _confirmed(
        watch.critical, temperature_c, at_ms, holds=holds, within=CONFIRM_WITHIN_C
    )
    watch = replace(watch, critical=None if sure else mark)
    if sure:
        latches = replace(latches, critical=True)
        watch = replace(watch, temperature_same_since_ms=at_ms)
    return replace(state, watch=watch, latches=latches)


def _hot(state: State, temperature_c: float, at_ms: int) -> State:
    """Rule 8: enters confirmed, leaves 3 °C under it, confirmed, after half an hour."""
    policy, watch, latches = state.policy, state.watch, state.latches
    if latches.hot_since_ms is None:
        holds = temperature_c >= policy.hot_c
        if not holds and watch.hot is None:
            return state
        mark, sure = _confirmed(
            watch.hot, temperature_c, at_ms, holds=holds, within=CONFIRM_WITHIN_C
        )
        watch = replace(watch, hot=None if sure else mark)
        if sure:
            latches = replace(latches, hot_since_ms=at_ms)
            if watch.temperature_same_since_ms is None:
                watch = replace(watch, temperature_same_since_ms=at_ms)
        return replace(state, watch=watch, latches=latches)
    mark, sure = _confirmed(
        watch.cooled,
        temperature_c,
        at_ms,
        holds=_stayed(latches.hot_since_ms, at_ms)
        and temperature_c <= policy.hot_c - HOT_LEAVES_UNDER_C,
        within=CONFIRM_WITHIN_C,
    )
    watch = replace(watch, cooled=None if sure else mark)
    if sure:
        latches = replace(latches, hot_since_ms=None)
    return replace(state, watch=watch, latches=latches)


def _cold(state: State, temperature_c: float, at_ms: int, *, charging: bool) -> State:
    """Rule 9: enters while charging, leaves 3 °C over it, confirmed, as rule 8."""
    policy, watch, latches = state.policy, state.watch, state.latches
    if latches.cold_since_ms is None:
        if temperature_c > policy.cold_c or not charging:
            return state
        return replace(state, latches=replace(latches, cold_since_ms=at_ms))
    mark, sure = _confirmed(
        watch.warmed,
        temperature_c,
        at_ms,
        holds=_stayed(latches.cold_since_ms, at_ms)
        and temperature_c >= policy.cold_c + COLD_LEAVES_OVER_C,
        within=CONFIRM_WITHIN_C,
    )
    watch = replace(watch, warmed=None if sure else mark)
    if sure:
        latches = replace(latches, cold_since_ms=None)
    return replace(state, watch=watch, latches=latches)


def _stayed(since_ms: int | None, at_ms: int) -> bool:
    return since_ms is not None and at_ms - since_ms >= HEAT_STAYS_MS


def _temperature_frozen(
    state: State, reading: Reading, before: Seen | None
) -> tuple[State, bool]:
    """Return whether the temperature counts as absent because it never moves."""
    watch = state.watch
    temperature_c = reading.sample.temperature_c
    moved = (
        before is not None
        and before.temperature_c is not None
        and temperature_c is not None
        and before.temperature_c != temperature_c
    )
    if moved:
        since_ms = watch.temperature_same_since_ms
        watch = replace(
            watch,
            temperature_frozen=False,
            temperature_same_since_ms=None if since_ms is None else reading.at_ms,
        )
    elif (
        watch.temperature_same_since_ms is not None
        and reading.at_ms - watch.temperature_same_since_ms >= TEMPERATURE_FROZEN_MS
        and reading.soc_percent
        <= state.policy.floor_percent + TEMPERATURE_FROZEN_PERCENT
    ):
        watch = replace(watch, temperature_frozen=True)
    if watch is not state.watch:
        state = replace(state, watch=watch)
    return state, watch.temperature_frozen
