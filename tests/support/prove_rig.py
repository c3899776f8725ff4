"""Commissioning runs over a twin in virtual time, and fakes for what a twin is not.

Gauge, relay, device, cycle log and the run are the real ones; a fake stands between
the run and one of the twin's backends and changes one thing. All numbers are invented.
"""

from __future__ import annotations

import asyncio
import io
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import cache
from importlib import metadata
from pathlib import Path
from typing import Any, Final
from unittest import mock

from support import evidence
from tidegate import notice, registry
from tidegate.assembly import plan_of
from tidegate.contract import Gauge, GaugeFacts, Relay, RelayFacts
from tidegate.core.policy import Proof
from tidegate.core.reading import BatteryStatus, ExternalPower, Sample, Supply
from tidegate.cyclelog.rows import Entry, OperatorRow
from tidegate.errors import Unavailable
from tidegate.host import Machine, Workers
from tidegate.host.locks import Locks
from tidegate.host.workers import InlineWorker
from tidegate.prove import Commissioning, Order, Result, commission
from tidegate.service import Service
from tidegate.settings import Settings, from_tables
from tidegate.twin import bench
from tidegate.twin import gauge as twin_gauge
from tidegate.twin import relay as twin_relay
from tidegate.twin.device import Device
from tidegate.virtual import VirtualClock, run

STATION: Final = "guide"
START_MS: Final = 600_000
NO: Final = ExternalPower.NO
YES: Final = ExternalPower.YES
UNKNOWN: Final = ExternalPower.UNKNOWN


# Which distributions are installed does not change here, and asking takes longer than
# a run in virtual time.
_entry_points = cache(metadata.entry_points)


def installed() -> Any:
    """Return a context in which what is installed is looked up once."""
    return mock.patch.object(registry.metadata, "entry_points", _entry_points)


async def _nothing(*_: object) -> None:
    """Stand in for what a killed process never does."""


def _yes(_: str) -> bool | None:
    return True


@dataclass
class ProveRig:
    """A twin that outlives daemons and commissioning runs over it.

    ``gauge``, ``relay`` and ``station`` go into its tables; ``between_gauge`` and
    ``between_relay`` may put a fake before a backend.
    """

    folder: Path
    gauge: dict[str, Any] = field(default_factory=dict)
    relay: dict[str, Any] = field(default_factory=dict)
    station: dict[str, Any] = field(default_factory=dict)
    between_gauge: Callable[[Gauge, ProveRig], Gauge] | None = None
    between_relay: Callable[[Relay, ProveRig], Relay] | None = None
    answer: Callable[[str], bool | None] = _yes
    rounds: int = 3

    def __post_init__(self) -> None:
        self.log = self.folder / "cycles.db"
        self.clock = VirtualClock(boot_ms=START_MS)
        self.bench = bench.Bench()
        self.said: list[str] = []
        self.say: Callable[[str], None] = self.said.append
        self.asked: list[str] = []
        self.commissioning: Commissioning | None = None
        # What the relay was told, in its own terms, and when.
        self.told: list[tuple[int, Supply]] = []
        self.messages = io.StringIO()
        notice.configure(stream=self.messages)

    # --- what there is ----------------------------------------------------------------

    @property
    def device(self) -> Device:
        assert self.bench.device is not None
        self.bench.device.advance_to(self.clock.boot_ms())
        return self.bench.device

    @property
    def settings(self) -> Settings:
        table = {
            "gauge": {"kind": "twin", "device": STATION, **self.gauge},
            "relay": {"kind": "twin", "device": STATION, **self.relay},
            "window": {"low": 55, "high": 65},
            "poll": "30s",
            "settle": "10s",
            **self.station,
        }
        given = {key: value for key, value in table.items() if value is not None}
        with installed():
            return from_tables(
                {"log": {"path": str(self.log)}, "station": {STATION: given}}
            )

    def machine(self) -> Machine:
        return Machine(
            self.clock,
            workers=Workers(InlineWorker),
            locks=Locks(self.folder / "locks"),
        )

    def made(self, machine: Machine, *, limit_s: float | None = None) -> Commissioning:
        settings = self.settings
        plan = plan_of(STATION, settings.stations[STATION])
        make_gauge, make_relay = plan.gauge, plan.relay

        def gauge(host: Any) -> Gauge:
            made = make_gauge(host)
            return (
                made if self.between_gauge is None else self.between_gauge(made, self)
            )

        def relay(host: Any) -> Relay:
            assert make_relay is not None
            made = make_relay(host)
            if self.between_relay is not None:
                made = self.between_relay(made, self)
            return _Told(made, self)

        plan = replace(plan, gauge=gauge, relay=None if make_relay is None else relay)

        async def ask(question: str) -> bool | None:
            self.asked.append(question)
            return self.answer(question)

        self.commissioning = Commissioning(
            settings,
            plan,
            Order(by="A. Fitter", rounds=self.rounds),
            machine=machine,
            say=self.say,
            ask=ask,
            threaded=False,
            limit_s=limit_s,
        )
        return self.commissioning

    # --- what happens -----------------------------------------------------------------

    def prove(self, *, end_after_s: float | None = None, **limits: Any) -> Result:
        """Run a commissioning run to its end, ended from outside if so told."""

        async def life() -> Result:
            commissioning = self.made(machine, **limits)
            if end_after_s is not None:
                loop = asyncio.get_running_loop()
                loop.call_later(
                    end_after_s, commissioning.end, "it was ended by a test"
                )
            return await commissioning.run()

        machine = self.machine()
        return self.living(machine, life)

    def prove_killed(self, at_line: int) -> bool:
        """Drop a run as it says its n-th line; return whether it came so far.

        The nearest that one process gets to a kill: nothing more is told or written.
        """

        class Killed(Exception):
            pass

        lines: list[str] = []

        def say(line: str) -> None:
            lines.append(line)
            if len(lines) > at_line:
                raise Killed

        self.say = say
        with (
            mock.patch.object(commission, "supply_on", _nothing),
            mock.patch.object(Commissioning, "_result", _nothing),
            suppress(Killed),
        ):
            self.prove()
        self.say = self.said.append
        return len(lines) > at_line

    def live(self, for_s: float) -> Service:
        """Let the daemon look after the twin for so long, and stop it in good order."""

        async def life() -> Service:
            service = Service(
                self.settings, clock=self.clock, machine=machine, threaded=False
            )
            asyncio.get_running_loop().call_later(for_s, service.end)
            await service.run()
            return service

        machine = self.machine()
        return self.living(machine, life)

    def living(self, machine: Machine, life: Callable[[], Any]) -> Any:
        """Let something happen to the twin, in virtual time."""

        def opener() -> Any:
            return bench.opener(self.bench)

        # A link that was poisoned is opened again, and leads to the same twin.
        with (
            installed(),
            mock.patch.object(twin_relay, "opener", opener),
            mock.patch.object(twin_gauge, "opener", opener),
        ):
            return run(self._with_bench(machine, life), clock=self.clock)

    async def _with_bench(self, machine: Machine, life: Callable[[], Any]) -> Any:
        lease = await machine.links.take(bench.key(STATION), bench.opener(self.bench))
        try:
            return await life()
        finally:
            await machine.links.give_back(lease)

    # --- what the log holds -----------------------------------------------------------

    def entries(self) -> list[Entry]:
        return evidence.rows(self.log, STATION)

    def sound(self) -> list[Entry]:
        return evidence.sound(self.log, STATION)

    def operator_rows(self) -> list[OperatorRow]:
        return [e.row for e in self.entries() if isinstance(e.row, OperatorRow)]


# --- fakes --------------------------------------------------------------------------------


class _Told(Relay):
    """Notes what the relay is told, and passes it on."""

    def __init__(self, inner: Relay, rig: ProveRig) -> None:
        self._inner, self._rig = inner, rig

    @property
    def facts(self) -> RelayFacts:
        return self._inner.facts

    async def open(self) -> None:
        await self._inner.open()

    async def close(self) -> None:
        await self._inner.close()

    async def set(self, supply: Supply) -> None:
        self._rig.told.append((self._rig.clock.boot_ms(), supply))
        await self._inner.set(supply)

    async def get(self) -> Supply | None:
        return await self._inner.get()

    async def refresh(self) -> None:
        await self._inner.refresh()


class FakeBetweenGauge(Gauge):
    """A twin's gauge with some of its facts and answers changed."""

    def __init__(
        self,
        inner: Gauge,
        change: Callable[[Sample], Sample] = lambda sample: sample,
        **facts: Any,
    ) -> None:
        self._inner, self._change, self._facts = inner, change, facts

    @property
    def facts(self) -> GaugeFacts:
        return replace(self._inner.facts, **self._facts)

    async def open(self) -> None:
        await self._inner.open()

    async def close(self) -> None:
        await self._inner.close()

    async def read(self) -> Sample:
        return self._change(await self._inner.read())


class FakeLaggingGauge(FakeBetweenGauge):
    """Shows the supply as it was so long ago, as a slow gauge chip does."""

    def __init__(self, inner: Gauge, rig: ProveRig, lag_s: float) -> None:
        super().__init__(inner)
        self._rig, self._lag_ms = rig, round(lag_s * 1_000)
        self._truth: list[tuple[int, Sample]] = []
        self._is_watched = False

    async def read(self) -> Sample:
        sample = await super().read()
        if not self._is_watched:
            self._is_watched = True
            self._rig.device.observe(lambda truth: self._note(sample, truth))
        now_ms = self._rig.clock.boot_ms()
        shown = [s for at_ms, s in self._truth if at_ms <= now_ms - self._lag_ms]
        old = shown[-1] if shown else self._truth[0][1]
        return replace(
            sample,
            external_power=old.external_power,
            battery_status=old.battery_status,
        )

    def _note(self, like: Sample, truth: Any) -> None:
        fed = truth.external_power
        status = BatteryStatus.CHARGING if fed else BatteryStatus.DISCHARGING
        then = replace(like, external_power=YES if fed else NO, battery_status=status)
        self._truth.append((truth.at_ms, then))


class FakeDroppingGauge(FakeBetweenGauge):
    """Goes with the supply, without ever having said that it would."""

    async def read(self) -> Sample:
        sample = await super().read()
        if sample.external_power is NO:
            raise Unavailable("gone", target="fake", remedy="None.")
        return sample


class FakeSilentGauge(FakeBetweenGauge):
    """Answers nothing between two times, in seconds from the start on."""

    def __init__(self, inner: Gauge, rig: ProveRig, *, from_s: int, to_s: int) -> None:
        super().__init__(inner)
        self._rig, self._from_s, self._to_s = rig, from_s, to_s

    async def read(self) -> Sample:
        if self._from_s <= (self._rig.clock.boot_ms() - START_MS) / 1_000 < self._to_s:
            raise Unavailable("silent", target="fake", remedy="None.")
        return await super().read()


class FakeBetweenRelay(Relay):
    """A twin's relay with some of its facts changed."""

    def __init__(self, inner: Relay, rig: ProveRig, **facts: Any) -> None:
        self.inner, self.rig, self._facts = inner, rig, facts

    @property
    def facts(self) -> RelayFacts:
        return replace(self.inner.facts, **self._facts)

    async def open(self) -> None:
        await self.inner.open()

    async def close(self) -> None:
        await self.inner.close()

    async def set(self, supply: Supply) -> None:
        await self.inner.set(supply)

    async def get(self) -> Supply | None:
        return await self.inner.get()

    async def refresh(self) -> None:
        await self.inner.refresh()


class FakeFedRelay(FakeBetweenRelay):
    """Lives on the supply that it switches: cut, its coil falls back within a second,
    and it needs two more to start again.
    """

    def __init__(self, inner: Relay, rig: ProveRig) -> None:
        super().__init__(inner, rig)
        self._gone_until_s = 0.0

    async def set(self, supply: Supply) -> None:
        self._check()
        await super().set(supply)
        if supply is Supply.OFF:
            loop = asyncio.get_running_loop()
            self._gone_until_s = loop.time() + 3.0
            loop.call_later(1.0, self._falls_back)

    def _falls_back(self) -> None:
        device = self.rig.device
        device.contact.reset(self.rig.clock.boot_ms())
        device.contact_moved()

    async def get(self) -> Supply | None:
        self._check()
        return await super().get()

    def _check(self) -> None:
        if asyncio.get_running_loop().time() < self._gone_until_s:
            raise Unavailable("has no power", target="fake", remedy="None.")


class FakeJogRelay(FakeBetweenRelay):
    """Once it has been off, it lets go of every on by itself, so much later."""

    def __init__(self, inner: Relay, rig: ProveRig, after_s: float) -> None:
        super().__init__(inner, rig)
        self._after_s, self._was_off = after_s, False

    async def set(self, supply: Supply) -> None:
        await super().set(supply)
        self._was_off = self._was_off or supply is Supply.OFF
        if supply is Supply.ON and self._was_off:
            loop = asyncio.get_running_loop()
            loop.call_later(self._after_s, self._lets_go)

    def _lets_go(self) -> None:
        device = self.rig.device
        device.contact.reset(self.rig.clock.boot_ms())
        device.contact_moved()


class FakeIdleRelay(FakeBetweenRelay):
    """Takes every command and does nothing."""

    async def set(self, supply: Supply) -> None:
        del supply


class FakeFickleGauge(FakeBetweenGauge):
    """Says "discharging" now and then by itself: ``off_s`` long, each ``period_s``.

    ``tells``: external power is told of as it is; else it is always there.
    """

    def __init__(
        self, inner: Gauge, rig: ProveRig, *, period_s: int, off_s: int, tells: bool
    ) -> None:
        super().__init__(inner)
        self._rig, self._tells = rig, tells
        self._period_ms, self._on_ms = period_s * 1_000, (period_s - off_s) * 1_000

    async def read(self) -> Sample:
        sample = await super().read()
        within_ms = (self._rig.clock.boot_ms() - START_MS) % self._period_ms
        drains = within_ms >= self._on_ms
        return replace(
            sample,
            external_power=sample.external_power if self._tells else YES,
            battery_status=BatteryStatus.DISCHARGING if drains else BatteryStatus.FULL,
        )


class FakeBouncingGauge(FakeBetweenGauge):
    """Shows the supply gone for a moment once it has come back, as it is where charger
    and supply agree anew on a voltage.
    """

    def __init__(self, inner: Gauge, rig: ProveRig) -> None:
        super().__init__(inner)
        self._rig = rig
        self._back_ms: int | None = START_MS - 10_000

    async def read(self) -> Sample:
        sample = await super().read()
        now_ms = self._rig.clock.boot_ms()
        if sample.external_power is NO:
            self._back_ms = None
            return sample
        if self._back_ms is None:
            self._back_ms = now_ms
        if 900 <= now_ms - self._back_ms < 2_600:
            status = BatteryStatus.DISCHARGING
            return replace(sample, external_power=NO, battery_status=status)
        return sample


class FakeLyingRelay(FakeBetweenRelay):
    """Reports the opposite of where it stands."""

    async def get(self) -> Supply | None:
        said = await super().get()
        return None if said is None else said.other


def holding(relay: Relay, rig: ProveRig) -> Relay:
    """Return a relay that holds: charging follows it, external power does not."""
    return FakeBetweenRelay(relay, rig, proof=Proof.CHARGING)


def held(gauge: Gauge, rig: ProveRig) -> Gauge:
    """Return the gauge of such a device."""
    del rig

    def change(sample: Sample) -> Sample:
        fed = sample.external_power is YES
        status = BatteryStatus.CHARGING if fed else BatteryStatus.NOT_CHARGING
        return replace(sample, external_power=YES, battery_status=status)

    return FakeBetweenGauge(gauge, change)
