"""Rows that wait, and the file that they go to, at the edges of both."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from support import cyclelog_rows as make
from tidegate.cyclelog.backlog import Backlog
from tidegate.cyclelog.disk import aside_files
from tidegate.cyclelog.file import LogFile
from tidegate.cyclelog.rows import Entry
from tidegate.cyclelog.writer import Writer
from tidegate.errors import LogError


def test_as_many_rows_as_the_limit_wait_and_not_one_more():
    rows = Backlog(limit=8)
    for at_ms in range(8):
        rows.append(make.event(at_ms))
    assert not rows.has_lost
    rows.append(make.event(8))
    assert rows.has_lost


async def _is_durable(writer: Writer) -> bool:
    try:
        await writer.commit()
    except LogError:
        return False
    return True


@pytest.mark.parametrize(("after_ms", "durable"), [(9_999, False), (10_000, True)])
async def test_a_disk_that_refused_is_tried_again_after_ten_seconds(
    tmp_path: Path, after_ms: int, durable: bool
):
    # A folder in place of the file stands for the disk; it works again at once.
    path, clock = tmp_path / "cycles.db", make.clock()
    path.mkdir()
    writer = Writer.open(path, clock=clock, threaded=False)
    path.rmdir()
    writer.append(make.event())
    clock.advance(after_ms)
    assert await _is_durable(writer) is durable
    await writer.close()


def test_a_commit_waits_for_the_disk(tmp_path: Path):
    # synchronous=FULL is 2; https://www.sqlite.org/pragma.html#pragma_synchronous
    file = LogFile(tmp_path / "cycles.db")
    file.open(wall_ms=make.WALL_MS)
    assert file._connection is not None
    assert file._connection.execute("PRAGMA synchronous").fetchone() == (2,)
    file.close()


def test_a_clock_that_was_never_set_dates_no_file(tmp_path: Path):
    # Else the first true time would end a year that never was.
    file = LogFile(tmp_path / "cycles.db")
    file.open(wall_ms=5_000)
    file.write([Entry(1, make.event())], link_id=2, boot_ms=0, wall_ms=5_000)
    assert not file.year_is_over(make.WALL_MS)
    file.close()


async def test_no_row_goes_to_a_file_that_was_taken_away(tmp_path: Path):
    # Another file stands in its place: what went to the old one would be lost.
    path = tmp_path / "cycles.db"
    writer = Writer.open(path, clock=make.clock(), threaded=False)
    writer.append(make.event())
    await writer.commit()
    taken = path.rename(tmp_path / "taken.db")
    shutil.copyfile(taken, path)
    writer.append(make.event(1))
    with pytest.raises(LogError, match="another file stands in its place"):
        await writer.commit()
    await writer.close()


@pytest.mark.parametrize("place", ["header", "page"])
async def test_a_damaged_file_is_set_aside_never_deleted_or_written_on(
    tmp_path: Path, place: str
):
    # By its first bytes, or in a page that only a check of the whole file reads: the
    # run before was not closed, so there is one.
    path = tmp_path / "cycles.db"
    file = LogFile(path)
    file.open(wall_ms=make.WALL_MS)
    alarms = [Entry(each, make.alarm(code="x" * 100)) for each in range(2, 200)]
    rows = [Entry(1, make.run()), *alarms]
    file.write(rows, link_id=200, boot_ms=0, wall_ms=make.WALL_MS)
    file.close()
    data = bytearray(path.read_bytes())
    at = 0 if place == "header" else data.index(b"x" * 100) // 4096 * 4096
    data[at : at + 16] = b"\xff" * 16
    path.write_bytes(data)
    writer = Writer.open(path, clock=make.clock(), threaded=False)
    writer.append(make.run())
    await writer.commit()
    await writer.close()
    assert [each.read_bytes() == data for each in aside_files(path)] == [True]
