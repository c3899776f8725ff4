"""The devices of a whole world and what the daemon reaches them through.

A device lives in the world's own time, which no crash, boot or step of a clock stops.
The daemon's gauges and relays are made anew with each of its lives; the misbehaviour
that was ordered for them stays. Every relay call passes a watcher, so that the truth of
what was told is known outside the daemon.
"""

from __future__ import annotations

import random
import shutil
from collections.abc import Awaitable, Callable
from contextlib import ExitStack
from pathlib import Path
from typing import Any, Final, TypeVar
from unittest import mock

from faults.rigs import write_battery, write_mains
from support.charge_driver import FakeChargeDriver
from support.search.mortal import HostDies
from support.search.whole_site import Place
from tidegate import assembly
from tidegate.contract import Gauge, Host, Relay, RelayFacts, SharedLink
from tidegate.core.policy import HOUR_MS
from tidegate.core.reading import Sample, Supply
from tidegate.settings import StationSettings
from tidegate.testing import FaultyGauge, FaultyRelay
from tidegate.testing.faulty_gauge import SOUND, GaugeMood
from tidegate.testing.faulty_relay import RelayMood
from tidegate.twin.bench import Bench
from tidegate.twin.device import Device
from tidegate.twin.tables import TwinGaugeSettings
from tidegate.twin.world import Event, World
from tidegate_backends.relays.kernel import KernelRelay

T = TypeVar("T")

ON, OFF = Supply.ON, Supply.OFF
# A battery on a held station: points an hour charging, on its load, and held.
CHARGE_PERCENT_H: Final = 25.0
LOAD_PERCENT_H: Final = 15.0
IDLE_PERCENT_H: Final = 0.1


class TwinStand:
    """A device at the end of a switched supply, the twin's."""

    def __init__(self, place: Place, at_ms: int, events: tuple[Event, ...]) -> None:
        settings = TwinGaugeSettings(**place.table["gauge"])
        self.build = settings.build()
        self.bench = Bench()
        world = World(start_wall_ms=at_ms, start_boot_ms=at_ms, events=events)
        self.device: Device = self.bench.place(self.build, world)

    def advance(self, at_ms: int) -> None:
        self.bench.advance_to(max(at_ms, self.device.at_ms))

    @property
    def soc_percent(self) -> float:
        return self.device.true_soc_percent

    @property
    def is_alive(self) -> bool:
        return self.device.alive

    @property
    def temperature_c(self) -> float:
        return self.device.temperature_c

    @property
    def lets_through(self) -> bool:
        """Whether the supply is on at the contact."""
        return self.bench.contact.closed

    @property
    def is_fed(self) -> bool:
        return self.device.external_power

    @property
    def mains(self) -> bool:
        return self.device.mains

    @property
    def rises(self) -> bool:
        """Whether charge is going in."""
        return self.device.current_a > 0

    @property
    def charge_percent_h(self) -> float:
        """How fast it charges at least, once it is fed."""
        load_a = max(self.build.load_a.values)
        charger = self.build.charger
        spare_a = min(charger.charge_a, charger.supply_a - load_a)
        return 100 * spare_a / self.build.cell.capacity_ah

    def host_lost_power(self, at_ms: int) -> None:
        """Let the relay's coil fall back with the host that fed it."""
        self.advance(at_ms)
        self.bench.contact.reset(at_ms)
        self.device.contact_moved()


class HeldStand:
    """A battery whose charging the kernel stops and allows; power stays."""

    def __init__(
        self, folder: Path, *, level: float, pack: bool, **offers: Any
    ) -> None:
        self.supplies = folder / "class" / "power_supply"
        self.driver = FakeChargeDriver(
            self.supplies / "BAT0", level=int(level), **offers
        )
        self.driver.changed = self.show
        self.mains = True
        self.second = pack
        self.soc_percent = level
        self._at_ms: int | None = None
        self.show()

    is_alive = True
    charge_percent_h = CHARGE_PERCENT_H
    temperature_c = 25.1

    @property
    def lets_through(self) -> bool:
        """Whether it may charge. Between two thresholds a driver goes on as it was."""
        driver = self.driver
        return driver.behaviour in (None, "auto") and driver.end in (None, 100)

    @property
    def is_fed(self) -> bool:
        return self.mains

    @property
    def rises(self) -> bool:
        return self.mains and self.driver.allows and self.soc_percent < 100

    def advance(self, at_ms: int) -> None:
        if self._at_ms is None:
            self._at_ms = at_ms
        hours = (at_ms - self._at_ms) / HOUR_MS
        self._at_ms = at_ms
        rate = -IDLE_PERCENT_H
        if not self.mains:
            rate = -LOAD_PERCENT_H
        elif self.driver.allows:
            rate = CHARGE_PERCENT_H
        self.soc_percent = min(100.0, max(1.0, self.soc_percent + rate * hours))
        if int(self.soc_percent) != self.driver.level:
            self.driver.set_level(int(self.soc_percent))

    def switch_mains(self, *, on: bool) -> None:
        self.mains = on
        self.show()

    def lose_second(self, *, is_gone: bool) -> None:
        """Take the second pack out, or put it back."""
        self.second = not is_gone
        if is_gone:
            shutil.rmtree(self.supplies / "BAT1", ignore_errors=True)
        self.show()

    def show(self) -> None:
        """Write what the kernel would say now."""
        values = {
            "status": self.driver.status(powered=self.mains),
            "capacity": self.driver.level,
            "present": 1,
            "voltage_now": 3_600_000 + self.driver.level * 4_000,
            "energy_full": 20_000_000,
            "energy_now": 200_000 * self.driver.level,
            "temp": 251,
        }
        write_mains(self.supplies / "AC", online=self.mains)
        write_battery(self.supplies / "BAT0", values)
        if self.second:
            write_battery(self.supplies / "BAT1", values)

    def host_lost_power(self, at_ms: int) -> None:
        """Firmware forgets what it was told."""
        self.advance(at_ms)
        self.driver.reset()


Stand = TwinStand | HeldStand


def held(place: Place, seed: int) -> HeldStand:
    """Return the battery of a place that is held, as the seed has it."""
    dice = random.Random(f"held {place.name} {seed}")
    offers: dict[str, Any] = dice.choice(
        (
            {"behaviours": ("auto", "inhibit-charge", "force-discharge")},
            {"end": 100, "start": 0},
        )
    )
    root = Path(place.table["gauge"]["root"])
    level = dice.uniform(30, 80)
    return HeldStand(root, level=level, pack=dice.random() < 0.5, **offers)


class Actor:
    """One place on the stage, over all lives of the daemon."""

    def __init__(self, stage: Stage, place: Place, stand: Stand) -> None:
        self.stage, self.place, self.stand = stage, place, stand
        self.gauge: FaultyGauge | None = None
        self.relay: FaultyRelay | None = None
        # Called once, in the middle of the next relay call.
        self.in_next_call: Callable[[], None] | None = None
        # Called at each off that the daemon tells.
        self.when_off: Callable[[], None] | None = None
        self._gauge_moods: dict[int, GaugeMood] = {}
        self._relay_moods: dict[int, RelayMood] = {}

    @property
    def name(self) -> str:
        return self.place.name

    def gauge_is(self, number: int, mood: GaugeMood | None) -> None:
        """Begin or end a mood of the gauge; the one begun last is in force."""
        _begun_or_ended(self._gauge_moods, number, mood)
        if self.gauge is not None:
            self.gauge.order(self._gauge_mood())

    def relay_is(self, number: int, mood: RelayMood | None) -> None:
        """Begin or end a mood of the relay."""
        _begun_or_ended(self._relay_moods, number, mood)
        if self.relay is not None:
            self.relay.order(self._relay_mood())

    def _gauge_mood(self) -> GaugeMood:
        return [SOUND, *self._gauge_moods.values()][-1]

    def _relay_mood(self) -> RelayMood:
        return [SOUND, *self._relay_moods.values()][-1]

    def made_gauge(self, inner: Gauge) -> Gauge:
        self.gauge = FaultyGauge(inner)
        self.gauge.order(self._gauge_mood())
        return WatchedGauge(self, self.gauge)

    def made_relay(self, inner: Relay) -> Relay:
        if isinstance(inner, KernelRelay):
            assert isinstance(self.stand, HeldStand)
            driver = self.stand.driver
            inner._show, inner._store = driver.show, driver.store
        self.relay = FaultyRelay(inner)
        self.relay.order(self._relay_mood())
        return WatchedRelay(self, self.relay)


def _begun_or_ended(moods: dict[int, Any], number: int, mood: object | None) -> None:
    moods.pop(number, None)
    if mood is not None:
        moods[number] = mood


class WatchedGauge(Gauge):
    """A gauge of one life of the daemon; it reads a device of the world."""

    def __init__(self, actor: Actor, inner: Gauge) -> None:
        self._actor, self._inner = actor, inner
        self._life = actor.stage.life

    @property
    def facts(self) -> Any:
        return self._inner.facts

    async def open(self) -> None:
        await self._inner.open()

    async def close(self) -> None:
        await self._inner.close()

    def take_notes(self) -> list[str]:
        return self._inner.take_notes()

    async def read(self) -> Sample:
        actor = self._actor
        if self._life.is_dead:
            raise HostDies
        actor.stand.advance(actor.stage.true_ms())
        return await self._inner.read()


class WatchedRelay(Relay):
    """A relay of one life of the daemon; who is told what is noted outside of it."""

    def __init__(self, actor: Actor, inner: FaultyRelay) -> None:
        self._actor, self._inner = actor, inner
        self._life = actor.stage.life

    @property
    def facts(self) -> RelayFacts:
        return self._inner.facts

    async def open(self) -> None:
        self._expect_life()
        await self._inner.open()

    async def close(self) -> None:
        await self._inner.close()

    def take_notes(self) -> list[str]:
        return self._inner.take_notes()

    async def set(self, supply: Supply) -> None:
        self._expect_life()
        actor = self._actor
        actor.stand.advance(actor.stage.true_ms())
        actor.stage.told(actor, supply)
        if actor.in_next_call is not None:
            happens, actor.in_next_call = actor.in_next_call, None
            happens()
        await self._inner.set(supply)

    async def get(self) -> Supply | None:
        self._expect_life()
        actor = self._actor
        actor.stand.advance(actor.stage.true_ms())
        return await self._inner.get()

    async def refresh(self) -> None:
        self._expect_life()
        await self._inner.refresh()

    def _expect_life(self) -> None:
        if self._life.is_dead:
            raise HostDies


class _WorldHost:
    """The host of a twin's backend: its clock is the world's, its bench the stage's."""

    def __init__(self, host: Host, actor: Actor) -> None:
        self._host, self._actor = host, actor
        self.station = host.station
        self.worker = host.worker
        self.hint = host.hint
        self.attach = host.attach

    async def share(self, key: str, opener: Callable[[], Awaitable[Any]]) -> Any:
        del opener
        stand = self._actor.stand
        assert isinstance(stand, TwinStand)
        assert key == f"twin:{self.station}"

        async def close() -> None:
            """A device does not go with the daemon."""

        async def opened() -> SharedLink[Any]:
            return SharedLink(stand.bench, close)

        return await self._host.share(key, opened)

    async def release(self, key: str) -> None:
        await self._host.release(key)

    def boot_ms(self) -> int:
        return self._actor.stage.true_ms()


class Stage:
    """All actors; ``life`` is the daemon's life that backends are made for."""

    def __init__(
        self,
        true_ms: Callable[[], int],
        told: Callable[[Actor, Supply], None],
    ) -> None:
        self.true_ms = true_ms
        self.told = told
        self.actors: dict[str, Actor] = {}
        self.life: Any = None

    def enter(self, place: Place, stand: Stand) -> Actor:
        """Put a device on the stage."""
        self.actors[place.name] = Actor(self, place, stand)
        return self.actors[place.name]

    def advance(self) -> None:
        """Bring every device to this moment."""
        for actor in self.actors.values():
            actor.stand.advance(self.true_ms())

    def patched(self) -> ExitStack:
        """Let the daemon's backends be those of this stage."""
        stack = ExitStack()
        for name, wrap in (("make_gauge", self._gauge), ("make_relay", self._relay)):
            real = getattr(assembly, name)
            stack.enter_context(mock.patch.object(assembly, name, _by(real, wrap)))
        return stack

    def _gauge(self, real: Callable[..., Any], settings: Any, host: Host) -> Gauge:
        actor = self.actors[host.station]
        return actor.made_gauge(real(settings, self._host(actor, host)))

    def _relay(self, real: Callable[..., Any], settings: Any, host: Host) -> Relay:
        actor = self.actors[host.station]
        return actor.made_relay(real(settings, self._host(actor, host)))

    def _host(self, actor: Actor, host: Host) -> Host:
        return _WorldHost(host, actor) if isinstance(actor.stand, TwinStand) else host


def _by(
    real: Callable[..., Any], wrap: Callable[[Callable[..., Any], Any, Host], Any]
) -> Callable[[StationSettings, Host], Any]:
    def make(settings: StationSettings, host: Host) -> Any:
        return wrap(real, settings, host)

    return make
