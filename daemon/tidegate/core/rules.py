"""The table of rules, one function a row, in the order of the table.

Each row returns its verdict or ``None`` if it does not apply; the first verdict
wins. Entry and leave levels that latch are kept by ``watch`` and ``heat``; a row here
only asks whether its latch is set. A ``supply`` of ``None`` is "unchanged".
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from tidegate.core.effects import Reason
from tidegate.core.passing import coast_is_over
from tidegate.core.policy import DAY_MS, HOUR_MS
from tidegate.core.reading import Supply
from tidegate.core.state import State

FREE_NEEDED: Final = 2  # an off must leave its own on free too


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What a row wants. ``needs_fresh``: an off only in the step of a trusted
    reading that was taken after the last on.
    """

    supply: Supply | None
    reason: Reason
    obeys_dwell: bool = False
    needs_fresh: bool = False
    trial: bool = False


Row = Callable[[State], Verdict | None]


def _on(reason: Reason) -> Verdict:
    return Verdict(supply=Supply.ON, reason=reason)


def _off(reason: Reason) -> Verdict:
    return Verdict(supply=Supply.OFF, reason=reason, obeys_dwell=True, needs_fresh=True)


def row_1(state: State) -> Verdict | None:
    """No battery: there is nothing to keep, and a device may run from the supply."""
    if state.policy.fitted and not state.latches.no_battery:
        return None
    return _on(Reason.NO_BATTERY)


def row_2(state: State) -> Verdict | None:
    """Critical heat: the one exception to "fail to on"."""
    if not state.latches.critical:
        return None
    return Verdict(supply=Supply.OFF, reason=Reason.BATTERY_CRITICAL_HEAT)


def row_3(state: State) -> Verdict | None:
    """The box of the coast is used up; holds for a minute after the on."""
    over = state.latches.coast_over_until_ms is not None
    if not over and not coast_is_over(state, state.quiet.now_ms):
        return None
    return _on(Reason.COAST_OVER)


def row_4(state: State) -> Verdict | None:
    """The gauge is lost, frozen or implausible."""
    if state.coasting or state.latches.gauge is None:
        return None
    return _on(state.latches.gauge)


def row_5(state: State) -> Verdict | None:
    """At or under the floor."""
    return _on(Reason.BELOW_FLOOR) if state.latches.floor else None


def row_6(state: State) -> Verdict | None:
    """Offs have killed the device or the relay before."""
    return _on(state.latches.lockout) if state.latches.lockout else None


def row_7(state: State) -> Verdict | None:
    """Offs have no effect, or the polarity was found reversed: only ons."""
    reason = state.latches.relay
    if reason is None:
        return None
    trial = Verdict(supply=Supply.OFF, reason=reason, needs_fresh=True, trial=True)
    if state.drive.trial and state.drive.commanded is Supply.OFF:
        return trial
    due_lived_ms = state.drive.trial_at_lived_ms
    if due_lived_ms is None or state.quiet.lived_ms < due_lived_ms:
        return _on(reason)
    lower = first_match(state, TABLE[7:])
    return trial if lower.supply is Supply.OFF else _on(reason)


def row_8(state: State) -> Verdict | None:
    """Hot."""
    return None if state.latches.hot_since_ms is None else _off(Reason.BATTERY_HOT)


def row_9(state: State) -> Verdict | None:
    """Cold and charging when it came."""
    return None if state.latches.cold_since_ms is None else _off(Reason.BATTERY_COLD)


def row_10(state: State) -> Verdict | None:
    """The budget refuses an off of the rows below; it never commands an on."""
    if state.drive.commanded is not Supply.ON or budget_is_free(state):
        return None
    if first_match(state, TABLE[10:]).supply is not Supply.OFF:
        return None
    return Verdict(supply=None, reason=Reason.RELAY_BUDGET)


def row_11(state: State) -> Verdict | None:
    """An operator's order."""
    override = state.override
    if override is None:
        return None
    off = override.supply is Supply.OFF
    return Verdict(supply=override.supply, reason=Reason.OVERRIDE, needs_fresh=off)


def row_12(state: State) -> Verdict | None:
    """At or under the low mark."""
    soc_percent = state.soc_percent
    if soc_percent is None or soc_percent > state.low_percent:
        return None
    return Verdict(supply=Supply.ON, reason=Reason.AT_LOW_MARK, obeys_dwell=True)


def row_13(state: State) -> Verdict | None:
    """At or over the high mark."""
    soc_percent = state.soc_percent
    if soc_percent is None or soc_percent < state.high_percent:
        return None
    return _off(Reason.AT_HIGH_MARK)


def row_14(state: State) -> Verdict | None:
    """Nothing to do."""
    return Verdict(supply=None, reason=Reason.IN_WINDOW)


TABLE: Final[tuple[Row, ...]] = (
    row_1,
    row_2,
    row_3,
    row_4,
    row_5,
    row_6,
    row_7,
    row_8,
    row_9,
    row_10,
    row_11,
    row_12,
    row_13,
    row_14,
)


def first_match(state: State, rows: tuple[Row, ...] = TABLE) -> Verdict:
    """Return the verdict of the first row that applies."""
    for row in rows:
        verdict = row(state)
        if verdict is not None:
            return verdict
    raise AssertionError("the last row of the table always applies")


def budget_is_free(state: State) -> bool:
    """Return whether an off and its own on fit, and half the day is not crowded."""
    policy, drive, lived_ms = state.policy, state.drive, state.quiet.lived_ms
    day = [at for at in drive.spent_lived_ms if lived_ms - at < DAY_MS]
    hour = [at for at in day if lived_ms - at < HOUR_MS]
    if len(hour) + FREE_NEEDED > policy.per_hour:
        return False
    if len(day) + FREE_NEEDED > policy.per_day:
        return False
    last_ms = drive.last_off_lived_ms
    crowded = 2 * len(day) > policy.per_day
    return not (
        crowded
        and last_ms is not None
        and lived_ms - last_ms < 2 * DAY_MS // policy.per_day
    )
