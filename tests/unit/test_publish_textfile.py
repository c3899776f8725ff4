"""The file of the metrics: whole or not at all, and never what somebody else put there."""

from __future__ import annotations

import asyncio
import errno
import io
import os
import resource
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
    """The kernel takes a part and then no more, as on a full disk: setrlimit(2)."""
    path = tmp_path / "tidegate.prom"
    path.write_text("the one before")
    notice.configure(stream=io.StringIO())
    file = TextFile(path, clock=SystemClock())
    _, hard = before = resource.getrlimit(resource.RLIMIT_FSIZE)
    with mock.patch.object(openmetrics, "text", return_value="x" * 100_000):
        resource.setrlimit(resource.RLIMIT_FSIZE, (50_000, hard))
        try:
            file.put(())
            until(lambda: file.dropped == 1)
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert names(tmp_path) == {"tidegate.prom"}
    assert path.read_text() == "the one before"
    await file.end()


async def test_what_is_in_the_way_is_taken_away_for_the_next(tmp_path: Path) -> None:
    """One that a daemon of another user left cannot be written: EACCES, open(2)."""
    path, new = tmp_path / "tidegate.prom", tmp_path / ".tidegate.prom.new"
    new.symlink_to(tmp_path / "nowhere")  # as good as that, for root can write it
    file = TextFile(path, clock=SystemClock())
    file.put(())
    until(lambda: file.dropped == 1)
    file.put(())
    until(path.exists)
    assert file.dropped == 1
    assert names(tmp_path) == {"tidegate.prom"}
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
    assert "ReadWritePaths=-/folder" in stream.getvalue()
