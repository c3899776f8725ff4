"""What a crash leaves behind is explained, and verified as if it had not been there.

A writer is left standing and its files are copied, as a power cut leaves them.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import struct
from collections.abc import Callable
from pathlib import Path

import pytest

from support import cyclelog_rows as make
from support.cyclelog_faults import read_only, small_disk
from support.cyclelog_verifier import verify as verified_apart
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.torn import WalEnd, in_use, wal_end
from tidegate.cyclelog.verify import verify
from tidegate.cyclelog.writer import Writer
from tidegate.errors import LogError

# A frame of the WAL: its header and a page (SQLite, "Database File Format", 4.1).
FRAME = 24 + 4096
# Those of make.some(), and a gap row: its intent was not durable before its outcome.
ROWS = 11


async def crashed(folder: Path) -> tuple[Path, int]:
    """Write two commits, and return a copy of the files as they then stood and the
    length of the WAL after the first of them.
    """
    path = folder / "live" / "cycles.db"
    wal = path.with_name("cycles.db-wal")
    writer = Writer.open(path, clock=make.clock(), threaded=False)
    for row in make.some():
        writer.append(row)
    await writer.commit()
    synced = wal.stat().st_size
    writer.append(make.alarm(code="x" * 9000))
    await writer.commit()
    copy = folder / "copy" / "cycles.db"
    _copied(path, copy)
    await writer.close()
    return copy, synced


def _copied(path: Path, copy: Path) -> None:
    copy.parent.mkdir(exist_ok=True)
    for end in ("", "-wal"):
        shutil.copy(f"{path}{end}", f"{copy}{end}")


async def test_a_log_in_use_is_verified_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "cycles.db"
    writer = Writer.open(path, clock=make.clock(), threaded=False)
    for row in make.some():
        writer.append(row)
    await writer.commit()
    assert in_use(path)
    verdict = verify(path)
    assert (verdict.fault, verdict.rows) == (None, ROWS)
    assert "is writing cycles.db" in verdict.notes[0]
    await writer.close()
    assert not in_use(path)
    assert verify(path).notes == ()


async def test_what_is_written_meanwhile_is_not_seen(tmp_path: Path) -> None:
    path = tmp_path / "cycles.db"
    writer = Writer.open(path, clock=make.clock(), threaded=False)
    writer.append(make.run())
    await writer.commit()
    count = "SELECT (SELECT count(*) FROM run), (SELECT count(*) FROM link)"
    with Reader(path) as reader:
        with reader.at_one_moment() as connection:
            assert connection.execute(count).fetchone() == (1, 1)
            writer.append(make.run())
            await writer.commit()
            assert connection.execute(count).fetchone() == (1, 1)
        with reader.at_one_moment() as connection:
            assert connection.execute(count).fetchone() == (2, 2)
    await writer.close()


async def test_commits_that_are_only_in_the_wal_count(tmp_path: Path) -> None:
    path, _ = await crashed(tmp_path)
    verdict = verify(path)
    assert (verdict.fault, verdict.rows, verdict.links) == (None, ROWS + 1, 2)
    assert len(verdict.notes) == 1
    assert "did not close the log" in verdict.notes[0]


def _cut(data: bytes, synced: int) -> bytes:
    return data[: synced + 1000]


def _noise(data: bytes, synced: int) -> bytes:
    at = synced + FRAME - 200
    changed = bytes(each ^ 0xFF for each in data[at : at + 64])
    return data[:at] + changed + data[at + 64 :]


def _cut_between_frames(data: bytes, synced: int) -> bytes:
    return data[: synced + FRAME]


@pytest.mark.parametrize("tear", [_cut, _cut_between_frames, _noise])
async def test_a_torn_commit_is_explained_and_is_no_fault(
    tmp_path: Path, tear: Callable[[bytes, int], bytes]
) -> None:
    path, synced = await crashed(tmp_path)
    wal = path.with_name("cycles.db-wal")
    data = tear(wal.read_bytes(), synced)
    wal.write_bytes(data)
    end = wal_end(data)
    assert end == WalEnd(committed_bytes=synced - 32, torn_bytes=len(data) - synced)
    assert end.committed_bytes % FRAME == 0
    verdict = verify(path)
    assert (verdict.fault, verdict.rows, verdict.links) == (None, ROWS, 1)
    assert f"The last {end.torn_bytes} bytes" in verdict.notes[1]
    assert verified_apart(path)[0] == 1


async def test_frames_from_before_the_wal_was_begun_again_are_not_torn(
    tmp_path: Path,
) -> None:
    """They have another salt (SQLite, "Database File Format", 4.1)."""
    path, _ = await crashed(tmp_path)
    data = path.with_name("cycles.db-wal").read_bytes()
    end = wal_end(data + bytes(FRAME))
    assert end == WalEnd(committed_bytes=len(data) - 32, torn_bytes=0)


@pytest.mark.parametrize("data", [b"", b"short", bytes(4096), b"\x37\x7f\x06\x82" * 99])
def test_what_is_no_wal_holds_no_commits(data: bytes) -> None:
    assert wal_end(data) == WalEnd(committed_bytes=0, torn_bytes=0)


@pytest.mark.parametrize("page", [0, 4, 12, 511, 2**17])
def test_a_wal_of_impossible_pages_holds_no_commits(page: int) -> None:
    """Its checksum may be right all the same; SQLite reads nothing of it either."""
    head = struct.pack(">6I", 0x377F0682, 3007000, page, 0, 1, 2)
    one = two = 0
    for first, second in struct.iter_unpack("<2I", head):
        one = (one + first + two) % 2**32
        two = (two + second + one) % 2**32
    data = head + struct.pack(">2I", one, two) + struct.pack(">4I", 1, 1, 1, 2) * 600
    assert wal_end(data) == WalEnd(committed_bytes=0, torn_bytes=0)


async def test_a_log_that_changes_while_it_is_copied_is_not_accused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On a read-only folder both files are copied; never a mixture of two moments."""
    path, _ = await crashed(tmp_path)
    wal, copyfile, writes = f"{path}-wal", shutil.copyfile, iter(range(1_000))

    def written_meanwhile(source: Path, target: Path) -> None:
        copyfile(source, target)
        os.utime(wal, ns=(0, next(writes)))

    monkeypatch.setattr(shutil, "copyfile", written_meanwhile)
    monkeypatch.setattr("tidegate.cyclelog.disk._connected", _no_memory)
    with pytest.raises(LogError, match=r"too fast to be copied\. Try again"):
        verify(path)


def _no_memory(path: Path) -> None:
    """Play SQLite where it may not make its shared memory."""
    error = sqlite3.OperationalError("unable to open database file")
    error.sqlite_errorcode = sqlite3.SQLITE_CANTOPEN
    raise error


async def test_a_wal_is_read_on_a_disk_that_is_read_only(tmp_path: Path) -> None:
    copy, _ = await crashed(tmp_path)
    with small_disk(tmp_path / "disk", size_kib=1024) as disk:
        for file in copy.parent.iterdir():
            shutil.copy(file, disk)
        before = sorted(file.name for file in disk.iterdir())
        with read_only(disk):
            verdict = verify(disk / "cycles.db")
            assert sorted(file.name for file in disk.iterdir()) == before
    assert (verdict.fault, verdict.rows, verdict.links) == (None, ROWS + 1, 2)
    assert "did not close the log" in verdict.notes[0]


@pytest.mark.parametrize("frame", [0, 127, 128, 200, 299])
def test_a_long_wal_is_summed_to_its_first_wrong_frame(
    tmp_path: Path, frame: int
) -> None:
    """However many frames are summed at once, none is passed over."""
    connection = sqlite3.connect(tmp_path / "long.db", isolation_level=None)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = OFF")
    connection.execute("CREATE TABLE t (text TEXT)")
    for number in range(300):
        connection.execute("INSERT INTO t VALUES (?)", (f"{number} " * 500,))
    data = (tmp_path / "long.db-wal").read_bytes()
    connection.close()
    whole = len(data) - 32
    assert wal_end(data) == WalEnd(committed_bytes=whole, torn_bytes=0)
    noise = bytearray(data)
    noise[32 + frame * FRAME + 2000] ^= 1
    sizes = [data[32 + n * FRAME + 4 : 32 + n * FRAME + 8] for n in range(frame)]
    commits = [n + 1 for n, size in enumerate(sizes) if any(size)]
    committed_bytes = max(commits, default=0) * FRAME
    assert wal_end(bytes(noise)) == WalEnd(
        committed_bytes=committed_bytes, torn_bytes=whole - committed_bytes
    )
