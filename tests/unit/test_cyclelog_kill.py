"""Real crashes: what was acknowledged is there, and the chain holds.

The writer runs as a process of its own and is killed with SIGKILL at any moment; its
list of acknowledged ids is what it had printed by then. What a power cut may leave of
the WAL is cut and garbled by hand.
"""

from __future__ import annotations

import os
import random
import select
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from support import cyclelog_rows as make
from support.cyclelog_faults import garble
from support.cyclelog_verifier import verify as verified_apart
from tidegate.cyclelog import chain
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.rows import Entry
from tidegate.cyclelog.verify import verify
from tidegate.cyclelog.writer import Writer
from tidegate.errors import LogEmpty

PROGRAM = """
import asyncio, itertools, sys
from pathlib import Path
from support import cyclelog_rows as make
from tidegate.clock import SystemClock
from tidegate.cyclelog.writer import Writer

async def main():
    writer = Writer.open(Path(sys.argv[1]), clock=SystemClock())
    writer.append(make.run())
    for count in itertools.count():
        ids = [writer.append(make.alarm(count, code="x" * (count % 3000)))]
        ids += [writer.append(make.reading(count)) for _ in range(count % 4)]
        await writer.commit()
        print(*ids, flush=True)

asyncio.run(main())
"""


def entries(path: Path) -> list[Entry]:
    try:
        verdict = verify(path)
    except LogEmpty:
        return []  # killed as it began the file
    assert verdict.fault is None
    head = verdict.head
    ours = (verdict.links, chain.START if head is None else head[1].digest)
    assert verified_apart(path) == ours
    with Reader(path) as reader:
        return list(reader.rows())


def started(path: Path) -> subprocess.Popen[bytes]:
    """Start the writer as a process of its own."""
    return subprocess.Popen(
        [sys.executable, "-c", PROGRAM, str(path)],
        env={**os.environ, "PYTHONPATH": ":".join(sys.path)},
        stdout=subprocess.PIPE,
    )


def kill_after(path: Path, *, at_least: int, within_s: float) -> set[int]:
    """Run the writer, kill it, return the acknowledged ids.

    The moment is so many bytes of acknowledgements and then a time that falls
    anywhere: into a commit, a checkpoint, or the start when no bytes are awaited.
    """
    writer = started(path)
    assert writer.stdout is not None
    told, pipe = b"", writer.stdout.fileno()
    while len(told) < at_least:
        told += os.read(pipe, 4096) or pytest.fail("the writer ended by itself")
    end_s = time.monotonic() + within_s
    while (left_s := end_s - time.monotonic()) > 0:
        if select.select([pipe], [], [], left_s)[0]:
            told += os.read(pipe, 4096) or pytest.fail("the writer ended by itself")
    writer.send_signal(signal.SIGKILL)
    rest, _ = writer.communicate(timeout=30)
    assert writer.returncode == -signal.SIGKILL
    # A last line that the kill cut off was not acknowledged in full.
    whole, _, _ = (told + rest).rpartition(b"\n")
    return {int(word) for word in whole.split()}


def survived(path: Path, kills: int, seed: int) -> set[int]:
    """Kill one writer after the other; return what all of them had acknowledged."""
    acknowledged: set[int] = set()
    chance = random.Random(seed)
    for count in range(kills):
        awaited = chance.choice((0, 1, 1, chance.randint(1, 500)))
        within_s = chance.uniform(0.0, 0.05 if awaited else 0.5)
        acknowledged |= kill_after(path, at_least=awaited, within_s=within_s)
        where = f"{seed=} {count=} {awaited=} {within_s=}"
        if not path.exists() or not path.stat().st_size:
            assert not acknowledged, where
            continue
        assert acknowledged <= {each.id for each in entries(path)}, where
    return acknowledged


async def survives(path: Path, kills: int, seed: int) -> None:
    acknowledged = survived(path, kills, seed)
    writer = Writer.open(path, clock=make.clock(), threaded=False)
    row_id = writer.append(make.run())
    await writer.commit()
    await writer.close()
    assert row_id > max(acknowledged)
    assert acknowledged <= {each.id for each in entries(path)}
    assert not list(path.parent.glob("*damaged*"))


async def test_nothing_acknowledged_is_lost_by_a_kill(tmp_path: Path) -> None:
    await survives(tmp_path / "cycles.db", kills=4, seed=1)


def test_a_log_is_whole_at_every_moment_while_it_is_written(tmp_path: Path) -> None:
    """Tables are read one after the other, and must all be of the same moment."""
    path = tmp_path / "cycles.db"
    kill_after(path, at_least=1, within_s=0.0)
    writer = started(path)
    assert writer.stdout is not None
    assert writer.stdout.readline()
    seen = set()
    for _ in range(30):
        verdict = verify(path)
        assert verdict.fault is None
        assert "is writing" in verdict.notes[0]
        seen.add(verdict.links)
    writer.kill()
    writer.communicate(timeout=30)
    assert len(seen) > 2, "it did not write meanwhile"


@pytest.mark.slow
def test_nothing_acknowledged_is_lost_by_two_hundred_kills(tmp_path: Path) -> None:
    """Two writers at a time, ten logs of twenty kills each."""
    places = [tmp_path / str(seed) / "cycles.db" for seed in range(10)]
    with ThreadPoolExecutor(2) as pool:
        told = list(pool.map(survived, places, [20] * 10, range(10)))
    assert all(len(acknowledged) > 20 for acknowledged in told)
    assert not list(tmp_path.rglob("*damaged*"))


# --- a torn WAL ---------------------------------------------------------------------


def _size(path: Path) -> int:
    return path.stat().st_size


def _cut_behind(wal: Path, synced: int) -> None:
    os.truncate(wal, synced)


def _cut_within(wal: Path, synced: int) -> None:
    os.truncate(wal, synced + 100)


def _garble_behind(wal: Path, synced: int) -> None:
    garble(wal, at=synced, length=wal.stat().st_size - synced)


def _garble_one_page(wal: Path, synced: int) -> None:
    garble(wal, at=synced + 24 + 500, length=64)


def _noise_after_the_end(wal: Path, synced: int) -> None:
    garble(wal, at=wal.stat().st_size, length=5_000)


@pytest.mark.parametrize(
    ("tear", "loses"),
    [
        (_cut_behind, True),
        (_cut_within, True),
        (_garble_behind, True),
        (_garble_one_page, True),
        (_noise_after_the_end, False),
    ],
)
async def test_a_torn_wal_opens_with_all_that_was_synced(
    tmp_path: Path, tear: Callable[[Path, int], None], *, loses: bool
) -> None:
    path = tmp_path / "cycles.db"
    wal = Path(f"{path}-wal")
    writer = Writer.open(path, clock=make.clock(), threaded=False)
    synced_ids = [writer.append(row) for row in make.some()]
    await writer.commit()
    synced = _size(wal)
    for _ in range(3):
        writer.append(make.alarm(code="x" * 9000))
    await writer.commit()

    crashed = tmp_path / "crashed" / "cycles.db"
    crashed.parent.mkdir()
    for file in (path, wal):
        shutil.copy(file, crashed.parent)
    await writer.close()
    tear(Path(f"{crashed}-wal"), synced)

    reborn = Writer.open(crashed, clock=make.clock(), threaded=False)
    run_id = reborn.append(make.run())
    await reborn.commit()
    await reborn.close()
    found = entries(crashed)
    assert set(synced_ids) <= {each.id for each in found}
    torn = [each for each in found if getattr(each.row, "code", "") == "x" * 9000]
    assert len(torn) == (0 if loses else 3)
    assert [each.id for each in found][-2] == run_id
    assert not list(crashed.parent.glob("*damaged*"))
