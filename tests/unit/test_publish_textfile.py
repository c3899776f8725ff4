"""The file of the metrics: whole or not at all, and never what somebody else put there."""

from __future__ import annotations

import asyncio
import errno
import io
import os
import stat
import threading
import time
from collections.abc import Callable
from pathlib import Path
from unittest import mock

from tidegate import notice
from tidegate.clock import SystemClock
from tidegate.publish import openmetrics
from tidegate.publish.textfile import TextFile

WAIT_S = 10.0


def until(holds: Callable[[], bool]) -> None:
    """Wait for what the other thread does; the loop has nothing to do meanwhile."""
    end_s, tick = time.monotonic() + WAIT_S, threading.Event()
    while not holds():
        assert time.monotonic() < end_s
        tick.wait(0.005)


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


async def test_written_readable_by_all_and_gone_at_the_end(tmp_path: Path) -> None:
    path = tmp_path / "tidegate.prom"
    before = os.umask(0o077)
    try:
        file = TextFile(path, clock=SystemClock())
        file.put(())
        until(path.exists)
        assert stat.S_IMODE(path.stat().st_mode) == 0o644
        assert file.dropped == 0
        await file.end()
        assert names(tmp_path) == set()
    finally:
        os.umask(before)


async def test_a_folder_that_is_not_there_is_counted_each_time(tmp_path: Path) -> None:
    folder = tmp_path / "later"
    file = TextFile(folder / "tidegate.prom", clock=SystemClock())
    file.put(())
    until(lambda: file.dropped == 1)
    file.put(())
    until(lambda: file.dropped == 2)
    folder.mkdir()
    file.put(())
    until((folder / "tidegate.prom").exists)
    assert file.dropped == 2
    await file.end()


async def test_it_does_not_write_where_a_link_leads(tmp_path: Path) -> None:
    other = tmp_path / "cycles.db"
    other.write_text("precious")
    (tmp_path / ".tidegate.prom.new").symlink_to(other)
    file = TextFile(tmp_path / "tidegate.prom", clock=SystemClock())
    file.put(())
    until(lambda: file.dropped == 1)
    assert other.read_text() == "precious"
    await file.end()


async def test_a_full_disk_leaves_no_half_of_a_file(tmp_path: Path) -> None:
    """/dev/full takes nothing; source: full(4)."""
    path = tmp_path / "tidegate.prom"
    file = TextFile(path, clock=SystemClock())
    file._new = Path("/dev/full")
    file.put(())
    until(lambda: file.dropped == 1)
    assert not path.exists()
    file._new = tmp_path / ".new"
    await file.end()


async def test_whoever_puts_never_waits_for_a_disk_that_hangs(tmp_path: Path) -> None:
    """Opening a pipe waits in the kernel for a reader; source: fifo(7)."""
    pipe = tmp_path / ".tidegate.prom.new"
    os.mkfifo(pipe)
    file = TextFile(tmp_path / "tidegate.prom", clock=SystemClock())
    for _ in range(5):
        file.put(())
    # One is in the hands of the thread, one in the slot.
    until(lambda: file.dropped >= 3)
    ending = asyncio.ensure_future(file.end())
    await asyncio.sleep(0)
    assert not ending.done()
    reader = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    async with asyncio.timeout(WAIT_S):
        await ending
    os.close(reader)


async def test_a_slip_of_ours_ends_nothing(tmp_path: Path) -> None:
    path = tmp_path / "tidegate.prom"
    file = TextFile(path, clock=SystemClock())
    with mock.patch.object(openmetrics, "text", side_effect=ZeroDivisionError):
        file.put(())
        until(lambda: file.dropped == 1)
    file.put(())
    until(path.exists)
    await file.end()


async def test_a_folder_closed_by_the_unit_is_told_apart(tmp_path: Path) -> None:
    """systemd.exec(5), ``ProtectSystem=strict``: all else is read-only."""
    stream = io.StringIO()
    notice.configure(stream=stream)
    file = TextFile(tmp_path / "tidegate.prom", clock=SystemClock())
    error = OSError(errno.EROFS, os.strerror(errno.EROFS))
    with mock.patch.object(TextFile, "_write", side_effect=error):
        file.put(())
        until(lambda: file.dropped == 1)
        await file.end()
    assert "ReadWritePaths=" in stream.getvalue()
