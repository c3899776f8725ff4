"""What the operator wants and what the hardware can do, as plain frozen values."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

MS = 1_000
MINUTE_MS = 60 * MS
HOUR_MS = 60 * MINUTE_MS
DAY_MS = 24 * HOUR_MS


class Proof(StrEnum):
    """What shows that the supply followed a command."""

    EXTERNAL_POWER = "external_power"
    CHARGING = "charging"


@dataclass(frozen=True, slots=True, kw_only=True)
class Marks:
    """The charge window in percent state of charge; both marks belong to it."""

    low_percent: float
    high_percent: float


class PlanReason(StrEnum):
    """Why the marks in force became others than before; the last five end a plan."""

    PLANNED_RISE = "planned_rise"
    RELEARN = "relearn"
    RISE_OVER = "rise_over"
    RELEARNED = "relearned"
    RELEARN_BROKEN_OFF = "relearn_broken_off"
    RELEARN_GIVEN_UP = "relearn_given_up"
    WITHDRAWN = "plan_withdrawn"


@dataclass(frozen=True, kw_only=True)
class Policy:
    """Everything the core needs to know of a station. Times are milliseconds.

    ``marks`` is ``None`` for a station that only measures. Under a hold of ``h``
    the marks are h - 2 and h. ``gauge_needs_supply``: the gauge is reached over the
    switched supply; ``loss_is_proof``: that it is lost shows that the supply is off.
    ``silence_alarm_ms``: how long without any answer of it before a
    person must know, ``None`` for ever. ``fails_on``: the contact is normally-closed, or the relay has a
    dead-man timer. ``can_read_back``: readback grade 2 or 3.
    Defaults are engineering choices; hot, critical and cold follow the bands of the
    JEITA guide of 2007 as charger chips implement it (TI BQ25882, register 08h).
    """

    marks: Marks | None = None
    hold: bool = False
    floor_percent: float = 25.0
    hot_c: float = 45.0
    critical_c: float = 60.0
    cold_c: float = 0.0
    dwell_on_ms: int = 3 * MINUTE_MS
    dwell_off_ms: int = 3 * MINUTE_MS
    poll_ms: int = 30 * MS
    stale_after_ms: int = 3 * MINUTE_MS
    settle_ms: int = 60 * MS
    heat_hold_ms: int = 30 * MINUTE_MS
    max_off_ms: int = 2 * HOUR_MS
    lockout_for_ms: int = 30 * DAY_MS
    per_hour: int = 6
    per_day: int = 48
    fitted: bool = True
    proof: Proof = Proof.EXTERNAL_POWER
    can_read_back: bool = False
    gauge_needs_supply: bool = False
    loss_is_proof: bool = True
    silence_alarm_ms: int | None = None
    host_is_device: bool = True
    fails_on: bool = True
    accept_dead_lock: bool = False

    @property
    def off_is_refused(self) -> bool:
        """Whether an off could lock the station up for ever (dead-lock)."""
        return self.host_is_device and not self.fails_on and not self.accept_dead_lock
