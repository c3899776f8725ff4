"""The conformance kit: what every backend must do, and wrappers that misbehave.

For authors of backends, ours and others. Nothing here needs a test framework: a
clause is an async function that returns, or raises ``AssertionError`` with one
sentence. Run one by one (``RELAY_CLAUSES``, ``GAUGE_CLAUSES``) they name what is
wrong; ``check_relay`` and ``check_gauge`` run them all.

    async def test_my_relay() -> None:
        check_declaration(my_relay, {"kind": "my-relay", "address": "…"})
        await check_relay(RelayBench(make=..., supply_becomes=...))
"""

from tidegate.testing.clauses import Fault, Stall
from tidegate.testing.declaration import check_declaration
from tidegate.testing.faulty_gauge import (
    Block,
    FaultyGauge,
    Freeze,
    Lie,
    Lose,
    Sound,
)
from tidegate.testing.faulty_relay import Dead, FaultyRelay, Reversed, Slow, Stuck
from tidegate.testing.gauge import GAUGE_CLAUSES, GaugeBench, check_gauge
from tidegate.testing.relay import RELAY_CLAUSES, RelayBench, check_relay

__all__ = [
    "GAUGE_CLAUSES",
    "RELAY_CLAUSES",
    "Block",
    "Dead",
    "Fault",
    "FaultyGauge",
    "FaultyRelay",
    "Freeze",
    "GaugeBench",
    "Lie",
    "Lose",
    "RelayBench",
    "Reversed",
    "Slow",
    "Sound",
    "Stall",
    "Stuck",
    "check_declaration",
    "check_gauge",
    "check_relay",
]
