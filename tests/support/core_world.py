"""A plain, fast world around ``step``: battery, charger, contact, mains, gauge.

Physics is straight lines: the level falls at ``load`` while nothing feeds the device,
rises at ``net_charge`` while the charger works, stands still while the charger
refuses. Everything that can go wrong is a function of the hour. The world obeys the
effects as the shell will: one relay call at a time, reads when asked, a wake-up when
asked. All numbers are invented; no device was measured for them.

``core_promises`` watches what comes out; the world itself judges nothing.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Final

from tidegate.core.controller import step
from tidegate.core.effects import (
    Effect,
    RaiseAlarm,
    ReadSoon,
    SwitchSupply,
    WakeAt,
)
from tidegate.core.events import (
    Event,
    GaugeFailed,
    ReadingArrived,
    RelayReported,
    RelaySaid,
    Resumed,
    Started,
    SwitchingFailed,
    SwitchingSucceeded,
    TimePassed,
)
from tidegate.core.plausibility import judge
from tidegate.core.policy import HOUR_MS, Marks, Policy, Proof
from tidegate.core.reading import BatteryStatus, ExternalPower, Sample, Supply
from tidegate.core.state import State, fresh

START_MS: Final = 1_000_000
WALL_MS: Final = 1_760_000_000_000
BOOT_S: Final = 60
FED_SLEEPS_MS: Final = 1_000
FED_WAKES_MS: Final = 5_000


def policy(**more: object) -> Policy:
    """A remote station with the default window, for tests to change."""
    known: dict[str, object] = {
        "marks": Marks(low_percent=55.0, high_percent=65.0),
        "host_is_device": False,
    }
    return Policy(**{**known, **more})  # type: ignore[arg-type]


def _always(_: float) -> bool:
    return True


def _never(_: float) -> bool:
    return False


def _room(_: float) -> float:
    return 25.0


@dataclass(kw_only=True)
class Site:
    """What stands there, and what goes wrong at which hour.

    ``gauge`` may change a sample or return ``None`` for a read that failed.
    ``relay`` answers ``ok``, ``fail`` (nothing moved, the call failed), ``lies``
    (nothing moved, the call succeeded) or ``moves`` (it moved, the call failed).
    ``hand`` are hours at which somebody puts the contact open or closed.
    """

    soc_percent: float = 60.0
    load: float = 12.0
    net_charge: float = 20.0
    dies_at_percent: float = 0.0
    mains: Callable[[float], bool] = _always
    charger_refuses: Callable[[float], bool] = _never
    temperature_c: Callable[[float], float] = _room
    gauge: Callable[[float, Sample], Sample | None] | None = None
    resolution_percent: float = 1.0
    phase_ms: int = 0
    relay: Callable[[float, Supply], str] | None = None
    relay_takes_ms: int = 120
    reversed_wiring: bool = False
    normally_closed: bool = True
    fed_by_supply: bool = False
    hand: tuple[tuple[float, bool], ...] = ()
    suspends: tuple[tuple[float, float], ...] = ()
    wall_steps: tuple[tuple[float, int], ...] = ()


@dataclass(kw_only=True)
class Step:
    """One call of ``step``, with the truth beside it."""

    at_ms: int
    run: int
    event: Event
    effects: tuple[Effect, ...]
    soc_percent: float
    powered: bool
    closed: bool
    hour: float
    state: State = field(repr=False)


class World:
    """A station in a site. ``hour`` and ``true_ms`` never stop; boots restart now."""

    def __init__(self, site: Site, rules: Policy) -> None:
        self.site = site
        self.state = fresh(rules)
        self.true_ms = 0
        self.boot_ms = -START_MS
        self.run_number = 0
        self.soc_percent = site.soc_percent
        self.closed = True
        self.dead_since_ms: int | None = None
        self.up_since_ms = -HOUR_MS * 1000
        self.deaths: list[float] = []
        self.steps: list[Step] = []
        self.operations = 0
        self.relay_awake = True
        self._relay_turns_ms: int | None = None
        self._poll_ms = 0
        self._soon_ms: int | None = None
        self._wake_ms: int | None = None
        self._calls: deque[SwitchSupply] = deque()
        self._call_ends_ms: int | None = None
        self._hands = deque(sorted(site.hand))
        self._suspends = deque(sorted(site.suspends))
        self._orders: list[tuple[int, Event]] = []
        self.start()

    # --- the clock ------------------------------------------------------------------

    @property
    def hour(self) -> float:
        """Hours since the world began."""
        return self.true_ms / HOUR_MS

    @property
    def now_ms(self) -> int:
        """The boot clock of the daemon's host."""
        return self.true_ms - self.boot_ms

    @property
    def wall_ms(self) -> int:
        """What the wall clock says, steps included."""
        steps = sum(by for at, by in self.site.wall_steps if self.hour >= at)
        return WALL_MS + self.true_ms + steps

    def at(self, hour: float, event: Event) -> None:
        """Send an event of people at this hour."""
        self._orders.append((round(hour * HOUR_MS), event))
        self._orders.sort(key=lambda order: order[0])

    def run(self, hours: float) -> World:
        """Let so many hours pass."""
        end_ms = self.true_ms + round(hours * HOUR_MS)
        while (next_ms := self._next_ms()) <= end_ms:
            self._advance(next_ms)
            self._happen()
        self._advance(end_ms)
        return self

    def _next_ms(self) -> int:
        times = [self._poll_ms]
        times += [t for t in (self._soon_ms, self._wake_ms) if t is not None]
        if self._call_ends_ms is not None:
            times.append(self._call_ends_ms)
        if self._relay_turns_ms is not None:
            times.append(self._relay_turns_ms)
        if self._hands:
            times.append(round(self._hands[0][0] * HOUR_MS))
        if self._orders:
            times.append(self._orders[0][0])
        if self._suspends:
            times.append(round(self._suspends[0][0] * HOUR_MS))
        return max(self.true_ms, min(times))

    def _happen(self) -> None:
        """Do everything that is due, in a fixed order."""
        now_ms = self.true_ms
        if self._hands and now_ms >= round(self._hands[0][0] * HOUR_MS):
            self.closed = self._hands.popleft()[1]
        if self._suspends and now_ms >= round(self._suspends[0][0] * HOUR_MS):
            self._suspend(self._suspends.popleft()[1])
            return
        self._power_of_host()
        if self._call_ends_ms is not None and now_ms >= self._call_ends_ms:
            self._end_call()
        if self.site.fed_by_supply:
            self._feed_relay()
        if self._orders and now_ms >= self._orders[0][0]:
            self.send(self._orders.pop(0)[1])
        if self._wake_ms is not None and now_ms >= self._wake_ms:
            self._wake_ms = None
            self.send(TimePassed())
        soon = self._soon_ms is not None and now_ms >= self._soon_ms
        if soon or now_ms >= self._poll_ms:
            if now_ms >= self._poll_ms:
                self._poll_ms += self.state.policy.poll_ms
            if soon:
                self._soon_ms = None
            self._report_relay()
            self._read()

    def _suspend(self, hours: float) -> None:
        self._advance(self.true_ms + round(hours * HOUR_MS))
        poll_ms = self.state.policy.poll_ms
        self._poll_ms = self.true_ms + poll_ms
        self.send(Resumed())

    # --- physics --------------------------------------------------------------------

    @property
    def powered(self) -> bool:
        """Whether the supply reaches the device."""
        return self.closed and self.site.mains(self.hour)

    @property
    def charging(self) -> bool:
        """Whether the charger puts charge into the cell."""
        inhibited = self.state.policy.proof is Proof.CHARGING and not self.closed
        fed = self.site.mains(self.hour) if inhibited else self.powered
        return (
            fed
            and not inhibited
            and not self.site.charger_refuses(self.hour)
            and self.soc_percent < 100.0
        )

    @property
    def fed(self) -> bool:
        """Whether the device runs from the supply (a kernel relay never cuts it)."""
        if self.state.policy.proof is Proof.CHARGING:
            return self.site.mains(self.hour)
        return self.powered

    @property
    def alive(self) -> bool:
        """Whether the device runs."""
        return self.dead_since_ms is None

    def _advance(self, to_ms: int) -> None:
        hours = (to_ms - self.true_ms) / HOUR_MS
        if hours > 0:
            if self.charging:
                self.soc_percent = min(100.0, self.soc_percent + self._rate() * hours)
            elif not self.fed and self.alive:
                self.soc_percent = max(0.0, self.soc_percent - self.site.load * hours)
        self.true_ms = max(self.true_ms, to_ms)
        flat = self.soc_percent <= self.site.dies_at_percent
        if self.alive and flat and not self.fed:
            self._die()

    def _rate(self) -> float:
        return self.site.net_charge if self.alive else 1.5 * self.site.net_charge

    def _die(self) -> None:
        self.dead_since_ms = self.true_ms
        self.deaths.append(self.hour)
        if self.state.policy.host_is_device:
            self._calls.clear()
            self._call_ends_ms = self._wake_ms = self._soon_ms = None
            if self.site.normally_closed:
                self.closed = True

    def _power_of_host(self) -> None:
        """A dead device boots once power has been back for a minute."""
        if self.alive:
            return
        if not self.fed:
            self.dead_since_ms = self.true_ms
            return
        assert self.dead_since_ms is not None
        if self.true_ms - self.dead_since_ms < BOOT_S * 1_000:
            return
        self.dead_since_ms = None
        self.up_since_ms = self.true_ms
        if self.state.policy.host_is_device:
            self.boot_ms = self.true_ms - START_MS
            self.start(same_boot=False, was_closed=False)

    # --- the daemon -------------------------------------------------------------------

    def start(self, *, same_boot: bool = True, was_closed: bool = True) -> None:
        """Begin a run of the daemon."""
        self.run_number += 1
        self._calls.clear()
        self._call_ends_ms = self._soon_ms = self._wake_ms = None
        self._poll_ms = self.true_ms + 1_000 + self.site.phase_ms
        relay = None
        if self.state.policy.can_read_back:
            relay = Supply.ON if self._drive_is_on() else Supply.OFF
        self.send(Started(same_boot=same_boot, was_closed=was_closed, relay=relay))

    def send(self, event: Event) -> tuple[Effect, ...]:
        """Let the core take an event, record it and obey."""
        if not self.alive and self.state.policy.host_is_device:
            return ()
        self.state, effects = step(self.state, event, self.now_ms)
        self.steps.append(
            Step(
                at_ms=self.now_ms,
                run=self.run_number,
                event=event,
                effects=effects,
                soc_percent=self.soc_percent,
                powered=self.fed,
                closed=self.closed,
                hour=self.hour,
                state=self.state,
            )
        )
        self._wake_ms = None
        for effect in effects:
            match effect:
                case SwitchSupply():
                    self._calls.append(effect)
                case ReadSoon():
                    at_ms = effect.at_ms + self.boot_ms
                    self._soon_ms = min(at_ms, self._soon_ms or at_ms)
                case WakeAt():
                    self._wake_ms = effect.at_ms + self.boot_ms
        self._begin_call()
        return effects

    # --- relay ------------------------------------------------------------------------

    def _begin_call(self) -> None:
        if self._calls and self._call_ends_ms is None:
            self._call_ends_ms = self.true_ms + self.site.relay_takes_ms

    def _end_call(self) -> None:
        call = self._calls.popleft()
        self._call_ends_ms = None
        does = self.site.relay(self.hour, call.supply) if self.site.relay else "ok"
        if not self.relay_awake:
            does = "fail"
        if does in ("ok", "moves"):
            self._move((call.supply is Supply.ON) != call.swapped)
        if does in ("ok", "lies"):
            self.send(SwitchingSucceeded(supply=call.supply))
        else:
            self.send(SwitchingFailed(supply=call.supply, kind="unavailable"))
        self._begin_call()

    def _move(self, driven: bool) -> None:
        closed = driven != self.site.reversed_wiring
        self.operations += closed is not self.closed
        self.closed = closed

    def _drive_is_on(self) -> bool:
        return (self.closed != self.site.reversed_wiring) != self.state.drive.swapped

    def _report_relay(self) -> None:
        if self.relay_awake and self.state.policy.can_read_back:
            said = RelaySaid.ON if self._drive_is_on() else RelaySaid.OFF
            self.send(RelayReported(said=said))

    def _feed_relay(self) -> None:
        """A relay that hangs on the supply it switches: off puts it to sleep."""
        if self.relay_awake is self.powered:
            self._relay_turns_ms = None
            return
        if self._relay_turns_ms is None:
            wait_ms = FED_SLEEPS_MS if self.relay_awake else FED_WAKES_MS
            self._relay_turns_ms = self.true_ms + wait_ms
        if self.true_ms < self._relay_turns_ms:
            return
        self._relay_turns_ms = None
        self.relay_awake = not self.relay_awake
        if not self.relay_awake and self.site.normally_closed:
            self.closed = True
        said = RelaySaid.ON if self.relay_awake else RelaySaid.UNKNOWN
        self.send(RelayReported(said=said))

    # --- gauge ------------------------------------------------------------------------

    def _read(self) -> None:
        rules = self.state.policy
        blind = rules.gauge_needs_supply and not self.fed
        sample: Sample | None = None
        if self.alive and not blind:
            sample = self._sample()
            if self.site.gauge is not None:
                sample = self.site.gauge(self.hour, sample)
        if sample is None:
            self.send(GaugeFailed(kind="unavailable"))
            return
        reading = judge(sample, at_ms=self.now_ms, wall_ms=self.wall_ms)
        self.send(ReadingArrived(reading=reading))

    def _sample(self) -> Sample:
        if self.charging:
            status = BatteryStatus.CHARGING
        elif self.fed:
            full = self.soc_percent >= 99.5
            status = BatteryStatus.FULL if full else BatteryStatus.NOT_CHARGING
        else:
            status = BatteryStatus.DISCHARGING
        unit = self.site.resolution_percent
        wave_c = 0.1 * math.sin(self.hour * 7)
        return Sample(
            soc_percent=round(self.soc_percent / unit) * unit,
            battery_status=status,
            external_power=ExternalPower.YES if self.fed else ExternalPower.NO,
            voltage_v=round(3.5 + self.soc_percent / 150, 3),
            temperature_c=round(self.site.temperature_c(self.hour) + wave_c, 3),
            uptime_s=(self.true_ms - self.up_since_ms) // 1_000,
        )

    # --- what tests ask -----------------------------------------------------------------

    def commands(self, *reasons: str) -> list[tuple[float, SwitchSupply]]:
        """Every command, with its hour; only those for the reasons, if any are given."""
        return [
            (one.hour, effect)
            for one in self.steps
            for effect in one.effects
            if isinstance(effect, SwitchSupply)
            and (not reasons or effect.reason.value in reasons)
        ]

    def raised(self) -> list[str]:
        """The alarms raised, in order."""
        return [
            effect.alarm.value
            for one in self.steps
            for effect in one.effects
            if isinstance(effect, RaiseAlarm)
        ]

    def between(self, start_hour: float, end_hour: float) -> list[Step]:
        """The steps of these hours."""
        return [one for one in self.steps if start_hour <= one.hour < end_hour]

    def levels(self, start_hour: float, end_hour: float) -> list[float]:
        """The true level at each step of these hours."""
        return [one.soc_percent for one in self.between(start_hour, end_hour)]


def cut(sample: Sample, **more: object) -> Sample:
    """Return the sample with these quantities instead."""
    return replace(sample, **more)  # type: ignore[arg-type]
