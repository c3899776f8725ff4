"""What an idle daemon costs, against a bare asyncio process beside it.

Promised: resident memory at most 1.15 times that of the same imports and 40 MB, one
thread for each open blocking backend beside main and log, five voluntary context
switches a poll, and 1.5 times the processor time of a bare loop that does the same
reads. What is asserted is looser, so that a busy machine fails nothing; ``-s`` prints
what was measured. Figures are those of proc(5): VmRSS, Threads,
voluntary_ctxt_switches and schedstat of every thread.
"""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from support.live_world import Battery, LiveWorld
from support.relay_board import RelayBoard

pytestmark = [pytest.mark.slow, pytest.mark.peer]

POLLS = 20
# What the daemon imports for a station on sysfs and serial-frame.
BARE = """
import asyncio
import serial
from tidegate.cli import daemon
from tidegate.service import control_part, plans_part
from tidegate_backends.gauges import sysfs
from tidegate_backends.relays import serial_frame

print("ready", flush=True)

async def idle():
    while True:
        await asyncio.sleep(1)

asyncio.run(idle())
"""

# The same reads in a bare loop: the power supplies with every poll, and as often as the
# daemon the board's own word for its contact. No judging, no deciding, no record.
BARE_READS = """
import asyncio
import serial
from pathlib import Path
from tidegate_backends.linux.power_supplies import survey

port = serial.Serial({port!r}, 9600, timeout=1)
print("ready", flush=True)

async def reads():
    polls = 0
    while True:
        survey(Path({root!r}))
        if polls % 2 == 0:
            port.write(bytes([0xA0, 1, 5, 0xA6]))
            assert len(port.read(4)) == 4
        polls += 1
        await asyncio.sleep(1)

asyncio.run(reads())
"""


def status(pid: int) -> dict[str, int]:
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    wanted = ("VmRSS", "Threads")
    return {
        key: int(rest.split()[0])
        for key, _, rest in (line.partition(":") for line in lines)
        if key in wanted
    }


def switches(pid: int) -> dict[str, int]:
    """Return the voluntary switches of each thread by its number and name."""
    found = {}
    for task in Path(f"/proc/{pid}/task").iterdir():
        lines = (task / "status").read_text().splitlines()
        (count,) = (int(x.split()[1]) for x in lines if x.startswith("voluntary"))
        found[f"{task.name} {(task / 'comm').read_text().strip()}"] = count
    return found


def processor_ms(pid: int) -> float:
    """Return the time that all threads of a process were running."""
    tasks = Path(f"/proc/{pid}/task").iterdir()
    return sum(int((t / "schedstat").read_text().split()[0]) for t in tasks) / 1e6


@contextmanager
def bare(program: str = BARE) -> Iterator[int]:
    """A process with the same imports that does nothing, or only what is named."""
    paths = os.pathsep.join(path for path in sys.path if path)
    with subprocess.Popen(
        [sys.executable, "-c", program],
        env={**os.environ, "PYTHONPATH": paths},
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        try:
            assert process.stdout is not None
            assert process.stdout.readline() == "ready\n"
            yield process.pid
        finally:
            process.kill()


def test_memory_threads_and_wake_ups_of_an_idle_daemon(tmp_path: Path) -> None:
    # Nothing moves in between: the board's channel holds the level still.
    battery = Battery("BAT0", soc_percent=60.0, rate_percent_s=0.0)
    with LiveWorld(tmp_path, battery) as world, world.daemon() as daemon:
        pid = daemon.process.pid
        world.wait_until(lambda: bool(world.board.heard()), 20, "the first frame")
        tick = threading.Event()
        tick.wait(8)
        with bare() as other:
            bare_kib = status(other)["VmRSS"]
        before, began_s = switches(pid), time.monotonic()
        tick.wait(POLLS)
        after, passed_s = switches(pid), time.monotonic() - began_s
        mine = status(pid)
        assert daemon.stop() == 0, daemon.said
    ratio = mine["VmRSS"] / bare_kib
    by_thread = {n: (after[n] - before.get(n, 0)) / passed_s for n in after}
    total = sum(by_thread.values())
    print(  # noqa: T201 - the figures are what a bench is for
        f"\nresident {mine['VmRSS'] / 1024:.1f} MB, bare {bare_kib / 1024:.1f} MB, "
        f"ratio {ratio:.3f} (goals 40 MB, 1.15)\n"
        f"threads {mine['Threads']}: {sorted(after)} (goal 4: main, log, sysfs, port)\n"
        f"voluntary switches a poll {total:.2f} (goal 5): "
        + ", ".join(f"{n} {rate:.2f}" for n, rate in sorted(by_thread.items()))
    )
    assert ratio <= 1.5
    assert mine["VmRSS"] <= 60 * 1024
    assert mine["Threads"] <= 5
    assert total <= 15


def test_processor_time_of_an_idle_daemon(tmp_path: Path) -> None:
    battery = Battery("BAT0", soc_percent=60.0, rate_percent_s=0.0)
    board = RelayBoard(tmp_path / "other-port")
    board.start()
    with LiveWorld(tmp_path, battery) as world, world.daemon() as daemon:
        pid = daemon.process.pid
        world.wait_until(lambda: bool(world.board.heard()), 20, "the first frame")
        tick = threading.Event()
        reads = BARE_READS.format(port=str(board.link), root=str(tmp_path / "BAT0"))
        with bare(reads) as other:
            tick.wait(8)
            before = processor_ms(pid), processor_ms(other)
            tick.wait(2 * POLLS)
            after = processor_ms(pid), processor_ms(other)
        assert daemon.stop() == 0, daemon.said
    board.stop()
    mine, bare_ms = ((b - a) / (2 * POLLS) for a, b in zip(before, after, strict=True))
    print(  # noqa: T201
        f"\nprocessor time a poll {mine:.2f} ms, bare loop with the same reads "
        f"{bare_ms:.2f} ms, ratio {mine / bare_ms:.2f} (goal 1.5)"
    )
    assert mine / bare_ms <= 4
