"""Which alarms stand, as a function of the state alone.

An alarm is raised when its condition first holds and cleared when it no longer
does, so none can be forgotten or raised twice.
"""

from __future__ import annotations

from itertools import compress
from typing import Final

from tidegate.core.effects import Alarm, ClearAlarm, RaiseAlarm, Reason
from tidegate.core.policy import DAY_MS
from tidegate.core.reading import Supply
from tidegate.core.state import State

_UNSOUND: Final = frozenset(
    {"Overheat", "Dead", "Over voltage", "Unspecified failure", "Hot"}
)
_LATCHED: Final = {
    reason: Alarm(reason.value)
    for reason in (
        Reason.GAUGE_LOST,
        Reason.GAUGE_FROZEN,
        Reason.GAUGE_IMPLAUSIBLE,
        Reason.ONLY_SOURCE,
        Reason.RELAY_FED_BY_SUPPLY,
        Reason.RELAY_NO_EFFECT,
        Reason.RELAY_REVERSED,
    )
}


def standing(state: State) -> frozenset[Alarm]:
    """Return the alarms whose conditions hold."""
    latches, watch = state.latches, state.watch
    holds = {
        Alarm.NO_BATTERY: latches.no_battery,
        Alarm.BATTERY_CRITICAL_HEAT: latches.critical,
        Alarm.BATTERY_HOT: latches.hot_since_ms is not None,
        Alarm.BATTERY_COLD: latches.cold_since_ms is not None,
        Alarm.TEMPERATURE_ABSENT: latches.temperature_absent,
        Alarm.TEMPERATURE_FROZEN: watch.temperature_frozen,
        Alarm.BATTERY_HEALTH: watch.health in _UNSOUND,
        Alarm.LOG_LOST: state.log_lost,
        Alarm.GAUGE_SILENT: _is_silent(state),
    }
    if state.policy.marks is not None:
        holds.update(_of_control(state))
    for reason in (latches.gauge, latches.lockout, latches.relay):
        if reason is not None:
            holds[_LATCHED[reason]] = True
    if state.drive.stopped:
        holds[Alarm.SUPPLY_ABSENT] = False
    return frozenset(compress(holds, holds.values()))


def _is_silent(state: State) -> bool:
    alarm_ms, quiet = state.policy.silence_alarm_ms, state.quiet
    return alarm_ms is not None and quiet.lived_ms - quiet.answered_lived_ms >= alarm_ms


def _of_control(state: State) -> dict[Alarm, bool]:
    latches, watch, drive, policy = (
        state.latches,
        state.watch,
        state.drive,
        state.policy,
    )
    seen = state.quiet.seen
    above_ms = watch.above_since_lived_ms
    is_absent = state.supply_is_absent
    return {
        Alarm.BELOW_FLOOR: latches.floor,
        Alarm.RELAY_BUDGET: state.budget_refused,
        Alarm.OVERRIDE_ENDED: state.override_ended,
        Alarm.SUPPLY_ABSENT: is_absent,
        Alarm.RELAY_EXTERNAL_CHANGE: drive.outside_change,
        Alarm.RELAY_FAILED: (
            drive.on_failed or drive.failed_offs > 0 or drive.relay_lost
        ),
        Alarm.EFFECT_UNPROVABLE: drive.unprovable,
        Alarm.DEAD_LOCK: policy.off_is_refused,
        Alarm.NOT_FAIL_ON: not policy.host_is_device and not policy.fails_on,
        Alarm.ABOVE_WINDOW: (
            above_ms is not None and state.quiet.lived_ms - above_ms >= DAY_MS
        ),
        Alarm.OVERCHARGE_RISK: (
            latches.relay is not None
            and seen is not None
            and seen.soc_percent > state.high_percent
        ),
        Alarm.DEVICE_WILL_DIE: (
            is_absent and latches.floor and drive.commanded is Supply.ON
        ),
    }


def differences(
    before: frozenset[Alarm], after: frozenset[Alarm]
) -> tuple[RaiseAlarm | ClearAlarm, ...]:
    """Return what to raise and what to clear, in the order of their codes."""
    raised = tuple(RaiseAlarm(alarm=alarm) for alarm in sorted(after - before))
    cleared = tuple(ClearAlarm(alarm=alarm) for alarm in sorted(before - after))
    return raised + cleared
