"""The mortal host of the fault search: what a death leaves, and what it does not."""

from __future__ import annotations

import asyncio
import random
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest

from support.search.mortal import (
    AFTER,
    BEFORE,
    TORN,
    FakeDisk,
    HostDies,
    MortalLoop,
    bury,
)
from tidegate.virtual import VirtualClock


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[FakeDisk]:
    made = FakeDisk(tmp_path, random.Random(1))
    with made.patched():
        yield made


def opened(disk: FakeDisk) -> sqlite3.Connection:
    connection = sqlite3.connect(disk.folder / "some.db", isolation_level=None)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("CREATE TABLE IF NOT EXISTS row (id INTEGER, text TEXT)")
    return connection


def write(connection: sqlite3.Connection, number: int) -> None:
    connection.execute("BEGIN IMMEDIATE")
    for _ in range(3):
        connection.execute("INSERT INTO row VALUES (?, ?)", (number, "x" * 900))
    connection.execute("COMMIT")


def numbers(disk: FakeDisk) -> list[int]:
    """The rows that somebody finds in what is left."""
    disk.release()
    with disk.unseen():
        connection = sqlite3.connect(disk.folder / "some.db")
        (verdict,) = connection.execute("PRAGMA integrity_check").fetchone()
        found = connection.execute("SELECT id FROM row ORDER BY id").fetchall()
        connection.close()
    assert verdict == "ok"
    return [number for (number,) in found]


# --- the loop -------------------------------------------------------------------------


def test_host_dies_between_two_turns_and_nothing_goes_on() -> None:
    did: list[str] = []
    clock = VirtualClock()
    loop = MortalLoop(clock, lambda: did.append("died"))

    async def lives() -> None:
        try:
            while True:
                await asyncio.sleep(1)
                did.append("turn")
        finally:
            did.append("finally")
            await asyncio.sleep(1)
            did.append("after an await")

    loop.die_in(6)
    with pytest.raises(HostDies):
        loop.run_until_complete(lives())
    assert did.count("died") == 1
    assert 1 <= did.count("turn") <= 6
    before = list(did)
    bury(loop)
    assert did == [*before, "finally"], "it is thrown out of its last await too"
    assert loop.is_closed()


def test_each_turn_is_a_moment_to_die() -> None:
    """So a death can come between any two steps of any task."""
    turns = []
    for count in range(4, 10):
        done = 0

        async def steps() -> None:
            nonlocal done
            for _ in range(20):
                await asyncio.sleep(0)
                done += 1

        loop = MortalLoop(VirtualClock(), lambda: None)
        loop.die_in(count)
        with pytest.raises(HostDies):
            loop.run_until_complete(steps())
        bury(loop)
        turns.append(done)
    assert turns == list(range(turns[0], turns[0] + 6))


# --- the disk -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fault", "code"),
    [
        ("full", sqlite3.SQLITE_FULL),
        ("read_only", sqlite3.SQLITE_READONLY),
        ("io", sqlite3.SQLITE_IOERR),
    ],
)
def test_faults_are_those_of_sqlite(disk: FakeDisk, fault: str, code: int) -> None:
    connection = opened(disk)
    write(connection, 1)
    disk.fault = fault
    with pytest.raises(sqlite3.OperationalError) as met:
        write(connection, 2)
    assert met.value.sqlite_errorcode == code
    assert connection.execute("SELECT count(*) FROM row").fetchone() == (3,)
    disk.fault = None
    write(connection, 3)
    disk.die()
    assert numbers(disk) == [1] * 3 + [3] * 3


def test_faults_reach_files_too(disk: FakeDisk) -> None:
    disk.fault = "full"
    with pytest.raises(OSError, match="No space left"):
        (disk.folder / "new").open("x")
    with pytest.raises(OSError, match="No space left"):
        (disk.folder / "old").rename(disk.folder / "new")
    assert not list(disk.folder.iterdir())


@pytest.mark.parametrize(("how", "has_it"), [(BEFORE, False), (AFTER, True)])
def test_death_at_a_commit(disk: FakeDisk, how: str, *, has_it: bool) -> None:
    connection = opened(disk)
    write(connection, 1)
    disk.die_in(4, how)  # BEGIN and three rows come first
    with pytest.raises(HostDies):
        write(connection, 2)
    assert disk.is_dead
    with pytest.raises(HostDies):
        connection.execute("SELECT 1")
    with pytest.raises(HostDies):
        sqlite3.connect(disk.folder / "some.db")
    assert numbers(disk) == [1] * 3 + [2] * 3 * has_it


def test_closing_a_dead_connection_changes_nothing(disk: FakeDisk) -> None:
    """SQLite empties the WAL when the last connection closes; a dead one does not."""
    write(opened(disk), 1)
    disk.die()
    left = dict(disk.left)
    assert left["some.db-wal"]
    disk.release()
    with disk.unseen():
        found = {path.name: path.read_bytes() for path in disk.folder.iterdir()}
    assert found == left


@pytest.mark.parametrize(
    ("warm", "wanted"),
    [
        pytest.param(1, {0, 3}, id="new frames"),
        pytest.param(40, {0, 3}, id="frames over those of before"),
        pytest.param(39, {3}, id="copied into the file"),
    ],
)
def test_torn_commit_is_there_or_not_and_all_before_it_is(
    tmp_path: Path, warm: int, wanted: set[int]
) -> None:
    ends = set()
    for seed in range(16):
        folder = tmp_path / str(seed)
        folder.mkdir()
        disk = FakeDisk(folder, random.Random(seed))
        with disk.patched():
            connection = opened(disk)
            connection.execute("PRAGMA wal_autocheckpoint = 12")
            for number in range(warm):
                write(connection, number)
            disk.die_in(4, TORN)
            with pytest.raises(HostDies):
                write(connection, warm)
            found = numbers(disk)
        committed = [number for number in range(warm) for _ in range(3)]
        assert found[: len(committed)] == committed, f"seed {seed}"
        ends.add(len(found) - len(committed))
    assert ends == wanted, "nothing in between"
