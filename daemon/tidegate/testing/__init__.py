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

``FaultyGauge`` and ``FaultyRelay`` go around any gauge and relay, and do in each call
what a *mood* says: by a script of calls, or by an order that holds until the next.
They use no time of day and no dice; a delay is one of the loop, so virtual time does.

    gauge = FaultyGauge(my_gauge, [(3, SOUND), (1, Lose(Malformed)), (2, Freeze())])
    relay = FaultyRelay(my_relay)
    async with gauge, relay:
        gauge.order(Jump(-30))  # every read tells 30 points less
        gauge.order(SOUND)  # and no longer
        relay.order(Late(90))  # an off now moves the contact in 90 s, unless closed
        with suppress(TimeoutError):
            await asyncio.wait_for(relay.set(Supply.OFF), 5)
        await relay.moved_by_a_stranger(Supply.OFF)
        await relay.browned_out(rest=Supply.ON)  # forgets the late off too

A gauge can ``Lose``, ``Freeze``, ``Lie``, ``Jump``, ``Lag``, ``Answer`` nonsense,
``Block``, be slow (``Takes``) or ``Break``. A relay can be ``Dead``, ``Stuck``,
``Slow``, ``Reversed``, ``Late`` or ``Unheard``, ``Bounce`` or ``Break``. Either can be
``Absent``, so that not even opening it works.
"""

from tidegate.testing.bench import CONTACTS, GaugeBench, RelayBench
from tidegate.testing.clauses import Fault, Stall
from tidegate.testing.declaration import check_declaration
from tidegate.testing.declared import errors_are_reachable
from tidegate.testing.faulty_gauge import (
    SOUND,
    Absent,
    Answer,
    Block,
    Break,
    FaultyGauge,
    Freeze,
    GaugeMood,
    Jump,
    Lag,
    Lie,
    Lose,
    Sound,
    Takes,
)
from tidegate.testing.faulty_relay import (
    Bounce,
    Dead,
    FaultyRelay,
    Late,
    RelayMood,
    Reversed,
    Slow,
    Stuck,
    Unheard,
)
from tidegate.testing.gauge import GAUGE_CLAUSES, check_gauge
from tidegate.testing.relay import RELAY_CLAUSES, check_relay

__all__ = [
    "CONTACTS",
    "GAUGE_CLAUSES",
    "RELAY_CLAUSES",
    "SOUND",
    "Absent",
    "Answer",
    "Block",
    "Bounce",
    "Break",
    "Dead",
    "Fault",
    "FaultyGauge",
    "FaultyRelay",
    "Freeze",
    "GaugeBench",
    "GaugeMood",
    "Jump",
    "Lag",
    "Late",
    "Lie",
    "Lose",
    "RelayBench",
    "RelayMood",
    "Reversed",
    "Slow",
    "Sound",
    "Stall",
    "Stuck",
    "Takes",
    "Unheard",
    "check_declaration",
    "check_gauge",
    "check_relay",
    "errors_are_reachable",
]
