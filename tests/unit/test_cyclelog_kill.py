"""Real crashes: what was acknowledged is there, and the chain holds.

The writer runs as a process of its own and is killed with SIGKILL at any moment; its
list of acknowledged ids is what it had printed by then. What a power cut may leave of
the WAL is cut and garbled by hand.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from support import cyclelog_rows as make
from support.cyclelog_faults import garble
from support.cyclelog_verifier import verify
from tidegate.cyclelog.check import check
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.rows import Entry
from tidegate.cyclelog.writer import Writer

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
    with Reader(path) as reader:
        assert check(reader) is None
        return list(reader.rows())


def kill_after(path: Path, lines: int) -> set[int]:
    """Run the writer, kill it after so many lines, return the acknowledged ids."""
    writer = subprocess.Popen(
        [sys.executable, "-c", PROGRAM, str(path)],
        env={**os.environ, "PYTHONPATH": ":".join(sys.path)},
        stdout=subprocess.PIPE,
        text=True,
    )
    assert writer.stdout is not None
    told = [writer.stdout.readline() for _ in range(lines)]
    writer.send_signal(signal.SIGKILL)
    rest, _ = writer.communicate(timeout=30)
    # A last line that the kill cut off was not acknowledged in full.
    told += [line for line in rest.splitlines(keepends=True) if line.endswith("\n")]
    assert writer.returncode == -signal.SIGKILL
    return {int(word) for line in told for word in line.split()}


async def survives(path: Path, kills: int, seed: int) -> None:
    acknowledged: set[int] = set()
    chance = random.Random(seed)
    for _ in range(kills):
        acknowledged |= kill_after(path, chance.randint(1, 40))
        verify(path)
        assert acknowledged <= {each.id for each in entries(path)}
    writer = Writer.open(path, clock=make.clock(), threaded=False)
    row_id = writer.append(make.run())
    await writer.commit()
    await writer.close()
    assert row_id > max(acknowledged)
    assert acknowledged <= {each.id for each in entries(path)}
    assert not list(path.parent.glob("*damaged*"))


async def test_nothing_acknowledged_is_lost_by_a_kill(tmp_path: Path) -> None:
    await survives(tmp_path / "cycles.db", kills=4, seed=1)


@pytest.mark.slow
async def test_nothing_acknowledged_is_lost_by_thirty_kills(tmp_path: Path) -> None:
    await survives(tmp_path / "cycles.db", kills=30, seed=2)


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
    verify(crashed)
    found = entries(crashed)
    assert set(synced_ids) <= {each.id for each in found}
    torn = [each for each in found if getattr(each.row, "code", "") == "x" * 9000]
    assert len(torn) == (0 if loses else 3)
    assert [each.id for each in found][-2] == run_id
    assert not list(crashed.parent.glob("*damaged*"))
