"""A restart anywhere in random days: the log rebuilds exactly the state that ended.

The device is the twin with its own weather, gauge quirks and faults; service, cycle
log and reader are the real ones. All numbers are invented.
"""

from __future__ import annotations

import asyncio
from pathlib import Path
from random import Random
from typing import Any

import pytest

from tidegate.core.state import evidence
from tidegate.cyclelog.check import check
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.replay import rebuild, replay
from tidegate.cyclelog.rows import IntentRow
from tidegate.host import Machine, Workers
from tidegate.host.locks import Locks
from tidegate.host.workers import InlineWorker
from tidegate.service import Service
from tidegate.settings import from_tables
from tidegate.twin import bench
from tidegate.virtual import VirtualClock, run

DAY_H = 24.0
EVENTS = (
    ("mains_out", 1.5),
    ("relay_stuck", 0.6),
    ("relay_unreachable", 0.4),
    ("relay_reset", 0.0),
    ("gauge_unreachable", 0.3),
    ("gauge_frozen", 1.0),
    ("gauge_jump", 0.05),
    ("gauge_absent", 0.1),
    ("hot", 2.0),
)


def tables(random: Random) -> dict[str, Any]:
    events = []
    for what, hours in EVENTS:
        if random.random() < 0.5:
            event = {"what": what, "after_h": round(random.uniform(0.3, 20), 3)}
            event |= {"for_h": round(hours * random.uniform(0.5, 1.5), 3)}
            event |= {"amount": {"hot": 40.0, "gauge_jump": 20.0}.get(what, 0.0)}
            events.append(event)
    gauge = {
        "kind": "twin",
        "device": "guide",
        "seed": random.randrange(1000),
        "soc_percent": random.uniform(30, 95),
        "load_a": round(random.uniform(0.2, 1.2), 2),
        "needs_supply": random.random() < 0.3,
        "quirks": {"step_percent": 1.0, "noise_percent": random.choice([0.0, 0.5])},
        "events": events,
    }
    relay = {
        "kind": "twin",
        "device": "guide",
        "readback": random.choice([0, 2, 3]),
        "wired": random.choice(["normally-closed"] * 3 + ["normally-open"]),
    }
    return {"gauge": gauge, "relay": relay, "window": {"low": 55, "high": 65}}


SEEDS = [*range(3), *(pytest.param(n, marks=pytest.mark.slow) for n in range(3, 24))]


@pytest.mark.parametrize("seed", SEEDS)
def test_rebuild_equals_what_ended_at_every_restart(seed: int, tmp_path: Path) -> None:
    random = Random(seed)
    clock = VirtualClock(boot_ms=600_000)
    log = tmp_path / "cycles.db"
    settings = from_tables(
        {"log": {"path": str(log)}, "station": {"a": tables(random)}}
    )
    states: list[Any] = []
    key = bench.key("guide")

    async def life() -> None:
        machine = Machine(
            clock, workers=Workers(InlineWorker), locks=Locks(tmp_path / "locks")
        )
        # The device outlives the daemon.
        shared = await machine.links.take(key, bench.opener())
        left_h = DAY_H
        while left_h > 0:
            hours = min(left_h, random.uniform(0.05, 6.0))
            left_h -= hours
            service = Service(settings, clock=clock, machine=machine, threaded=False)
            task = asyncio.get_running_loop().create_task(service.run())
            await asyncio.sleep(hours * 3_600)
            assert not task.done()
            service.end()
            await task
            assert not service.broken
            state = service.stations["a"].state
            assert state is not None
            with Reader(log) as reader:
                rebuilt = rebuild(reader, "a")
            assert rebuilt is not None
            assert evidence(rebuilt) == evidence(state)
            assert rebuilt.quiet == state.quiet, "a state row is exact in all of it"
            states.append(state)
            # Reversed wiring that is not found out yet gives the opposite.
            is_wired_right = shared.value.contact.wiring == "normally-closed"
            if is_wired_right and not (state.latches.relay or state.drive.on_failed):
                assert shared.value.contact.closed or shared.value.contact.stuck
            await asyncio.sleep(random.uniform(0, 300))
        await machine.links.give_back(shared)

    run(life(), clock=clock)
    with Reader(log) as reader:
        assert check(reader) is None
        entries = list(reader.rows("a"))
    result = replay(entries, "a")
    assert result.ok, result.first_mismatch
    assert result.unproven == 0
    assert sum(isinstance(e.row, IntentRow) for e in entries) == result.switchings
    assert len(states) >= 3
    assert result.switchings > 2 * len(states)
