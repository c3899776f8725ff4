"""Installations drawn from a seed, good and bad, each with a commissioning run over it.

What is true of one is known from how it was drawn: the verdict is held against that.
The twin, its faults and all numbers are invented.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from random import Random
from typing import Any, Final

from support.prove_rig import (
    NO,
    START_MS,
    UNKNOWN,
    YES,
    FakeBetweenGauge,
    FakeBetweenRelay,
    ProveRig,
)
from tidegate.contract import GaugeFacts, energised
from tidegate.core.policy import MS
from tidegate.core.reading import BatteryStatus, Sample, Supply
from tidegate.errors import Unavailable
from tidegate.prove import Result
from tidegate.prove.offs import LATE_LIMIT_MS, LATE_SETTLES

NC, NO_CONTACT, LATCH = "normally-closed", "normally-open", "latching"
BY_CHANCE: Final = "now and then"
_MARGIN_S: Final = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """One installation. ``fault`` is the relay's, ``timer`` what is true of the one that
    it declares. ``power``: how the gauge tells of it; ``dark``: when the mains are out.
    """

    seed: int
    contact: str
    wired: str
    fault: str
    fails: float
    after_s: float
    takes_s: float
    acts_s: float
    settle_s: int
    lag_s: float
    power: str
    fickle_s: float | None
    is_full: bool
    is_blind: bool
    missed: float
    timer: str
    timer_s: float
    rounds: int
    soc_percent: float
    mains: str
    dark: Callable[[float], bool]

    @property
    def is_unfit(self) -> bool:
        """Whether nobody may rely on it."""
        is_reversed = self.wired != self.contact
        return is_reversed or self.fault != "none" or self.timer in ("absent", "late")

    @property
    def may_pass_by_chance(self) -> bool:
        """Whether the supply may happen to follow in each round, by itself."""
        return self.fault == BY_CHANCE or self.mains == "flapping"

    @property
    def is_fit(self) -> bool:
        """Whether it works, and its gauge can show that within ``settle``."""
        shown_s = self.lag_s + self.acts_s + _MARGIN_S
        tells = self.power == "told" or self.fickle_s is None
        return (
            not self.is_unfit
            and shown_s <= self.settle_s
            and tells
            and self.mains == "steady"
            and self.soc_percent >= 36
            and self.missed < 0.1
        )

    @property
    def must_end_fed(self) -> bool:
        """Whether the right command brings the supply, and a gauge shows which it is."""
        return (
            self.fault == "none"
            and self.mains == "steady"
            and not self.is_blind
            and self.power == "told"
            and self.lag_s <= min(LATE_SETTLES * self.settle_s, LATE_LIMIT_MS / MS)
        )


def drawn(seed: int) -> World:
    """Return the installation of a seed."""
    random = Random(seed)
    pick, between = random.choice, random.uniform

    def weighed(**weights: int) -> str:
        return random.choices(list(weights), list(weights.values()))[0]

    contact = pick([NC, NC, NO_CONTACT, LATCH])
    is_other = random.random() < 0.12 and contact != LATCH
    mains = weighed(steady=72, outage=8, blip=8, flapping=8, late=4)
    fault = weighed(none=58, idle=12, often=10, third=4, lets_go=8, returns=8)
    lag = weighed(none=55, little=20, much=15, minutes=10)
    lag_s = {"none": (0, 0), "little": (0.5, 5), "much": (5, 25), "minutes": (60, 300)}
    return World(
        seed=seed,
        contact=contact,
        wired={NC: NO_CONTACT, NO_CONTACT: NC}[contact] if is_other else contact,
        fault=BY_CHANCE if fault == "often" else fault,
        fails=pick([0.1, 0.34, 0.5, 0.7]),
        after_s=between(0.2, 8.5),
        takes_s=pick([0, 0, 0, 0.3, 1.5]),
        acts_s=pick([0, 0, 0, 0.5, 3]),
        settle_s=pick([10, 10, 30, 60]),
        lag_s=between(*lag_s[lag]),
        power=weighed(told=70, unknown=15, always=15),
        fickle_s=between(8, 50) if random.random() < 0.12 else None,
        is_full=random.random() < 0.25,
        is_blind=random.random() < 0.15,
        missed=pick([0, 0, 0, 0, 0, 0, 0.03, 0.1]),
        timer=weighed(none=75, right=10, absent=6, late=4, early=5),
        timer_s=pick([70.0, 90.0, 130.0]),
        rounds=pick([1, 1, 2, 3, 3, 3, 3, 3, 3, 5]),
        soc_percent=between(36, 97) if random.random() < 0.92 else between(3, 34),
        mains=mains,
        dark=_dark(mains, random),
    )


def _dark(mains: str, random: Random) -> Callable[[float], bool]:
    from_s, for_s = random.uniform(0, 150), random.uniform(20, 600)
    period_s, share = random.uniform(4, 160), random.uniform(0.2, 0.8)
    match mains:
        case "outage":
            return lambda t: from_s <= t < from_s + for_s
        case "blip":
            return lambda t: from_s <= t < from_s + for_s / 100
        case "flapping":
            return lambda t: t % period_s > period_s * share
        case "late":
            return lambda t: t < from_s
        case _:
            return lambda t: False


class FakeDrawnRelay(FakeBetweenRelay):
    """Does with the contact what the world says."""

    def __init__(self, inner: Any, rig: ProveRig, world: World) -> None:
        facts = {} if world.timer == "none" else {"dead_man_s": world.timer_s}
        super().__init__(inner, rig, **facts)
        self._world, self._random = world, Random(world.seed)
        self._count = 0

    async def open(self) -> None:
        await super().open()
        if not self._count:
            self._count = 1
            self._move(closed=True)  # as a daemon before the run left it

    async def set(self, supply: Supply) -> None:
        world, loop = self._world, asyncio.get_running_loop()
        self._count += 1
        await asyncio.sleep(world.takes_s)
        if self._fails():
            return
        driven = energised(supply, world.contact)  # type: ignore[arg-type]
        loop.call_later(world.acts_s, self._drive, driven)
        after_s = world.acts_s + world.after_s
        if world.fault == "lets_go" and supply is Supply.ON and self._count > 2:
            loop.call_later(after_s, lambda: self._move(closed=False))
        if world.fault == "returns" and supply is Supply.OFF:
            loop.call_later(after_s, lambda: self._move(closed=True))

    def _fails(self) -> bool:
        world = self._world
        return (
            world.fault == "idle"
            or (world.fault == BY_CHANCE and self._random.random() < world.fails)
            or (world.fault == "third" and self._count % 3 == 0)
        )

    def _move(self, *, closed: bool) -> None:
        self._drive(closed != (self.rig.device.contact.wiring == NC))

    def _drive(self, driven: bool) -> None:
        device = self.rig.device
        device.contact.drive(driven, self.rig.clock.boot_ms())
        device.contact_moved()


class FakeDrawnGauge(FakeBetweenGauge):
    """Shows what the world lets it, as it was ``lag_s`` ago."""

    def __init__(self, inner: Any, rig: ProveRig, world: World) -> None:
        super().__init__(inner)
        self._rig, self._world, self._random = rig, world, Random(world.seed + 1)
        self._moves: list[tuple[int, bool]] = []

    @property
    def facts(self) -> GaugeFacts:
        return replace(super().facts, needs_supply=self._world.is_blind)

    async def read(self) -> Sample:
        world, device = self._world, self._rig.device
        if self._random.random() < world.missed:
            raise Unavailable("missed", target="fake", remedy="None.")
        sample = await super().read()
        if not self._moves:
            self._moves.append((0, device.external_power))
            device.observe(
                lambda truth: self._moves.append((truth.at_ms, truth.external_power))
            )
        at_ms = self._rig.clock.boot_ms() - world.lag_s * 1_000
        at_s = (at_ms - START_MS) / 1_000
        was = [fed for moved_ms, fed in self._moves if moved_ms <= at_ms][-1]
        fed = was and not world.dark(at_s)
        if world.is_blind and not fed:
            raise Unavailable("has no supply", target="fake", remedy="None.")
        return self._told(sample, at_s, fed=fed)

    def _told(self, sample: Sample, at_s: float, *, fed: bool) -> Sample:
        world = self._world
        told = {"told": YES if fed else NO, "unknown": UNKNOWN, "always": YES}
        status = BatteryStatus.FULL if world.is_full else BatteryStatus.CHARGING
        fickle_s = world.fickle_s
        drains = fickle_s is not None and at_s % fickle_s > 0.6 * fickle_s
        if not fed or drains:
            status = BatteryStatus.DISCHARGING
        return replace(
            sample,
            external_power=told[world.power],
            battery_status=status,
            temperature_c=25.0,
        )


def proven(world: World, folder: Path) -> tuple[Result, ProveRig]:
    """Let the commissioning run come over an installation, and a moment pass."""
    timer_s = {
        "right": world.timer_s,
        "late": 3 * world.timer_s,
        "early": world.timer_s / 2,
    }.get(world.timer)
    relay: dict[str, Any] = {"contact": world.contact, "wired": world.wired}
    rig = ProveRig(
        folder,
        gauge={"soc_percent": world.soc_percent},
        relay=relay if timer_s is None else {**relay, "dead_man_s": timer_s},
        station={"settle": f"{world.settle_s}s"},
        rounds=world.rounds,
        between_gauge=lambda gauge, rig: FakeDrawnGauge(gauge, rig, world),
        between_relay=lambda relay, rig: FakeDrawnRelay(relay, rig, world),
    )
    machine = rig.machine()

    async def life() -> Result:
        result = await rig.made(machine).run()
        await asyncio.sleep(5)  # what was told acts
        return result

    return rig.living(machine, life), rig
