"""Calls of a relay that are cut short: cancelled half-way, or closed under way.

A late off must not land after an on: that is what a poisoned link relies on.
"""

from __future__ import annotations

from tidegate.contract import Relay
from tidegate.core.reading import Supply
from tidegate.testing.bench import RelayBench
from tidegate.testing.clauses import cancelled, closed_under_way, expect, no_error


async def cancelled_open_leaves_it_usable(bench: RelayBench) -> None:
    """After an opening that was cancelled half-way: close, open, on, and it is on."""
    relay = bench.make(bench.contacts[0])
    await cancelled(relay.open(), bench.open_stall)
    await _goes_on_again(bench, relay, after="a cancelled open")


async def cancelled_set_leaves_it_usable(bench: RelayBench) -> None:
    """After a set that was cancelled half-way: close, open, on, and it stays on."""
    relay = bench.make(bench.contacts[0])
    await relay.open()
    await relay.set(Supply.ON)
    await cancelled(relay.set(Supply.OFF), bench.stall)
    await _goes_on_again(bench, relay, after="a cancelled set")


async def cancelled_get_leaves_it_usable(bench: RelayBench) -> None:
    """After a get that was cancelled half-way: close, open, on, and it is on."""
    relay = bench.make(bench.contacts[0])
    await relay.open()
    await relay.set(Supply.ON)
    await cancelled(relay.get(), bench.get_stall)
    await _goes_on_again(bench, relay, after="a cancelled get")


async def closed_during_a_set_is_clean(bench: RelayBench) -> None:
    """Close while a set is under way: the set ends, and an on afterwards stays."""
    relay = bench.make(bench.contacts[0])
    await relay.open()
    await relay.set(Supply.ON)

    async def on_again() -> None:
        await relay.open()
        await relay.set(Supply.ON)

    call = relay.set(Supply.OFF)
    is_on = await closed_under_way(
        call, relay.close, bench.stall, what="set", again=on_again
    )
    expect(
        not is_on or await bench.supply_becomes(bench.contacts[0], Supply.ON),
        "an off that was under way at close came late, after an on",
    )
    await _goes_on_again(bench, relay, after="a close during a set")


async def _goes_on_again(bench: RelayBench, relay: Relay, *, after: str) -> None:
    """Close, open, on: the supply comes back and stays, also when closed."""
    contact = bench.contacts[0]
    await no_error(relay.close(), when=f"close after {after}")
    await no_error(relay.open(), when=f"open after {after}")
    await no_error(relay.set(Supply.ON), when=f"set after {after}")
    expect(
        await bench.supply_becomes(contact, Supply.ON),
        f"after {after} the supply did not come back",
    )
    expect(
        await relay.get() is not Supply.OFF,
        f"after {after} and an on the relay still reports off",
    )
    await relay.close()
    expect(
        await bench.supply_becomes(contact, Supply.ON),
        f"after {after} an off came late, after an on",
    )
