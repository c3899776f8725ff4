"""A month of one station in virtual time, for plans: controller and planner are the real
ones, without log and I/O; battery, charger, load and weather are a few lines of ours.

The battery is a straight line: so many points an hour down with the supply off, so many
up with it on, less and less above a knee. All numbers are invented.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from random import Random
from typing import Any, Final

from tidegate.core.controller import step
from tidegate.core.effects import ReadSoon, SwitchSupply
from tidegate.core.events import (
    Event,
    GaugeFailed,
    PlanChanged,
    ReadingArrived,
    Started,
    Stopping,
    SwitchingSucceeded,
)
from tidegate.core.policy import PlanReason, Policy
from tidegate.core.reading import BatteryStatus, ExternalPower, Reading, Sample, Supply
from tidegate.core.state import fresh
from tidegate.core.watch import was_jump
from tidegate.plans.past import may_charge
from tidegate.plans.planner import decide
from tidegate.plans.rates import Rates, Seen
from tidegate.settings import from_tables

BEGIN_MS: Final = round(datetime(2026, 12, 7, 6, tzinfo=UTC).timestamp() * 1000)
BOOT_MS: Final = 600_000
HOUR_MS: Final = 3_600_000
POLL_MS: Final = 120_000


@dataclass(frozen=True, slots=True)
class Record:
    """What is true at one poll: nothing of it comes from the planner but its marks."""

    wall_ms: int
    soc_percent: float
    why: PlanReason | None
    marks: tuple[float, float]


@dataclass
class PlansWorld:
    """``load`` and ``charge`` give points an hour, of wall time (and level)."""

    table: dict[str, Any]
    load: Callable[[int], float]
    charge: Callable[[int, float], float]
    temperature: Callable[[int], float]
    has_mains: Callable[[int], bool]
    needs_supply: bool = False
    noise_percent: float = 0.0
    seed: int = 0
    soc_percent: float = 60.0
    records: list[Record] = field(default_factory=list)
    plans: list[tuple[int, PlanChanged]] = field(default_factory=list)
    switchings_ms: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        station = {"gauge": {"kind": "twin"}, "relay": {"kind": "twin"}, **self.table}
        self.settings = from_tables({"station": {"hall": station}}).stations["hall"]
        assert self.settings.window is not None
        self.state = fresh(
            Policy(
                marks=self.settings.window.marks,
                poll_ms=POLL_MS,
                gauge_needs_supply=self.needs_supply,
                host_is_device=not self.needs_supply,
            )
        )
        self.boot_ms, self.wall_ms = BOOT_MS, BEGIN_MS
        self.is_on, self.soon_ms = True, 0
        self.rates, self._random = Rates(), Random(self.seed)
        self.feed(Started(same_boot=False, was_closed=True, relay=None))

    def feed(self, event: Event) -> None:
        """Take one step of control; the relay obeys at once."""
        self.state, effects = step(self.state, event, self.boot_ms)
        for effect in effects:
            if isinstance(effect, ReadSoon):
                self.soon_ms = effect.at_ms
            elif isinstance(effect, SwitchSupply):
                is_on = effect.supply is Supply.ON
                if is_on != self.is_on:
                    self.switchings_ms.append(self.wall_ms)
                self.is_on = is_on
                self.feed(SwitchingSucceeded(supply=effect.supply))

    def reboot(self) -> None:
        """Stop in good order and start in another boot; the rates are forgotten."""
        self.feed(Stopping())
        self.boot_ms, self.rates = BOOT_MS, Rates()
        self.feed(Started(same_boot=False, was_closed=True, relay=None))

    def live(self, hours: float) -> None:
        """Let time pass."""
        end_ms = self.boot_ms + round(hours * HOUR_MS)
        while self.boot_ms < end_ms:
            self._read_after(POLL_MS)
            if self.soon_ms:
                after_ms, self.soon_ms = max(5_000, self.soon_ms - self.boot_ms), 0
                self._read_after(after_ms)
            marks = self.state.low_percent, self.state.high_percent
            self.records.append(
                Record(self.wall_ms, self.soc_percent, self.state.plan_why, marks)
            )

    def at(self, wall_ms: int) -> Record:
        """Return what was true at a time."""
        after = bisect_right(self.records, wall_ms, key=lambda each: each.wall_ms)
        return self.records[max(0, after - 1)]

    def between(self, from_ms: float, until_ms: float) -> list[Record]:
        """Return what was true in between, both ends included."""
        return [each for each in self.records if from_ms <= each.wall_ms <= until_ms]

    @property
    def is_powered(self) -> bool:
        return self.is_on and self.has_mains(self.wall_ms)

    def _read_after(self, ms: int) -> None:
        hours, level = ms / HOUR_MS, self.soc_percent
        if self.is_powered:
            level += self.charge(self.wall_ms, level) * hours
        else:
            level -= self.load(self.wall_ms) * hours
        self.soc_percent = min(100.0, max(0.0, level))
        self.boot_ms += ms
        self.wall_ms += ms
        if self.needs_supply and not self.is_powered:
            self.feed(GaugeFailed(kind="unavailable"))
        else:
            self._read()
        self._plan()

    def _read(self) -> None:
        told = self.soc_percent + self._random.gauss(0.0, self.noise_percent)
        told = float(min(100, max(0, round(told))))
        powered = self.is_powered
        reading = Reading(
            sample=Sample(
                soc_percent=told,
                temperature_c=self.temperature(self.wall_ms),
                battery_status=BatteryStatus.CHARGING
                if powered
                else BatteryStatus.DISCHARGING,
                external_power=ExternalPower.YES if powered else ExternalPower.NO,
                present=True,
                voltage_v=3.5 + told / 100 + self._random.random() / 1000,
            ),
            at_ms=self.boot_ms,
            wall_ms=self.wall_ms,
            why_not=None,
        )
        self.feed(ReadingArrived(reading=reading))
        if was_jump(self.state, reading):
            return
        sample = reading.sample
        self.rates.take(
            Seen(
                at_ms=self.boot_ms,
                wall_ms=self.wall_ms,
                soc_percent=told,
                is_charging=may_charge(sample.battery_status, sample.external_power),
            )
        )

    def _plan(self) -> None:
        change = decide(
            self.settings, self.state, self.rates, self.wall_ms, zone=UTC
        ).change
        if change is not None:
            self.plans.append((self.wall_ms, change))
            self.feed(change)
