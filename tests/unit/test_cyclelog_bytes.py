"""What a station costs: bytes written to flash in a day, and the log of a year.

The day is synthetic: a poll every 30 s, whole percents, six swings of ten points with
twelve switchings, the temperature moving by half a degree. Written bytes are what the
process handed to the kernel (``wchar`` of /proc/self/io, see proc(5)): log, WAL and
checkpoints.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from support import cyclelog_rows as make
from support.cyclelog_life import Life
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.rows import IntentRow, LinkRow, ReadingRow
from tidegate.cyclelog.writer import Writer

IO = Path("/proc/self/io")


def written() -> int:
    """Return the bytes that this process has written so far."""
    counts = dict(line.split(": ") for line in IO.read_text().splitlines())
    return int(counts["wchar"])


def size(path: Path) -> int:
    return path.stat().st_size


async def days(path: Path, count: int) -> int:
    """Let a station live so many days; return the bytes written."""
    life = Life(path, make.clock(), load_percent_h=3.6, charge_percent_h=6.0)
    begin = written()
    await life.start()
    for _ in range(count):
        await life.live(24 * 60)
        life.write_state()
        await life.writer.commit()
    await life.stop()
    return written() - begin


@pytest.mark.skipif(not IO.exists(), reason="this kernel counts no written bytes")
async def test_a_station_day_stays_within_its_budget(tmp_path: Path) -> None:
    path = tmp_path / "cycles.db"
    bare = tmp_path / "bare.db"
    await Writer.open(bare, clock=make.clock(), threaded=False).close()
    flash = await days(path, 2)
    with Reader(path) as reader:
        rows = [each.row for each in reader.rows()]
    switchings = sum(isinstance(row, IntentRow) for row in rows) / 2
    commits = sum(isinstance(row, LinkRow) for row in rows) / 2
    runs = sum(isinstance(row, ReadingRow) for row in rows) / 2
    assert 11 <= switchings <= 14
    a_day = (size(path) - size(bare)) / 2
    # Shown by -s, and when an assertion below fails.
    print(  # noqa: T201
        f"{flash / 2e6:.2f} MB written, {a_day / 1e3:.1f} kB kept a station-day; "
        f"{365 * a_day / 1e6:.1f} MB a station-year; {commits:.0f} commits, "
        f"{runs:.0f} reading rows, {switchings:.0f} switchings a day"
    )
    assert flash / 2 <= 3_000_000
    assert 365 * a_day <= 12_000_000
