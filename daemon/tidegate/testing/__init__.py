"""The conformance kit: what every backend must do, and wrappers that misbehave.

For authors of backends, ours and others. Nothing here needs a test framework: a
clause is an async function that returns, or raises ``AssertionError`` with one
sentence. Run one by one (``RELAY_CLAUSES``, ``GAUGE_CLAUSES``) they name what is
wrong; ``check_relay`` and ``check_gauge`` run them all, and see that each error which
the docstring of the class declares after "Errors:" is reached by a fault of the peer.

    async def test_my_relay() -> None:
        check_declaration(my_relay, {"kind": "my-relay", "address": "…"})
        await check_relay(RelayBench(make=..., supply_becomes=..., faults=(...,)))

What the daemon lends to a backend is there for tests too:
``Machine(SystemClock()).host("lobby", hint=lambda: None)`` of ``tidegate.host``.
"""

from tidegate.testing.bench import CONTACTS, GaugeBench, RelayBench
from tidegate.testing.clauses import Fault, Stall
from tidegate.testing.declaration import check_declaration
from tidegate.testing.declared import errors_are_reachable
from tidegate.testing.faulty_gauge import (
    Block,
    FaultyGauge,
    Freeze,
    Lie,
    Lose,
    Sound,
)
from tidegate.testing.faulty_relay import Dead, FaultyRelay, Reversed, Slow, Stuck
from tidegate.testing.gauge import GAUGE_CLAUSES, check_gauge
from tidegate.testing.relay import RELAY_CLAUSES, check_relay

__all__ = [
    "CONTACTS",
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
    "errors_are_reachable",
]
