"""Everything that a station remembers, in one frozen value.

``State`` has a loud and a quiet half. The loud half (``Watch``, ``Latches``,
``Drive`` and what stands beside them) is the evidence of every decision: a reading
that changes it gets a row of its own in the cycle log. The quiet half follows from
the first and the last of a run of equal readings, so such a run makes one row.

Times ending in ``_lived_ms`` count the time lived by the daemon and survive a
reboot; all others are boot-clock times of this boot.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from tidegate.core.effects import Alarm, Kind, Reason
from tidegate.core.policy import DAY_MS, PlanReason, Policy
from tidegate.core.reading import BatteryStatus, ExternalPower, Supply

SLOPE_DAYS: Final = 14
ABOVE_FLOOR_PERCENT: Final = 5.0  # the least distance of a plan's low mark


@dataclass(frozen=True, kw_only=True)
class Seen:
    """The last trusted reading, as far as decisions need it."""

    at_ms: int
    soc_percent: float
    status: BatteryStatus
    power: ExternalPower
    voltage_v: float | None
    current_a: float | None
    temperature_c: float | None
    charge_ah: float | None


@dataclass(frozen=True, kw_only=True)
class Mark:
    """A value that waits for a second reading to confirm it."""

    value: float
    at_ms: int


@dataclass(frozen=True, kw_only=True)
class Lesson:
    """What the last coast taught, until a second reading agrees; ``slopes`` before."""

    slopes: tuple[tuple[int, float], ...]
    from_percent: float
    span_ms: int


@dataclass(frozen=True, kw_only=True)
class Quiet:
    """What equal readings change without changing any decision.

    ``slope_points``: time and SoC at each change since the off. ``same_reads``
    readings since ``same_since_ms`` were identical in every quantity.
    ``sure_percent`` is the level; the one before, if it leapt up and may be nonsense.
    ``answered_lived_ms``: when the gauge gave its last reading, trusted or not.
    """

    now_ms: int = 0
    lived_ms: int = 0
    answered_lived_ms: int = 0
    seen: Seen | None = None
    sure_percent: float | None = None
    temperature_at_ms: int = 0
    soc_moved_at_ms: int = 0
    same_reads: int = 0
    same_since_ms: int = 0
    slope_points: tuple[tuple[int, float], ...] = ()


@dataclass(frozen=True, kw_only=True)
class Watch:
    """What the readings amount to. Counters stop where no rule counts further."""

    stale_from_ms: int = 0
    bad_reads: int = 0
    rejected_reads: int = 0
    good_reads: int = 0
    good_since_ms: int = 0
    absent_reads: int = 0
    absent_since_ms: int = 0
    present_since_ms: int | None = None
    jump: Mark | None = None
    set_aside_at_ms: int | None = None
    jumps_ms: tuple[int, ...] = ()
    hot: Mark | None = None
    critical: Mark | None = None
    cooled: Mark | None = None
    warmed: Mark | None = None
    no_jump_before_ms: int = 0
    voltage_varied: bool = False
    frozen_since_ms: int | None = None
    frozen_whole: bool = False
    temperature_same_since_ms: int | None = None
    temperature_frozen: bool = False
    lost_off_at_ms: int | None = None
    power_seen: bool = False
    pack: str | None = None
    health: str | None = None
    slope_days: tuple[tuple[int, float], ...] = ()
    lesson: Lesson | None = None
    above_since_lived_ms: int | None = None


@dataclass(frozen=True, kw_only=True)
class Latches:
    """The rules of the table that stay once they have come."""

    no_battery: bool = False
    critical: bool = False
    coast_since_ms: int | None = None
    coast_box_ms: int = 0
    coast_over_until_ms: int | None = None
    gauge: Reason | None = None
    floor: bool = False
    lockout: Reason | None = None
    lockout_lived_ms: int = 0
    relay: Reason | None = None
    hot_since_ms: int | None = None
    cold_since_ms: int | None = None
    temperature_absent: bool = False


@dataclass(frozen=True, kw_only=True)
class Pending:
    """A switching whose effect is not yet seen, with the facts before it.

    ``done_at_ms`` is ``None`` until the relay has carried it out. ``tries`` offs
    went before this one without effect. ``judged``: the verdict fell already as
    unconfirmed, and a later proof still counts.
    """

    supply: Supply
    kind: Kind
    told_at_ms: int
    done_at_ms: int | None = None
    power_before: ExternalPower = ExternalPower.UNKNOWN
    status_before: BatteryStatus = BatteryStatus.UNKNOWN
    soc_before_percent: float | None = None
    changed: bool = True
    spent: bool = False
    tries: int = 0
    alone: bool = True
    judged: bool = False


@dataclass(frozen=True, kw_only=True)
class Drive:
    """What was commanded, and what came of it.

    ``overtaken``: a command whose outcome was still to come as another was given.
    """

    started_at_ms: int = 0
    started_relay: Supply | None = None
    kept_fresh: bool = False
    stopped: bool = False
    commanded: Supply | None = None
    commanded_at_ms: int = 0
    before_at_ms: int = 0
    on_at_ms: int = 0
    off_by: Reason | None = None
    off_done_at_ms: int | None = None
    resend_offs: int = 0
    resend_on: bool = False
    swapped: bool = False
    pending: Pending | None = None
    overtaken: Pending | None = None
    neighbour_at_ms: int | None = None
    off_proven: bool = False
    ever_proven: bool = False
    unprovable: bool = False
    wrong_ways: int = 0
    failed_offs: int = 0
    retry_off_at_ms: int | None = None
    absent_since_ms: int | None = None
    absent_ons: int = 0
    absent_trials: int = 0
    absent_trial_at_lived_ms: int | None = None
    probe_until_ms: int | None = None
    repeat_at_ms: int | None = None
    repeat_wait_ms: int = 0
    on_failed: bool = False
    outside_change: bool = False
    outside_said: Supply | None = None
    outside_offs_lived_ms: tuple[int, ...] = ()
    trial_at_lived_ms: int | None = None
    trial_wait_ms: int = 0
    trial: bool = False
    only_source_losses: int = 0
    relay_lost_after_off: bool = False
    relay_lost: bool = False
    fed_check: bool = False
    fed_losses: int = 0
    last_off_lived_ms: int | None = None
    spent_lived_ms: tuple[int, ...] = ()
    operations: int = 0


@dataclass(frozen=True, kw_only=True)
class Override:
    """An operator's order with its end."""

    supply: Supply
    until_ms: int
    because: str
    by: str


@dataclass(frozen=True, kw_only=True)
class State:
    """One station, whole. ``plan`` are other marks than those of the settings.

    ``plan_why``, since when, and the moment that a rise is for; the last relearn that
    came to an end, the last that was broken off, and how many were since the last end:
    what the planner of the marks remembers. No rule looks at it: it is no evidence.
    """

    policy: Policy
    quiet: Quiet = field(default_factory=Quiet)
    watch: Watch = field(default_factory=Watch)
    latches: Latches = field(default_factory=Latches)
    drive: Drive = field(default_factory=Drive)
    override: Override | None = None
    override_ended: bool = False
    plan_low_percent: float | None = None
    plan_high_percent: float | None = None
    plan_why: PlanReason | None = None
    plan_since_lived_ms: int | None = None
    plan_moment_wall_ms: int | None = None
    relearned_lived_ms: int | None = None
    relearn_broken_lived_ms: int | None = None
    relearn_tries: int | None = None
    log_lost: bool = False
    reason: Reason = Reason.START
    reason_since_ms: int = 0
    budget_refused: bool = False
    alarms: frozenset[Alarm] = frozenset()

    @property
    def low_percent(self) -> float:
        """The low mark in force."""
        assert self.policy.marks is not None
        if self.plan_low_percent is not None:
            # At or under the floor a low mark would end rule 5 as soon as it enters.
            least_percent = self.policy.floor_percent + ABOVE_FLOOR_PERCENT
            return max(self.plan_low_percent, least_percent)
        return self.policy.marks.low_percent

    @property
    def high_percent(self) -> float:
        """The high mark in force."""
        assert self.policy.marks is not None
        if self.plan_high_percent is not None:
            return self.plan_high_percent
        return self.policy.marks.high_percent

    @property
    def soc_percent(self) -> float | None:
        """The state of charge of the last trusted reading."""
        return self.quiet.seen.soc_percent if self.quiet.seen else None

    @property
    def coasting(self) -> bool:
        """Whether the supply is off and the gauge is blind because of that."""
        return self.latches.coast_since_ms is not None

    @property
    def supply_is_absent(self) -> bool:
        """Whether on is commanded and no power has come for ``settle``."""
        since_ms = self.drive.absent_since_ms
        return (
            since_ms is not None
            and self.quiet.now_ms - since_ms >= self.policy.settle_ms
        )


def fresh(policy: Policy) -> State:
    """Return the state of a station that the daemon never saw before."""
    return State(policy=policy)


def evidence(state: State) -> tuple[object, ...]:
    """Return the part of the state that replay must reproduce at each decision."""
    return (
        state.policy,
        state.watch,
        state.latches,
        state.drive,
        state.override,
        state.override_ended,
        state.plan_low_percent,
        state.plan_high_percent,
        state.log_lost,
        state.reason,
        state.reason_since_ms,
        state.budget_refused,
        state.alarms,
    )


def learned_slope(state: State, *, least: float) -> float:
    """Return the steepest loss in %/h of the last 14 days lived, or ``least``."""
    return max([least, *_recent_slopes(state)])


def days_learned(state: State) -> int:
    """Return on how many of the last 14 days lived a loss was seen."""
    return len(_recent_slopes(state))


def _recent_slopes(state: State) -> list[float]:
    after = state.quiet.lived_ms // DAY_MS - SLOPE_DAYS
    return [rate for day, rate in state.watch.slope_days if day > after]
