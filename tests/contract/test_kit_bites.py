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
from tidegate.errors import BackendError, Malformed, Refused, Unavailable
from tidegate.testing import (
    Fault,
    FaultyGauge,
    FaultyRelay,
    GaugeBench,
    Lie,
    RelayBench,
    Reversed,
    Sound,
    Stall,
    Stuck,
    check_declaration,
    check_gauge,
    check_relay,
    errors_are_reachable,
)
from tidegate.testing.declared import declared_errors

MakeRelayBench = Callable[[Callable[[Relay], Relay]], RelayBench]
MakeGaugeBench = Callable[[Callable[[Gauge], Gauge]], GaugeBench]


class Wrapped(Relay):
    """A relay that passes everything on; mutants override one thing.

    Errors: Unavailable.
    """

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


def answering_within(limit_s: float) -> Callable[[Relay], Relay]:
    class Answers(Wrapped):
        @property
        def facts(self) -> RelayFacts:
            return dataclasses.replace(self.inner.facts, answers_within_s=limit_s)

    return Answers


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


class HidesCancelledOpen(Wrapped):
    async def open(self) -> None:
        try:
            await asyncio.sleep(0)
        except asyncio.CancelledError:
            return
        await self.inner.open()


class StaysHalfOpen(Wrapped):
    """Cannot be opened any more once an opening was cancelled."""

    broken = False

    async def open(self) -> None:
        if self.broken:
            raise Unavailable("half open since then", target="x", remedy="None.")
        try:
            await asyncio.sleep(0)
        except asyncio.CancelledError:
            self.broken = True
            raise
        await self.inner.open()


class HidesCancelledGet(Wrapped):
    async def get(self) -> Supply | None:
        try:
            await asyncio.sleep(0)
        except asyncio.CancelledError:
            return None
        return await self.inner.get()


class DriftsAfterGet(Wrapped):
    """Takes no orders any more once a get was cancelled."""

    deaf = False

    async def get(self) -> Supply | None:
        try:
            await asyncio.sleep(0)
        except asyncio.CancelledError:
            self.deaf = True
            await self.inner.set(Supply.OFF)
            raise
        return await self.inner.get()

    async def set(self, supply: Supply) -> None:
        if not self.deaf:
            await self.inner.set(supply)


class UnderWay(Wrapped):
    """A set takes until the relay is closed; ``closed_upon`` is what it does then."""

    def __init__(self, inner: Relay) -> None:
        super().__init__(inner)
        self.closed = asyncio.Event()
        self.is_under_way = False

    async def set(self, supply: Supply) -> None:
        if supply is Supply.ON:
            await self.inner.set(supply)
            return
        self.is_under_way = True
        self.closed.clear()
        try:
            for _ in range(20):  # turns of the loop in which it may be closed
                await asyncio.sleep(0)
            if self.closed.is_set():
                await self.closed_upon()
            else:
                await self.inner.set(supply)
        finally:
            self.is_under_way = False

    async def close(self) -> None:
        await self.inner.close()
        self.closed.set()

    async def closed_upon(self) -> None:
        raise Unavailable("was closed", target="x", remedy="Open it.")


class TripsWhenClosed(UnderWay):
    async def closed_upon(self) -> None:
        raise AttributeError("'NoneType' object has no attribute 'write'")


class CancelsItsCaller(UnderWay):
    async def closed_upon(self) -> None:
        raise asyncio.CancelledError


class NeverEndsWhenClosed(UnderWay):
    async def closed_upon(self) -> None:
        await asyncio.Event().wait()


class WillNotClose(UnderWay):
    async def close(self) -> None:
        if self.is_under_way:
            raise RuntimeError("a set is under way")
        await super().close()


class OffAfterClose(UnderWay):
    """Carries an off that was under way at its close out after the next on."""

    pending = False

    async def closed_upon(self) -> None:
        self.pending = True

    async def set(self, supply: Supply) -> None:
        await super().set(supply)
        if supply is Supply.ON and self.pending:
            self.pending = False
            await self.inner.set(Supply.OFF)


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
        (answering_within(0.0), "answers_within_s is 0.0"),
        (answering_within(float("inf")), "answers_within_s is inf"),
        (ClaimsToFailOn, "cannot fail to on"),
        (faulty(Stuck()), "the supply is not off"),
        (faulty(Reversed()), "the supply is not off"),
        (CannotTell, "get is None with readback LATCH"),
        (Guesses, "it is a guess"),
        (TellsTheOther, "get is on"),
        (RefreshSwitches, "refresh changed the supply"),
        (LateOff, "did not come back"),
        (OffAtClose, "an off came late, after an on"),
        (HidesCancellation, "hid its cancellation"),
        (HidesCancelledOpen, "cancelled_open.*hid its cancellation"),
        (StaysHalfOpen, "open after a cancelled open: Unavailable"),
        (HidesCancelledGet, "cancelled_get.*hid its cancellation"),
        (DriftsAfterGet, "after a cancelled get the supply did not come back"),
        (TripsWhenClosed, "a set under way at close: AttributeError left the backend"),
        (CancelsItsCaller, "close cancelled the caller of a set under way"),
        (WillNotClose, "close during a set: RuntimeError"),
        (OffAfterClose, "after a close during a set the supply did not come back"),
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


async def test_call_that_outlives_its_close_is_caught(
    relay_bench: MakeRelayBench,
) -> None:
    bench = dataclasses.replace(relay_bench(NeverEndsWhenClosed), limit_s=0.5)
    with pytest.raises(AssertionError, match=r"closed_during_a_set.*: not done within"):
        await check_relay(bench)


async def test_relay_that_says_it_was_closed_passes(
    relay_bench: MakeRelayBench,
) -> None:
    await check_relay(relay_bench(UnderWay))


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


class SideBySide(Wrapped):
    """Its calls run side by side, and a closing leaves an off that waits to itself."""

    def __init__(self, inner: Relay, flows: asyncio.Event) -> None:
        super().__init__(inner)
        self.flows = flows

    async def set(self, supply: Supply) -> None:
        if supply is Supply.OFF:
            await self.flows.wait()
        await self.inner.set(supply)


class InTurn(SideBySide):
    """Sound: an off that waited for its turn until the relay was closed is dropped."""

    closed = 0

    async def set(self, supply: Supply) -> None:
        closed = self.closed
        if supply is Supply.OFF:
            await self.flows.wait()
        if closed != self.closed:
            raise Unavailable("was closed", target="x", remedy="Open it.")
        await self.inner.set(supply)

    async def close(self) -> None:
        self.closed += 1
        await self.inner.close()


@pytest.mark.parametrize("relay", [SideBySide, InTurn])
async def test_off_that_is_held_until_after_the_next_on(
    relay_bench: MakeRelayBench, relay: type[SideBySide]
) -> None:
    flows = asyncio.Event()
    flows.set()

    async def begin() -> None:
        flows.clear()

    async def reached() -> None:
        await asyncio.sleep(0)

    async def end() -> None:
        flows.set()

    bench = dataclasses.replace(
        relay_bench(lambda inner: relay(inner, flows)),
        stall=Stall(begin=begin, reached=reached, end=end),
    )
    if relay is InTurn:
        await check_relay(bench)
        return
    with pytest.raises(AssertionError, match="at close came late, after an on"):
        await check_relay(bench)


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


# ---- declared errors


class DeclaresMore(Wrapped):
    """A relay of more words. Errors: Unavailable, Refused (the board said no),
    Malformed.

    Busy is no error of it, whatever this sentence says.
    """


class SaysNothing(Relay):
    """A relay whose errors nobody wrote down."""


def test_errors_are_declared_to_the_end_of_the_paragraph() -> None:
    assert declared_errors(DeclaresMore) == {Unavailable, Refused, Malformed}
    assert declared_errors(LateOff) == {Unavailable}, "the nearest that it derives from"
    assert declared_errors(SaysNothing) == frozenset(), "not those of the contract"


async def test_declared_error_without_a_fault_is_caught(
    relay_bench: MakeRelayBench,
) -> None:
    with pytest.raises(AssertionError) as caught:
        await check_relay(relay_bench(DeclaresMore))
    said = str(caught.value)
    assert "DeclaresMore declares Malformed, Refused and no fault reaches it" in said
    assert "error=Malformed, provoke=" in said
    assert 'cannot_happen_here={Malformed: "because …"}' in said


async def test_reason_stands_for_a_fault(relay_bench: MakeRelayBench) -> None:
    reasons = {Malformed: "the twin sends no bytes", Refused: "the twin has no will"}
    bench = dataclasses.replace(relay_bench(DeclaresMore), cannot_happen_here=reasons)
    await check_relay(bench)


async def test_benches_of_one_backend_are_taken_together(
    relay_bench: MakeRelayBench,
) -> None:
    bench = relay_bench(DeclaresMore)
    one = dataclasses.replace(bench, cannot_happen_here={Malformed: "no bytes"})
    other = dataclasses.replace(bench, cannot_happen_here={Refused: "no will"})
    await errors_are_reachable(one, other)
    with pytest.raises(AssertionError, match="declares Refused and no fault"):
        await errors_are_reachable(one)
    with pytest.raises(AssertionError, match="benches of 2 backends"):
        await errors_are_reachable(one, relay_bench(Wrapped))


@pytest.mark.parametrize(
    ("reasons", "said"),
    [
        ({Refused: " "}, "no reason for Refused"),
        ({Refused: "x"}, "names Refused, which Wrapped does not declare"),
        ({Unavailable: "x"}, "names Unavailable, and a fault reaches it"),
    ],
)
async def test_reason_that_is_none_is_caught(
    relay_bench: MakeRelayBench, reasons: dict[type[BackendError], str], said: str
) -> None:
    bench = dataclasses.replace(relay_bench(Wrapped), cannot_happen_here=reasons)
    with pytest.raises(AssertionError, match=said):
        await check_relay(bench)


async def test_error_that_is_not_declared_is_caught(
    relay_bench: MakeRelayBench,
) -> None:
    bench = relay_bench(Wrapped)
    (fault,) = bench.faults
    refused = dataclasses.replace(fault, error=Refused)
    bench = dataclasses.replace(bench, faults=(fault, refused))
    with pytest.raises(
        AssertionError, match="faults reach Refused, which Wrapped does"
    ):
        await errors_are_reachable(bench)


async def test_docstring_without_errors_is_caught(relay_bench: MakeRelayBench) -> None:
    def undeclared(relay: Relay) -> Relay:
        wrapped = FaultyRelay(relay)
        wrapped.order(Sound())
        return wrapped

    with pytest.raises(AssertionError, match="the docstring of FaultyRelay has no"):
        await check_relay(relay_bench(undeclared))


# ---- gauges


class WrappedGauge(Gauge):
    """A gauge that passes everything on. Errors: Unavailable."""

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


def gauge_facts(**changed: Any) -> Callable[[Gauge], Gauge]:
    class Claims(WrappedGauge):
        @property
        def facts(self) -> GaugeFacts:
            return dataclasses.replace(self.inner.facts, **changed)

    return Claims


class OpensOnce(WrappedGauge):
    """Cannot be opened any more once an opening was cancelled."""

    broken = False

    async def open(self) -> None:
        if self.broken:
            raise Unavailable("half open since then", target="x", remedy="None.")
        try:
            await asyncio.sleep(0)
        except asyncio.CancelledError:
            self.broken = True
            raise
        await self.inner.open()


class TripsOverItsClose(WrappedGauge):
    is_open = False

    async def open(self) -> None:
        await self.inner.open()
        self.is_open = True

    async def close(self) -> None:
        self.is_open = False
        await self.inner.close()

    async def read(self) -> Sample:
        sample = await self.inner.read()
        await asyncio.sleep(0.02)
        if not self.is_open:
            raise ValueError("I/O operation on closed file.")
        return sample


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
        (gauge_facts(answers_within_s=0.0), "answers_within_s is 0.0"),
        (gauge_facts(answers_within_s=float("nan")), "answers_within_s is nan"),
        (gauge_facts(answers_within_s=600.0), "answers_within_s is 600.0"),
        (gauge_facts(silence_alarm_s=2.0), "silence_alarm_s is 2.0"),
        (gauge_facts(silence_alarm_s=float("inf")), "silence_alarm_s is inf"),
        (OpensOnce, "open after a cancelled open: Unavailable"),
        (TripsOverItsClose, "a read under way at close: ValueError left the backend"),
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


async def test_gauge_that_alarms_on_silence_passes(
    gauge_bench: MakeGaugeBench,
) -> None:
    facts = gauge_facts(answers_within_s=30.0, silence_alarm_s=86_400.0)
    await check_gauge(gauge_bench(facts))


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
