"""The conformance kit fails a backend that breaks a clause: one mutant at a time.

Each mutant is the twin's relay or gauge, which passes, with one thing wrong.
"""

from __future__ import annotations

import asyncio
import dataclasses
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any, Literal

import pytest
from pydantic import ConfigDict

from contract.benches import ENTRIES
from tidegate.contract import (
    Backend,
    BackendSettings,
    Gauge,
    GaugeFacts,
    GaugeSettings,
    Readback,
    Relay,
    RelayFacts,
    RelaySettings,
    Target,
)
from tidegate.core.reading import Sample, Supply
from tidegate.errors import Malformed, Unavailable
from tidegate.testing import (
    Fault,
    FaultyGauge,
    FaultyRelay,
    GaugeBench,
    Lie,
    RelayBench,
    Reversed,
    Stall,
    Stuck,
    check_declaration,
    check_gauge,
    check_relay,
)

MakeRelayBench = Callable[[Callable[[Relay], Relay]], RelayBench]
MakeGaugeBench = Callable[[Callable[[Gauge], Gauge]], GaugeBench]


class Wrapped(Relay):
    """A relay that passes everything on; mutants override one thing."""

    def __init__(self, inner: Relay) -> None:
        self.inner = inner

    @property
    def facts(self) -> RelayFacts:
        return self.inner.facts

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


class ImpossibleLatency(Wrapped):
    @property
    def facts(self) -> RelayFacts:
        return dataclasses.replace(self.inner.facts, latency_s=float("nan"))


class ClaimsToFailOn(Wrapped):
    @property
    def facts(self) -> RelayFacts:
        return dataclasses.replace(self.inner.facts, fails_on=True)


class CannotTell(Wrapped):
    async def get(self) -> Supply | None:
        return None


class Guesses(Wrapped):
    @property
    def facts(self) -> RelayFacts:
        return dataclasses.replace(self.inner.facts, readback=Readback.NONE)


class TellsTheOther(Wrapped):
    async def get(self) -> Supply | None:
        told = await self.inner.get()
        return None if told is None else told.other


class RefreshSwitches(Wrapped):
    async def refresh(self) -> None:
        await self.inner.set(Supply.ON)


class LateOff(Wrapped):
    """Carries a cancelled off out when it is closed, after the next on."""

    late: Supply | None = None

    async def set(self, supply: Supply) -> None:
        try:
            await asyncio.sleep(0)
        except asyncio.CancelledError:
            self.late = supply
            raise
        await self.inner.set(supply)
        if supply is Supply.ON and self.late is not None:
            await self.inner.set(self.late)


class OffAtClose(LateOff):
    """Keeps a cancelled off until the relay is closed for the second time."""

    closed = 0

    async def set(self, supply: Supply) -> None:
        try:
            await asyncio.sleep(0)
        except asyncio.CancelledError:
            self.late = supply
            raise
        await self.inner.set(supply)

    async def close(self) -> None:
        self.closed += 1
        if self.closed == 2 and self.late is not None:
            await self.inner.set(self.late)
        await self.inner.close()


class HidesCancellation(Wrapped):
    async def set(self, supply: Supply) -> None:
        try:
            await asyncio.sleep(0)
        except asyncio.CancelledError:
            return
        await self.inner.set(supply)


class ClosesOnce(Wrapped):
    closed = 0

    async def close(self) -> None:
        self.closed += 1
        await self.inner.close()
        if self.closed % 2 == 0:
            raise OSError("already closed")


class ActsWhileClosed(Wrapped):
    async def set(self, supply: Supply) -> None:
        try:
            await self.inner.set(supply)
        except Unavailable:
            return


class LeaksAnotherError(Wrapped):
    async def set(self, supply: Supply) -> None:
        try:
            await self.inner.set(supply)
        except Unavailable as error:
            raise OSError(5, "Input/output error") from error


class WrongError(Wrapped):
    async def set(self, supply: Supply) -> None:
        try:
            await self.inner.set(supply)
        except Unavailable as error:
            raise Malformed("what", target="x", remedy="Do.") from error


class NoRemedy(Wrapped):
    async def set(self, supply: Supply) -> None:
        try:
            await self.inner.set(supply)
        except Unavailable as error:
            raise Unavailable("what", target="x") from error


class Hangs(Wrapped):
    async def set(self, supply: Supply) -> None:
        await asyncio.Event().wait()


def faulty(mood: Any) -> Callable[[Relay], Relay]:
    def wrap(relay: Relay) -> Relay:
        wrapped = FaultyRelay(relay)
        wrapped.order(mood)
        return wrapped

    return wrap


@pytest.fixture
async def relay_bench(tmp_path: Path) -> AsyncIterator[MakeRelayBench]:
    """The twin's bench with a mutant put into it."""
    async with ENTRIES["tidegate.twin.relay"].benches["latch"](tmp_path) as bench:
        assert isinstance(bench, RelayBench)
        good = bench.make

        def with_mutant(mutant: Callable[[Relay], Relay]) -> RelayBench:
            return dataclasses.replace(
                bench, make=lambda contact: mutant(good(contact))
            )

        yield with_mutant


@pytest.mark.parametrize(
    ("mutant", "said"),
    [
        (ImpossibleLatency, "latency_s is nan"),
        (ClaimsToFailOn, "cannot fail to on"),
        (faulty(Stuck()), "the supply is not off"),
        (faulty(Reversed()), "the supply is not off"),
        (CannotTell, "get is None with readback LATCH"),
        (Guesses, "it is a guess"),
        (TellsTheOther, "get is on"),
        (RefreshSwitches, "refresh changed the supply"),
        (LateOff, "did not come back"),
        (OffAtClose, "the cancelled off came late"),
        (HidesCancellation, "hid its cancellation"),
        (ClosesOnce, "OSError: already closed"),
        (ActsWhileClosed, "Unavailable is due, nothing was raised"),
        (LeaksAnotherError, "OSError left the backend"),
        (WrongError, "Unavailable is due, Malformed came"),
        (NoRemedy, "has no remedy"),
    ],
)
async def test_relay_mutant_is_caught(
    relay_bench: MakeRelayBench, mutant: Callable[[Relay], Relay], said: str
) -> None:
    bench = relay_bench(mutant)
    with pytest.raises(AssertionError, match=said):
        await check_relay(bench)


async def test_call_that_hangs_is_caught(relay_bench: MakeRelayBench) -> None:
    bench = dataclasses.replace(relay_bench(Hangs), limit_s=0.05)
    with pytest.raises(AssertionError, match=r"set_moves.*: not done within 0\.05 s"):
        await check_relay(bench)


async def test_sound_relay_passes(relay_bench: MakeRelayBench) -> None:
    await check_relay(relay_bench(Wrapped))


async def test_relay_that_does_not_wait_for_its_peer_is_caught(
    relay_bench: MakeRelayBench,
) -> None:
    """A stall that the call does not feel proves nothing, and says so."""
    bench = relay_bench(Wrapped)

    async def nothing() -> None:
        await asyncio.sleep(0)

    stall = Stall(begin=nothing, reached=nothing, end=nothing)
    with pytest.raises(AssertionError, match="did not wait for its peer"):
        await check_relay(dataclasses.replace(bench, stall=stall))


async def test_fault_that_never_mends_is_caught(relay_bench: MakeRelayBench) -> None:
    bench = relay_bench(Wrapped)

    async def nothing() -> None:
        return None

    (fault,) = bench.faults
    stays = dataclasses.replace(fault, mend=nothing)
    with pytest.raises(AssertionError, match="set after the twin's relay"):
        await check_relay(dataclasses.replace(bench, faults=(stays,)))


async def test_fault_that_is_none_is_caught(relay_bench: MakeRelayBench) -> None:
    bench = relay_bench(Wrapped)

    async def nothing() -> None:
        return None

    none = Fault(
        name="nothing", during="get", error=Unavailable, provoke=nothing, mend=nothing
    )
    with pytest.raises(AssertionError, match="nothing: Unavailable is due"):
        await check_relay(dataclasses.replace(bench, faults=(none,)))


# ---- gauges


class WrappedGauge(Gauge):
    def __init__(self, inner: Gauge) -> None:
        self.inner = inner

    @property
    def facts(self) -> GaugeFacts:
        return self.inner.facts

    async def open(self) -> None:
        await self.inner.open()

    async def close(self) -> None:
        await self.inner.close()

    async def read(self) -> Sample:
        return await self.inner.read()


class GivesNothing(WrappedGauge):
    @property
    def facts(self) -> GaugeFacts:
        return dataclasses.replace(self.inner.facts, gives=frozenset())


class GivesStrangers(WrappedGauge):
    @property
    def facts(self) -> GaugeFacts:
        return dataclasses.replace(self.inner.facts, gives=frozenset({"mood"}))


class PromisesTooMuch(WrappedGauge):
    @property
    def facts(self) -> GaugeFacts:
        facts = self.inner.facts
        return dataclasses.replace(facts, gives=facts.gives | {"cycle_count"})


class PromisesTooLittle(WrappedGauge):
    @property
    def facts(self) -> GaugeFacts:
        return dataclasses.replace(self.inner.facts, gives=frozenset({"soc_percent"}))


class NegativeLatency(WrappedGauge):
    @property
    def facts(self) -> GaugeFacts:
        return dataclasses.replace(self.inner.facts, latency_s=-1.0)


class ReadsOnce(WrappedGauge):
    reads = 0

    async def read(self) -> Sample:
        self.reads += 1
        if self.reads > 1:
            raise Unavailable("once is enough", target="x", remedy="None.")
        return await self.inner.read()


class ReadsWhileClosed(WrappedGauge):
    last = Sample(soc_percent=50.0)

    async def read(self) -> Sample:
        try:
            return await self.inner.read()
        except Unavailable:
            return self.last


class ClosesGaugeOnce(WrappedGauge):
    closed = 0

    async def close(self) -> None:
        self.closed += 1
        await self.inner.close()
        if self.closed % 2 == 0:
            raise ValueError("already closed")


class LeaksFromRead(WrappedGauge):
    async def read(self) -> Sample:
        try:
            return await self.inner.read()
        except Unavailable as error:
            raise KeyError("capacity") from error


class StaysCancelled(WrappedGauge):
    broken = False

    async def read(self) -> Sample:
        if self.broken:
            raise Unavailable("broken since then", target="x", remedy="None.")
        try:
            await asyncio.sleep(0)
        except asyncio.CancelledError:
            self.broken = True
            raise
        return await self.inner.read()


def lying(quantity: str, value: Any) -> Callable[[Gauge], Gauge]:
    def wrap(gauge: Gauge) -> Gauge:
        wrapped = FaultyGauge(gauge)
        wrapped.order(Lie(quantity, value))
        return wrapped

    return wrap


@pytest.mark.parametrize(
    ("mutant", "said"),
    [
        (GivesNothing, "gives is empty"),
        (GivesStrangers, "names no quantities: .'mood'"),
        (PromisesTooMuch, "promises .'cycle_count'"),
        (PromisesTooLittle, "which gives does not name"),
        (NegativeLatency, "latency_s is -1"),
        (lying("soc_percent", "61"), "soc_percent is '61'"),
        (lying("voltage_v", value=True), "voltage_v is True"),
        (lying("cycle_count", 3.0), "cycle_count is 3.0"),
        (lying("external_power", "yes"), "external_power is 'yes'"),
        (lying("flags", {"coarse"}), "flags is"),
        (lying("flags", frozenset({"coarse"})), "flags is"),
        (lying("present", 1), "present is 1"),
        (lying("voltage_v", 3812.0), "voltage_v is 3812.0: not finite, or in another"),
        (lying("voltage_v", float("nan")), "voltage_v is nan"),
        (lying("temperature_c", 284.0), "temperature_c is 284"),
        (lying("charge_ah", 4270.0), "charge_ah is 4270"),
        (lying("current_a", float("inf")), "current_a is inf"),
        (lying("voltage_v", None), "promises .'voltage_v'"),
        (ReadsOnce, "read of a healthy peer: Unavailable"),
        (StaysCancelled, "read after a cancelled read"),
        (ReadsWhileClosed, "read before open: Unavailable is due"),
        (ClosesGaugeOnce, "ValueError: already closed"),
        (LeaksFromRead, "KeyError left the backend"),
    ],
)
async def test_gauge_mutant_is_caught(
    gauge_bench: MakeGaugeBench, mutant: Callable[[Gauge], Gauge], said: str
) -> None:
    with pytest.raises(AssertionError, match=said):
        await check_gauge(gauge_bench(mutant))


async def test_sound_gauge_passes(gauge_bench: MakeGaugeBench) -> None:
    await check_gauge(gauge_bench(WrappedGauge))


@pytest.fixture
async def gauge_bench(tmp_path: Path) -> AsyncIterator[MakeGaugeBench]:
    async with ENTRIES["tidegate.twin.gauge"].benches["twin"](tmp_path) as bench:
        assert isinstance(bench, GaugeBench)
        good = bench.make

        def with_mutant(mutant: Callable[[Gauge], Gauge]) -> GaugeBench:
            return dataclasses.replace(bench, make=lambda: mutant(good()))

        yield with_mutant


# ---- declarations


class GoodSettings(RelaySettings):
    kind: Literal["some-relay"] = "some-relay"

    def target(self) -> Target:
        return Target("somewhere")


class LooseSettings(GoodSettings):
    model_config = ConfigDict(extra="allow")


class ChangeableSettings(GoodSettings):
    model_config = ConfigDict(frozen=False)


class AnyKindSettings(GoodSettings):
    kind: str = "some-relay"  # type: ignore[assignment]


class WanderingSettings(GoodSettings):
    def target(self) -> Target:
        return Target(str(id(self)))


class NowhereSettings(GoodSettings):
    def target(self) -> Target:
        return Target("")


class RolelessSettings(BackendSettings):
    kind: Literal["some-relay"] = "some-relay"


class TwoRoleSettings(GoodSettings, GaugeSettings):
    """Both at once."""


def module(settings: type[BackendSettings], kind: str = "some-relay") -> ModuleType:
    def make(settings: Any, host: Any, /) -> Relay:
        raise AssertionError("a declaration is checked without making anything")

    found = ModuleType("somebody.some_relay", "A relay.")
    found.__dict__["BACKEND"] = Backend(kind=kind, settings=settings, make=make)
    return found


def test_good_declaration_passes() -> None:
    check_declaration(module(GoodSettings), {"kind": "some-relay"})


@pytest.mark.parametrize(
    ("found", "said"),
    [
        (ModuleType("somebody.some_relay", "A relay."), "has no BACKEND"),
        (module(GoodSettings, kind="other"), "BACKEND.kind is 'other'"),
        (module(LooseSettings), "takes any key"),
        (module(ChangeableSettings), "is not frozen"),
        (module(AnyKindSettings), "takes .'kind': 'another-kind'"),
        (module(WanderingSettings), "differs from load to load"),
        (module(NowhereSettings), "names no link"),
        (module(RolelessSettings), "neither or both"),
        (module(TwoRoleSettings), "neither or both"),
    ],
)
def test_bad_declaration_is_caught(found: ModuleType, said: str) -> None:
    with pytest.raises(AssertionError, match=said):
        check_declaration(found, {"kind": "some-relay"})


def test_module_without_a_docstring_is_caught() -> None:
    found = module(GoodSettings)
    found.__doc__ = None
    with pytest.raises(AssertionError, match="no docstring"):
        check_declaration(found, {"kind": "some-relay"})


def test_entry_point_may_have_another_file_name() -> None:
    found = module(GoodSettings)
    found.__name__ = "somebody.relay"
    check_declaration(found, {"kind": "some-relay"}, kind="some-relay")
    assert SimpleNamespace(**found.__dict__).BACKEND.kind == "some-relay"
