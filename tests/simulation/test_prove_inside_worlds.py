"""Commissioning runs at random moments, with faults on the way. Now and then two are
ordered at once, of which the second is refused.

Each world is one seed: batteries, moments, faults and ends are drawn. The promises hold
and replay agrees; whoever comes back knows what the log says (the rig checks that).
"""

from __future__ import annotations

import asyncio
from pathlib import Path
from random import Random
from typing import Any, Final

import pytest

from support.prove_inside_rig import FakeTalk, InsideRig, follows, ordered, over
from support.shell_rig import HANGS, ON, Mood, lives
from tidegate.cli import prove as command
from tidegate.cyclelog.rows import RunEndRow, RunRow
from tidegate.errors import Unavailable
from tidegate.service.asked import prove

NAMES: Final = ("lobby", "tower", "cellar")
GONE: Final = Unavailable("gone", target="fake", remedy="None.")


def fails(rig: InsideRig, random: Random) -> None:
    """Let a backend of any station fail in some way, for a while."""
    name, times = random.choice(NAMES), random.randrange(1, 4)
    relay, gauge = rig.relays[name], rig.gauges[name]
    match random.randrange(6):
        case 0:
            relay.order("set", HANGS, times=1)
        case 1:
            relay.order("set", Mood(error=GONE), times=times)
        case 2:
            late = Mood(takes_s=8, outlives=True, survives_close=True)
            relay.order("set", late, times=1)
        case 3:
            gauge.order("read", HANGS, times=times)
        case 4:
            gauge.order("read", Mood(error=GONE), times=times)
        case _:
            gauge.order("read", Mood(error=ZeroDivisionError("by order")), times=1)


async def proven(rig: InsideRig, random: Random, *, faults: int = 2) -> None:
    """Order one or two runs with some faults at most, and end them or not."""
    loop = asyncio.get_running_loop()
    running: list[Any] = []
    for name in random.sample(NAMES, random.choice([1, 1, 2])):
        talk = FakeTalk()
        running.append(ordered(rig, talk, name, rounds=random.randrange(1, 3)))
        match random.choice(["end", "leave", "never"]):
            case "end":
                loop.call_later(random.uniform(0, 90), talk.says, {"end": "Ctrl-C"})
            case "leave":
                loop.call_later(random.uniform(0, 90), talk.leaves)
    coming = [
        loop.call_later(random.uniform(0, 90), fails, rig, random)
        for _ in range(random.randint(0, faults))
    ]
    await asyncio.gather(*map(over, running))
    for each in coming:
        each.cancel()


def world(folder: Path, seed: int, runs: int) -> None:
    random = Random(seed)
    rig = InsideRig(folder, names=NAMES[:2], apart=NAMES[2:], table={"settle": "10s"})
    for device in rig.devices.values():
        device.soc_percent = random.uniform(45, 70)

    async def life() -> None:
        with rig.patched():
            await rig.begin()
            await rig.live(random.uniform(5, 900))
            for _ in range(runs):
                await proven(rig, random)
                assert rig.service is not None
                assert rig.service.turnover.names == {}
                await rig.live(random.choice([1, 30, 900]))
            # A relay that does not answer a stop is another matter: restore's.
            for relay in rig.relays.values():
                relay.next.clear()
            work = proven(rig, random, faults=0)
            last = asyncio.get_running_loop().create_task(work)
            await asyncio.sleep(random.uniform(0, 60))
            await rig.end()
            await last

    lives(rig, life)
    for name in NAMES:
        assert rig.now(name).contact is ON, f"seed {seed}: {name}"
        follows(rig, name)
    assert rig.comebacks > 0
    assert [len(rig.rows(kind)) for kind in (RunRow, RunEndRow)] == [1, 1]


@pytest.mark.parametrize("seed", range(2))
def test_runs_at_random_moments(seed: int, tmp_path: Path) -> None:
    world(tmp_path, seed, runs=2)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(100, 160))
def test_many_runs_at_random_moments(seed: int, tmp_path: Path) -> None:
    world(tmp_path, seed, runs=8)


def test_the_socket_takes_as_many_rounds_as_the_command() -> None:
    assert prove.ROUNDS_MOST == command.ROUNDS_MOST
