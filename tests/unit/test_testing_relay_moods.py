"""Moods of a relay whose orders come late or unheard, and moves that nobody ordered.

Around the twin's relay, in virtual time. The museum is invented.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

import pytest

from support.host import TestHost
from tidegate.contract import Contact, Readback, Relay
from tidegate.core.reading import Supply
from tidegate.errors import Malformed, Refused, Unavailable
from tidegate.testing import (
    SOUND,
    Absent,
    Bounce,
    Break,
    Dead,
    FaultyRelay,
    Late,
    RelayBench,
    RelayMood,
    Reversed,
    Stuck,
    Unheard,
    check_relay,
)
from tidegate.testing.relay_cut import cancelled_set_leaves_it_usable
from tidegate.twin import bench as twin_bench
from tidegate.twin.relay import TwinRelay, TwinRelaySettings
from tidegate.virtual import VirtualClock, run

ON, OFF = Supply.ON, Supply.OFF


class Rig:
    """A wrapped twin, its contact, and how often that moved."""

    def __init__(self, readback: Readback = Readback.LATCH) -> None:
        self.host = TestHost("lobby", now_ms=1_000_000)
        self.bench = twin_bench.Bench()
        self.inner = TwinRelay(TwinRelaySettings(readback=readback), self.host)
        self.relay = FaultyRelay(self.inner)

    async def __aenter__(self) -> Rig:
        await self.host.share(twin_bench.key("lobby"), twin_bench.opener(self.bench))
        await self.relay.open()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.relay.close()

    @property
    def supply(self) -> Supply:
        return ON if self.bench.contact.closed else OFF

    @property
    def moves(self) -> int:
        return self.bench.contact.operations


def live(
    life: Callable[[Rig], Awaitable[None]], readback: Readback = Readback.LATCH
) -> int:
    """Live with an open relay in virtual time; return the milliseconds it took."""
    clock = VirtualClock()

    async def begin() -> None:
        async with Rig(readback) as rig:
            await life(rig)

    run(begin(), clock=clock)
    return clock.running_ms()


# ---- orders


@pytest.mark.parametrize("times", [1, 3])
def test_bounce_moves_back_and_forth_and_stays(times: int) -> None:
    async def life(rig: Rig) -> None:
        rig.relay.order(Bounce(times))
        before = rig.moves
        await rig.relay.set(OFF)
        assert (rig.supply, rig.moves - before) == (OFF, 2 * times + 1)
        assert await rig.relay.get() is OFF
        assert rig.relay.orders == [OFF]

    live(life)


def test_bounce_of_no_times() -> None:
    with pytest.raises(AssertionError, match="no times"):
        Bounce(0)


def test_late_order_is_awaited() -> None:
    async def life(rig: Rig) -> None:
        rig.relay.order(Late(90))
        call = asyncio.create_task(rig.relay.set(OFF))
        await asyncio.sleep(89)
        assert (rig.supply, await rig.relay.get()) == (ON, ON)
        await call
        assert (rig.supply, await rig.relay.get()) == (OFF, OFF)

    assert live(life) == 90_000


def test_late_order_is_carried_out_though_it_was_given_up() -> None:
    """And after a later order, which overtakes it."""

    async def life(rig: Rig) -> None:
        rig.relay.order(Late(90))
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(rig.relay.set(OFF), 5)
        rig.relay.order(SOUND)
        await rig.relay.set(ON)
        await asyncio.sleep(84)
        assert rig.supply is ON
        await asyncio.sleep(2)
        assert rig.supply is OFF

    live(life)


@pytest.mark.parametrize("is_given_up", [True, False])
def test_no_late_order_survives_a_close(is_given_up: bool) -> None:
    async def life(rig: Rig) -> None:
        rig.relay.order(Late(90))
        call = asyncio.create_task(rig.relay.set(OFF))
        await asyncio.sleep(5)
        if is_given_up:
            call.cancel()
        await rig.relay.close()
        await rig.relay.open()
        error = asyncio.CancelledError if is_given_up else Unavailable
        with pytest.raises(error):
            await call
        rig.relay.order(SOUND)
        await rig.relay.set(ON)
        moves = rig.moves
        await asyncio.sleep(200)
        assert (rig.supply, rig.moves) == (ON, moves)

    live(life)


def test_late_order_that_fails_tells_whoever_waits_and_nobody_else() -> None:
    """The loop would say that an exception was never read."""
    said: list[object] = []

    async def life(rig: Rig) -> None:
        asyncio.get_running_loop().set_exception_handler(
            lambda _, what: said.append(what)
        )
        rig.relay.order(Late(90))
        calls = [asyncio.create_task(rig.relay.set(OFF)) for _ in range(2)]
        await asyncio.sleep(5)
        calls[0].cancel()
        await rig.inner.close()
        with pytest.raises(Unavailable, match="the relay is not open"):
            await calls[1]
        await asyncio.sleep(1)
        calls.clear()

    live(life)
    assert said == []


class FakeHanging(TwinRelay):
    """Takes 10 s for an order, and lets nothing else in meanwhile."""

    is_busy = False

    async def set(self, supply: Supply) -> None:
        assert not self.is_busy, "two orders at a time"
        self.is_busy = True
        try:
            await asyncio.sleep(10)
            await super().set(supply)
        finally:
            self.is_busy = False

    async def get(self) -> Supply | None:
        assert not self.is_busy, "asked during an order"
        return await super().get()


def test_relay_inside_is_asked_one_thing_at_a_time() -> None:
    clock = VirtualClock()

    async def life() -> None:
        rig = Rig()
        rig.relay = FaultyRelay(FakeHanging(TwinRelaySettings(), rig.host))
        async with rig:
            rig.relay.order(Late(5))
            late = asyncio.create_task(rig.relay.set(OFF))
            await asyncio.sleep(6)
            rig.relay.order(SOUND)
            asked = asyncio.create_task(rig.relay.get())
            stranger = asyncio.create_task(rig.relay.moved_by_a_stranger(ON))
            await late
            assert (await asked, rig.supply) == (OFF, OFF)
            await stranger
            assert rig.supply is ON

    run(life(), clock=clock)
    assert clock.running_ms() == 25_000


def test_order_that_waits_for_its_turn_does_not_survive_a_close() -> None:
    async def life() -> None:
        rig = Rig()
        rig.relay = FaultyRelay(FakeHanging(TwinRelaySettings(), rig.host))
        async with rig:
            calls = [asyncio.create_task(rig.relay.set(OFF)) for _ in range(2)]
            await asyncio.sleep(5)
            await rig.relay.close()
            calls[0].cancel()
            await asyncio.wait(calls)
            with pytest.raises(Unavailable, match="closed meanwhile"):
                calls[1].result()
            await rig.relay.open()
            await rig.relay.set(ON)
            assert rig.supply is ON

    run(life(), clock=VirtualClock())


def test_break_raises_whatever_is_asked() -> None:
    error = AttributeError("'NoneType' object has no attribute 'write'")

    async def life(rig: Rig) -> None:
        rig.relay.order(Break(error))
        for call in (rig.relay.set(OFF), rig.relay.get(), rig.relay.refresh()):
            with pytest.raises(AttributeError) as caught:
                await call
            assert caught.value is error
        rig.relay.order(SOUND)
        assert (rig.supply, await rig.relay.get()) == (ON, ON)

    live(life)


async def test_absent_relay_is_not_even_opened() -> None:
    async with Rig() as rig:
        rig.relay.order(Absent(Refused))
        await rig.relay.close()
        relay = rig.relay
        for call in (relay.open(), relay.set(OFF), relay.get(), relay.refresh()):
            with pytest.raises(Refused, match="dead by order"):
                await call
        with pytest.raises(Unavailable, match="not open"):
            await relay.moved_by_a_stranger(OFF)
        relay.order(SOUND)
        await relay.open()
        assert (rig.supply, await relay.get()) == (ON, ON)


@pytest.mark.parametrize(
    ("readback", "told"),
    [
        (Readback.NONE, None),
        (Readback.ECHO, ON),
        (Readback.LATCH, OFF),
        (Readback.SENSED, OFF),
    ],
)
def test_unheard_order_is_carried_out(readback: Readback, told: Supply | None) -> None:
    """What was lost was the answer, and with it the echo."""

    async def life(rig: Rig) -> None:
        await rig.relay.set(ON)
        rig.relay.order(Unheard(Malformed))
        for call in (rig.relay.set(OFF), rig.relay.get(), rig.relay.refresh()):
            with pytest.raises(Malformed, match="the answer is lost"):
                await call
        assert rig.supply is OFF
        rig.relay.order(SOUND)
        assert await rig.relay.get() is told

    live(life, readback)


# ---- what happens without an order


@pytest.mark.parametrize(
    ("readback", "told"),
    [
        (Readback.NONE, None),
        (Readback.ECHO, OFF),
        (Readback.LATCH, ON),
        (Readback.SENSED, ON),
    ],
)
def test_stranger_moves_it_and_get_knows_by_its_grade(
    readback: Readback, told: Supply | None
) -> None:
    async def life(rig: Rig) -> None:
        await rig.relay.set(OFF)
        await rig.relay.moved_by_a_stranger(ON)
        assert (rig.supply, await rig.relay.get()) == (ON, told)
        assert rig.relay.orders == [OFF]
        await rig.relay.set(ON)
        assert (rig.supply, await rig.relay.get() in (ON, None)) == (ON, True)

    live(life, readback)


def test_stranger_before_the_first_order_is_no_echo() -> None:
    async def life(rig: Rig) -> None:
        await rig.relay.moved_by_a_stranger(OFF)
        assert (rig.supply, await rig.relay.get()) == (OFF, None)

    live(life, Readback.ECHO)


@pytest.mark.parametrize("mood", [Dead(Refused), Stuck(), Break(OSError(5, "x"))])
def test_no_mood_keeps_a_stranger_out(mood: RelayMood) -> None:
    async def life(rig: Rig) -> None:
        rig.relay.order(mood)
        await rig.relay.moved_by_a_stranger(OFF)
        assert rig.supply is OFF
        rig.relay.order(SOUND)
        assert await rig.relay.get() is OFF

    live(life)


@pytest.mark.parametrize(
    ("readback", "told"),
    [
        (Readback.NONE, None),
        (Readback.ECHO, None),
        (Readback.LATCH, ON),
        (Readback.SENSED, ON),
    ],
)
def test_brown_out_forgets_what_it_was_told(
    readback: Readback, told: Supply | None
) -> None:
    async def life(rig: Rig) -> None:
        await rig.relay.set(OFF)
        await rig.relay.browned_out(rest=ON)
        assert (rig.supply, await rig.relay.get()) == (ON, told)
        assert rig.relay.orders == [OFF]

    live(life, readback)


@pytest.mark.parametrize(
    ("readback", "told"), [(Readback.LATCH, ON), (Readback.SENSED, OFF)]
)
def test_stuck_contact_stays_in_a_brown_out(readback: Readback, told: Supply) -> None:
    async def life(rig: Rig) -> None:
        await rig.relay.set(OFF)
        rig.relay.order(Stuck())
        await rig.relay.browned_out(rest=ON)
        assert (rig.supply, await rig.relay.get()) == (OFF, told)

    live(life, readback)


@pytest.mark.parametrize("readback", [Readback.LATCH, Readback.SENSED])
def test_board_that_is_wired_the_wrong_way_round_is_misled(readback: Readback) -> None:
    async def life(rig: Rig) -> None:
        rig.relay.order(Reversed())
        for move in (rig.relay.moved_by_a_stranger, rig.relay.browned_out):
            await move(ON)
            assert (rig.supply, await rig.relay.get()) == (ON, OFF)

    live(life, readback)


def test_brown_out_empties_the_link() -> None:
    async def life(rig: Rig) -> None:
        rig.relay.order(Late(90))
        call = asyncio.create_task(rig.relay.set(OFF))
        await asyncio.sleep(5)
        await rig.relay.browned_out(rest=ON)
        with pytest.raises(Unavailable, match="forgot"):
            await call
        await asyncio.sleep(200)
        assert rig.supply is ON

    live(life)


@pytest.mark.parametrize("mood", [SOUND, Stuck()])
async def test_relay_that_is_not_open_says_so(mood: RelayMood) -> None:
    rig = Rig()
    rig.relay.order(mood)
    for _ in range(2):  # before it was open, and after
        for move in (rig.relay.moved_by_a_stranger, rig.relay.browned_out):
            with pytest.raises(Unavailable, match="not open") as caught:
                await move(OFF)
            assert caught.value.remedy
        async with rig:
            await rig.relay.get()


# ---- what the conformance kit makes of them


def check(mood: RelayMood, contact: Contact = "normally-closed") -> None:
    """Run the kit against a wrapped twin in this mood, in virtual time."""

    class Wrapped(FaultyRelay):
        """A twin in a mood. Errors: Unavailable."""

    async def life() -> None:
        host, bench = TestHost("lobby", now_ms=1_000_000), twin_bench.Bench()
        await host.share(twin_bench.key("lobby"), twin_bench.opener(bench))

        def make(contact: Contact) -> Relay:
            relay = Wrapped(TwinRelay(TwinRelaySettings(contact=contact), host))
            relay.order(mood)
            return relay

        async def supply_becomes(_: Contact, supply: Supply) -> bool:
            return bench.contact.closed == (supply is ON)

        await check_relay(
            RelayBench(
                make=make,
                supply_becomes=supply_becomes,
                contacts=(contact,),
                cannot_happen_here={Unavailable: "no events"},
            )
        )

    run(life(), clock=VirtualClock())


@pytest.mark.parametrize(
    ("mood", "said"),
    [
        (Break(KeyError("coil")), "set_moves_the_supply: KeyError"),
        (Unheard(), "set_moves_the_supply: Unavailable: .*the answer is lost"),
        (Late(60), "set_moves_the_supply: not done within 20 s"),
        (Stuck(), "the supply is not off"),
        (Absent(), "facts_are_sound: Unavailable"),
    ],
)
def test_kit_finds_a_mood(mood: RelayMood, said: str) -> None:
    with pytest.raises(AssertionError, match=said):
        check(mood)


@pytest.mark.parametrize("mood", [SOUND, Bounce(2), Late(0.5)])
@pytest.mark.parametrize("contact", ["normally-closed", "normally-open", "latching"])
def test_kit_passes_what_keeps_the_contract(mood: RelayMood, contact: Contact) -> None:
    """A bounce is settled when the call ends; a late order does not survive a close."""
    check(mood, contact)


def test_kit_finds_a_late_order_that_survives_a_close() -> None:
    """The clause has teeth where a wrapper forgets to forget."""

    class Keeps(FaultyRelay):
        """Its link keeps what is late. Errors: Unavailable."""

        async def _forget_the_late(self) -> None: ...

    async def life() -> None:
        host, bench = TestHost("lobby", now_ms=1_000_000), twin_bench.Bench()
        await host.share(twin_bench.key("lobby"), twin_bench.opener(bench))

        def make(_: Contact) -> Relay:
            relay = TwinRelay(TwinRelaySettings(), host)
            return Keeps(relay, [(1, SOUND), (1, Late(0.5))])

        async def supply_becomes(_: Contact, supply: Supply) -> bool:
            await asyncio.sleep(1)
            return bench.contact.closed == (supply is ON)

        await cancelled_set_leaves_it_usable(
            RelayBench(make=make, supply_becomes=supply_becomes)
        )

    with pytest.raises(AssertionError, match="did not come back"):
        run(life(), clock=VirtualClock())
