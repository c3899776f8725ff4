"""Calls of a gauge that are cut short: cancelled half-way, or closed under way."""

from __future__ import annotations

from tidegate.testing.bench import GaugeBench
from tidegate.testing.clauses import cancelled, closed_under_way, no_error


async def cancelled_open_leaves_it_usable(bench: GaugeBench) -> None:
    """After an opening that was cancelled half-way: close, open, read."""
    gauge = bench.make()
    await cancelled(gauge.open(), bench.open_stall)
    await no_error(gauge.close(), when="close after a cancelled open")
    await no_error(gauge.open(), when="open after a cancelled open")
    await no_error(gauge.read(), when="read after a cancelled open")
    await gauge.close()


async def cancelled_read_leaves_it_usable(bench: GaugeBench) -> None:
    """After a read that was cancelled half-way: close, open, read."""
    gauge = bench.make()
    await gauge.open()
    await cancelled(gauge.read(), bench.stall)
    await no_error(gauge.close(), when="close after a cancelled read")
    await no_error(gauge.open(), when="open after a cancelled read")
    await no_error(gauge.read(), when="read after a cancelled read")
    await gauge.close()


async def closed_during_a_read_is_clean(bench: GaugeBench) -> None:
    """Close while a read is under way: the read ends, and open and read work again."""
    gauge = bench.make()
    await gauge.open()
    await closed_under_way(gauge.read(), gauge.close, bench.stall, what="read")
    await no_error(gauge.open(), when="open after a close during a read")
    await no_error(gauge.read(), when="read after a close during a read")
    await gauge.close()
