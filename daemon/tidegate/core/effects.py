"""Everything that a station does. The shell turns each into I/O."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from tidegate.core.reading import Supply


class Reason(StrEnum):
    """Why the supply is as it is; the codes of the rules, in their order."""

    NO_BATTERY = "no_battery"
    BATTERY_CRITICAL_HEAT = "battery_critical_heat"
    COAST_OVER = "coast_over"
    GAUGE_LOST = "gauge_lost"
    GAUGE_FROZEN = "gauge_frozen"
    GAUGE_IMPLAUSIBLE = "gauge_implausible"
    BELOW_FLOOR = "below_floor"
    ONLY_SOURCE = "only_source"
    RELAY_FED_BY_SUPPLY = "relay_fed_by_supply"
    RELAY_NO_EFFECT = "relay_no_effect"
    RELAY_REVERSED = "relay_reversed"
    BATTERY_HOT = "battery_hot"
    BATTERY_COLD = "battery_cold"
    RELAY_BUDGET = "relay_budget"
    OVERRIDE = "override"
    AT_LOW_MARK = "at_low_mark"
    AT_HIGH_MARK = "at_high_mark"
    IN_WINDOW = "in_window"
    # Commands that no row of the table gives: the first, the last, and repeats.
    START = "start"
    STOP = "stop"
    SUPPLY_ABSENT = "supply_absent"
    RELAY_EXTERNAL_CHANGE = "relay_external_change"
    RELAY_FAILED = "relay_failed"
    MEASURE_ONLY = "measure_only"
    DEAD_LOCK = "dead_lock"
    # An operator's act that the core is only told of afterwards.
    PROVE = "prove"


class Alarm(StrEnum):
    """What a person should know of. One is raised once and cleared once."""

    NO_BATTERY = "no_battery"
    BATTERY_CRITICAL_HEAT = "battery_critical_heat"
    GAUGE_LOST = "gauge_lost"
    GAUGE_FROZEN = "gauge_frozen"
    GAUGE_IMPLAUSIBLE = "gauge_implausible"
    GAUGE_SILENT = "gauge_silent"
    BELOW_FLOOR = "below_floor"
    ONLY_SOURCE = "only_source"
    RELAY_FED_BY_SUPPLY = "relay_fed_by_supply"
    RELAY_NO_EFFECT = "relay_no_effect"
    RELAY_REVERSED = "relay_reversed"
    BATTERY_HOT = "battery_hot"
    BATTERY_COLD = "battery_cold"
    RELAY_BUDGET = "relay_budget"
    OVERRIDE_ENDED = "override_ended"
    SUPPLY_ABSENT = "supply_absent"
    RELAY_EXTERNAL_CHANGE = "relay_external_change"
    RELAY_FAILED = "relay_failed"
    EFFECT_UNPROVABLE = "effect_unprovable"
    TEMPERATURE_ABSENT = "temperature_absent"
    TEMPERATURE_FROZEN = "temperature_frozen"
    ABOVE_WINDOW = "above_window"
    OVERCHARGE_RISK = "overcharge_risk"
    DEVICE_WILL_DIE = "device_will_die"
    DEAD_LOCK = "dead_lock"
    NOT_FAIL_ON = "not_fail_on"
    BATTERY_HEALTH = "battery_health"
    LOG_LOST = "log_lost"


class Kind(StrEnum):
    """What sort of command a switching is."""

    CHANGE = "change"
    REPEAT = "repeat"
    TRIAL = "trial"


@dataclass(frozen=True, slots=True, kw_only=True)
class SwitchSupply:
    """Tell the relay. ``swapped``: its polarity was found reversed, so the shell
    commands the opposite. ``urgent``: do not wait for a reading just before it.
    """

    supply: Supply
    reason: Reason
    kind: Kind
    swapped: bool
    urgent: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadSoon:
    """Read the gauge at this boot-clock time, before the next poll."""

    at_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RefreshDeadMan:
    """Refresh the relay's own timer: the station is under control."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RaiseAlarm:
    """Tell people, once."""

    alarm: Alarm


@dataclass(frozen=True, slots=True, kw_only=True)
class ClearAlarm:
    """The alarm is over."""

    alarm: Alarm


@dataclass(frozen=True, slots=True, kw_only=True)
class EffectSeen:
    """The verdict on the last switching: True proven, False missing, None unknown."""

    supply: Supply
    seen: bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class WakeAt:
    """Send ``TimePassed`` at this boot-clock time at the latest."""

    at_ms: int


Effect = (
    SwitchSupply
    | ReadSoon
    | RefreshDeadMan
    | RaiseAlarm
    | ClearAlarm
    | EffectSeen
    | WakeAt
)
