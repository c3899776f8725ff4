"""What a flood on the control socket costs the daemon's loop.

Beside it, in the same run, a plain server of asyncio that takes everybody and reads
their lines, under the same flood. Processor time is that of the loop's own thread:
clock_gettime(2), CLOCK_THREAD_CPUTIME_ID. What is asserted is loose, so that a busy
machine fails nothing.
"""

from __future__ import annotations

import asyncio
import io
import sys
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from table import Figures, Part

from support import control_flood
from support.control_rig import ControlRig
from tidegate import notice

pytestmark = pytest.mark.slow

FLOOD_S = 4.0
BEAT_S = 0.01


@asynccontextmanager
async def flooded(path: Path) -> AsyncIterator[None]:
    program = await asyncio.create_subprocess_exec(
        sys.executable, control_flood.__file__, str(path), str(FLOOD_S)
    )
    try:
        yield
    finally:
        await program.wait()


async def measured() -> tuple[float, float]:
    """Return the share of a processor, and the worst but one in a hundred delay."""
    loop = asyncio.get_running_loop()
    began_s, used_s, delays = loop.time(), time.thread_time(), []
    while loop.time() - began_s < FLOOD_S:
        due_s = loop.time() + BEAT_S
        await asyncio.sleep(BEAT_S)
        delays.append(loop.time() - due_s)
    share = (time.thread_time() - used_s) / (loop.time() - began_s)
    return share, sorted(delays)[-len(delays) // 100 - 1]


async def plain(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    try:
        while await reader.readline():
            pass
    except (ConnectionError, ValueError):  # ValueError: a line beyond the limit
        return
    finally:
        writer.close()


async def test_a_flood_costs_little(tmp_path: Path, figures: Figures) -> None:
    messages = io.StringIO()
    notice.configure(stream=messages)
    rig = ControlRig(tmp_path / "control.sock")
    async with rig.serving():
        _, idle_delay_s = await measured()
        async with flooded(rig.path):
            ours, delay_s = await measured()
    beside = tmp_path / "plain.sock"
    async with await asyncio.start_unix_server(plain, str(beside)), flooded(beside):
        theirs, _ = await measured()
    figures.row(
        Part.BESIDE,
        "flood of the control socket: of one core",
        100 * ours,
        "%",
        beside=("a plain server", 100 * theirs),
    )
    figures.row(
        Part.BESIDE,
        "the same: late by, p99",
        1_000 * delay_s,
        "ms",
        beside=("idle", 1_000 * idle_delay_s),
    )
    assert ours / theirs < 0.5
    assert ours < 0.3
    assert delay_s < 0.05
    assert len(messages.getvalue().splitlines()) < 100
