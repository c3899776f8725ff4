"""What every relay must do, clause by clause."""

from __future__ import annotations

import math
from collections.abc import Awaitable, Callable
from typing import Final

from tidegate.contract import Readback, Relay
from tidegate.core.reading import Supply
from tidegate.errors import Unavailable
from tidegate.testing.bench import CONTACTS as CONTACTS
from tidegate.testing.bench import RelayBench
from tidegate.testing.clauses import Fault, expect, expect_error, no_error, within
from tidegate.testing.declared import errors_are_reachable
from tidegate.testing.relay_cut import (
    cancelled_get_leaves_it_usable,
    cancelled_open_leaves_it_usable,
    cancelled_set_leaves_it_usable,
    closed_during_a_set_is_clean,
)

# A switching that may take longer is none: a floor is guarded within a poll. An
# engineering choice, no source.
ANSWERS_WITHIN_MOST_S: Final = 120.0

_ORDERS: Final = (Supply.OFF, Supply.ON, Supply.ON, Supply.OFF, Supply.OFF, Supply.ON)


async def facts_are_sound(bench: RelayBench) -> None:
    """An open relay tells what it is like, in figures that can be."""
    for contact in bench.contacts:
        async with bench.make(contact) as relay:
            facts = relay.facts
            expect(facts.readback in Readback, f"readback is {facts.readback!r}")
            expect(
                math.isfinite(facts.latency_s) and facts.latency_s >= 0,
                f"latency_s is {facts.latency_s}",
            )
            expect(
                0 < facts.answers_within_s <= ANSWERS_WITHIN_MOST_S,
                f"answers_within_s is {facts.answers_within_s}, not over 0 and at "
                f"most {ANSWERS_WITHIN_MOST_S:g}",
            )
            expect(
                facts.dead_man_s is None or facts.dead_man_s > 0,
                f"dead_man_s is {facts.dead_man_s}",
            )
            safe = contact == "normally-closed" or facts.dead_man_s is not None
            expect(
                safe or not facts.fails_on,
                f"a {contact} contact without a timer cannot fail to on",
            )


async def set_moves_the_supply(bench: RelayBench) -> None:
    """After set the supply is as ordered, for every wiring, also when repeated."""
    for contact in bench.contacts:
        async with bench.make(contact) as relay:
            for supply in _ORDERS:
                await relay.set(supply)
                expect(
                    await bench.supply_becomes(contact, supply),
                    f"set({supply}) on a {contact} contact: the supply is not {supply}",
                )


async def get_agrees_with_set(bench: RelayBench) -> None:
    """Get tells what was set; None exactly where the readback grade is under latch."""
    for contact in bench.contacts:
        async with bench.make(contact) as relay:
            for supply in _ORDERS:
                await relay.set(supply)
                expect(
                    await bench.supply_becomes(contact, supply),
                    f"set({supply}) on a {contact} contact did not reach the supply",
                )
                told = await relay.get()
                if told is None:
                    expect(
                        relay.facts.readback < Readback.LATCH,
                        f"get is None with readback {relay.facts.readback.name}",
                    )
                    continue
                expect(
                    relay.facts.readback > Readback.NONE,
                    f"get is {told} with readback NONE: it is a guess",
                )
                expect(told is supply, f"set({supply}) on {contact}, get is {told}")


async def refresh_is_harmless(bench: RelayBench) -> None:
    """Refresh leaves the supply alone, with a dead-man timer and without one."""
    contact = bench.contacts[0]
    async with bench.make(contact) as relay:
        await relay.set(Supply.OFF)
        await relay.refresh()
        expect(
            await bench.supply_becomes(contact, Supply.OFF),
            "refresh changed the supply",
        )
        await relay.set(Supply.ON)


async def close_may_be_repeated(bench: RelayBench) -> None:
    """Close before open, twice, and open again after it."""
    contact = bench.contacts[0]
    relay = bench.make(contact)
    await no_error(relay.close(), when="close of a relay that was never open")
    for _ in range(2):
        await no_error(relay.open(), when="open")
        await relay.set(Supply.ON)
        await no_error(relay.close(), when="close")
        await no_error(relay.close(), when="close a second time")
    expect(
        await bench.supply_becomes(contact, Supply.ON),
        "the supply is not on at the end",
    )


async def closed_is_unavailable(bench: RelayBench) -> None:
    """A relay that is not open says so instead of acting."""
    relay = bench.make(bench.contacts[0])
    await expect_error(relay.set(Supply.ON), Unavailable, when="set before open")
    await relay.open()
    await relay.set(Supply.ON)
    await relay.close()
    await expect_error(relay.set(Supply.OFF), Unavailable, when="set after close")
    await expect_error(relay.get(), Unavailable, when="get after close")


async def faults_are_told(bench: RelayBench) -> None:
    """Each fault of the peer gives its error, and once mended the relay works."""
    contact = bench.contacts[0]
    for fault in bench.faults:
        relay = bench.make(contact)
        if fault.during != "open":
            await relay.open()
        await fault.provoke()
        try:
            call = _call(relay, fault)
            await expect_error(call, fault.error, when=fault.name)
            await no_error(relay.close(), when=f"close under {fault.name}")
        finally:
            await fault.mend()
        await no_error(relay.open(), when=f"open after {fault.name}")
        await no_error(relay.set(Supply.ON), when=f"set after {fault.name}")
        expect(
            await bench.supply_becomes(contact, Supply.ON),
            f"after {fault.name} the supply does not come back",
        )
        await relay.close()


def _call(relay: Relay, fault: Fault) -> Awaitable[object]:
    if fault.during == "open":
        return relay.open()
    if fault.during == "set":
        return relay.set(Supply.OFF)
    expect(fault.during == "get", f"{fault.name}: a relay has no {fault.during}")
    return relay.get()


Clause = Callable[[RelayBench], Awaitable[None]]
RELAY_CLAUSES: Final[tuple[Clause, ...]] = (
    facts_are_sound,
    set_moves_the_supply,
    get_agrees_with_set,
    refresh_is_harmless,
    cancelled_open_leaves_it_usable,
    cancelled_set_leaves_it_usable,
    cancelled_get_leaves_it_usable,
    closed_during_a_set_is_clean,
    close_may_be_repeated,
    closed_is_unavailable,
    faults_are_told,
)


async def check_relay(bench: RelayBench) -> None:
    """Run every clause. Raises AssertionError with the first that does not hold."""
    for clause in RELAY_CLAUSES:
        name = getattr(clause, "__name__", repr(clause))
        await within(bench.limit_s, clause(bench), name=name)
    await within(
        bench.limit_s, errors_are_reachable(bench), name="errors_are_reachable"
    )
