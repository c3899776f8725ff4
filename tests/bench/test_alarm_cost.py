"""How long control is held by one start of the program of `[alarm]`.

A start with fork(2) copies the page tables of the daemon and holds it the longer the
bigger it is; one with vfork(2) does not. What is asserted is that ours does not grow
as a bare fork of the same process does.
"""

from __future__ import annotations

import asyncio
import os
import time
from pathlib import Path
from statistics import median

import pytest
from table import Figures, Part

from support.alarm_rig import AlarmRig
from tidegate.core.effects import Alarm
from tidegate.service.alarm_part import AlarmPart

pytestmark = pytest.mark.slow

STARTS = 40
TICK_S, TICKS = 0.001, 30
BALLAST_BYTES = 400_000_000


async def held_ms(rig: AlarmRig, tell: str) -> tuple[float, float]:
    """Return how long a start held the loop beyond a tick, and how long nothing did.

    The median of the longest of each; a loop that turns all the time would be held by
    the interpreter's own change of threads, which is not what is asked here.
    """
    found: dict[bool, list[float]] = {True: [], False: []}
    async with rig.part(tell) as part:
        for number in range(STARTS):
            for starts in (False, True):
                if starts:
                    rig.raised(part, Alarm.BATTERY_HOT, f"guide-{number}")
                found[starts].append(await _longest_ms(part))
    return median(found[True]), median(found[False])


async def _longest_ms(part: AlarmPart) -> float:
    longest_s, ticks = 0.0, 0
    while ticks < TICKS or not part.is_idle:
        began_s = time.perf_counter()
        await asyncio.sleep(TICK_S)
        longest_s = max(longest_s, time.perf_counter() - began_s - TICK_S)
        ticks += 1
    return 1_000 * longest_s


def fork_ms() -> float:
    """Return what a bare fork(2) of this process takes, its child ending at once."""
    began_s = time.perf_counter()
    pid = os.fork()
    if pid == 0:
        os._exit(0)
    took_s = time.perf_counter() - began_s
    os.waitpid(pid, 0)
    return 1_000 * took_s


async def test_a_start_holds_the_loop_no_longer_in_a_big_daemon(
    tmp_path: Path, figures: Figures
) -> None:
    rig = AlarmRig(tmp_path)
    tell = rig.telling()
    added_ms, forked_ms = [], []
    ballast = b""
    for name in ("as it is", "with 400 MB"):
        held, idle = await held_ms(rig, tell)
        added_ms.append(held - idle)
        forked_ms.append(median(fork_ms() for _ in range(10)))
        figures.row(
            Part.BESIDE,
            f"alarm program: late by a start, {name}",
            held,
            "ms",
            beside=("without a start", idle),
        )
        figures.row(Part.BESIDE, f"a bare fork, {name}", forked_ms[-1], "ms")
        ballast = ballast or b"x" * BALLAST_BYTES
    assert len(ballast) == BALLAST_BYTES
    assert added_ms[1] - added_ms[0] < forked_ms[1] - forked_ms[0]
