"""The writer: ids, group commit, durability, slow disks, waiters that go away."""

from __future__ import annotations

import asyncio
import os
import sqlite3
import subprocess
import sys
import threading
from collections import Counter
from contextlib import closing
from pathlib import Path

import pytest

from support import cyclelog_rows as make
from support.cyclelog_verifier import verify
from tidegate.cyclelog import writer as writer_module
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.rows import AlarmRow, Entry, GapRow, LinkRow
from tidegate.cyclelog.writer import Writer
from tidegate.errors import Busy, LogError

LIMIT_S = 10.0
BOTH = pytest.mark.parametrize("threaded", [True, False])


def entries(path: Path) -> list[Entry]:
    with Reader(path) as reader:
        return list(reader.rows())


@BOTH
async def test_committed_rows_come_back_as_they_were(
    tmp_path: Path, *, threaded: bool
) -> None:
    path = tmp_path / "new" / "cycles.db"
    writer = Writer.open(path, clock=make.clock(), threaded=threaded)
    first, last = make.some()[:6], make.some()[6:]
    ids = [writer.append(row) for row in first]
    await writer.commit(LIMIT_S)
    ids += [writer.append(row) for row in last]
    await writer.commit(LIMIT_S)
    found = entries(path)
    links = [each.row for each in found if isinstance(each.row, LinkRow)]
    rest = [each for each in found if not isinstance(each.row, LinkRow)]
    assert [each.id for each in rest] == ids
    assert [each.row for each in rest] == make.some()
    assert [(link.number, link.rows) for link in links] == [(1, 6), (2, len(last))]
    assert links[-1].digest == writer.head
    await writer.close()


@BOTH
async def test_ids_rise_over_all_tables_and_over_restarts(
    tmp_path: Path, *, threaded: bool
) -> None:
    path = tmp_path / "cycles.db"
    ids: list[int] = []
    for _ in range(3):
        writer = Writer.open(path, clock=make.clock(), threaded=threaded)
        ids += [writer.append(row) for row in (make.run(), make.alarm())]
        await writer.commit(LIMIT_S)
        ids.append(writer.append(make.run_end()))
        await writer.close()
    assert ids == sorted(set(ids))
    found = [each.id for each in entries(path)]
    assert found == sorted(set(found))
    assert found[-1] == max(found)


async def test_an_independent_program_recomputes_the_links(tmp_path: Path) -> None:
    path = tmp_path / "cycles.db"
    writer = Writer.open(path, clock=make.clock(), threaded=False)
    for row in make.some():
        writer.append(row)
        await writer.commit()
    await writer.close()
    assert verify(path) == (len(make.some()), writer.head)
    program = Path(sys.modules[verify.__module__].__file__ or "")
    assert writer.head in _ran([sys.executable, "-I", str(program), str(path)]).stdout


def _ran(command: list[str]) -> subprocess.CompletedProcess[str]:
    paths = {"PYTHONPATH": ":".join(sys.path)}
    return subprocess.run(
        command, env=paths, capture_output=True, text=True, check=False
    )


async def test_each_commit_is_one_transaction_with_one_link(tmp_path: Path) -> None:
    path = tmp_path / "cycles.db"
    writer = Writer.open(path, clock=make.clock(), threaded=False)
    for count in (1, 3, 2):
        for _ in range(count):
            writer.append(make.alarm())
        await writer.commit()
    await writer.commit()  # nothing waits, so nothing is written
    await writer.close()
    links = [each.row for each in entries(path) if isinstance(each.row, LinkRow)]
    assert [link.rows for link in links] == [1, 3, 2]


async def test_commits_that_wait_together_share_a_transaction(tmp_path: Path) -> None:
    path = tmp_path / "cycles.db"
    writer = Writer.open(path, clock=make.clock())
    writer.append(make.run())
    await writer.commit(LIMIT_S)
    with closing(_held(path)) as holder:
        waiting = [asyncio.create_task(_append_and_commit(writer)) for _ in range(50)]
        await asyncio.sleep(0)
        holder.execute("ROLLBACK")
    await asyncio.gather(*waiting)
    await writer.close()
    links = [each.row for each in entries(path) if isinstance(each.row, LinkRow)]
    assert sum(link.rows for link in links) == 51
    assert len(links) <= 3


async def _append_and_commit(writer: Writer) -> None:
    writer.append(make.alarm())
    await writer.commit(LIMIT_S)


def _held(path: Path) -> sqlite3.Connection:
    """Return a connection that keeps every writer off, as a foreign program might."""
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("BEGIN IMMEDIATE")
    return connection


async def test_a_slow_log_times_out_and_the_rows_come_later(tmp_path: Path) -> None:
    path = tmp_path / "cycles.db"
    writer = Writer.open(path, clock=make.clock())
    with closing(_held(path)) as holder:
        row_id = writer.append(make.alarm())
        with pytest.raises(TimeoutError):
            await writer.commit(0.05)
        assert writer.healthy
        holder.execute("ROLLBACK")
    await writer.commit(LIMIT_S)
    assert row_id in [each.id for each in entries(path)]
    await writer.close()


async def test_a_waiter_that_is_cancelled_loses_no_row(tmp_path: Path) -> None:
    path = tmp_path / "cycles.db"
    writer = Writer.open(path, clock=make.clock())
    complaints: list[object] = []
    loop = asyncio.get_running_loop()
    loop.set_exception_handler(lambda _, context: complaints.append(context))
    with closing(_held(path)) as holder:
        row_id = writer.append(make.alarm())
        waiting = asyncio.create_task(writer.commit())
        await asyncio.sleep(0)
        waiting.cancel()
        with pytest.raises(asyncio.CancelledError):
            await waiting
        holder.execute("ROLLBACK")
    await writer.close()
    assert row_id in [each.id for each in entries(path)]
    assert not complaints


async def test_a_commit_that_was_durable_though_it_failed_is_not_repeated(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "cycles.db"
    clock = make.clock()
    writer = Writer.open(path, clock=clock, threaded=False)
    write = writer._file.write

    def fails_after_all(*arguments: object, **keywords: object) -> None:
        write(*arguments, **keywords)  # type: ignore[arg-type]
        writer._file.drop()
        raise LogError("the disk said no after it had done it")

    ids = [writer.append(make.alarm(count)) for count in range(3)]
    with monkeypatch.context() as patch:
        patch.setattr(writer._file, "write", fails_after_all)
        with pytest.raises(LogError):
            await writer.commit()
    ids.append(writer.append(make.alarm(3)))
    clock.advance(writer_module.RETRY_MS)
    await writer.commit()
    await writer.close()
    alarms = [each for each in entries(path) if isinstance(each.row, AlarmRow)]
    assert [each.id for each in alarms] == ids
    assert [each.row.boot_ms for each in alarms] == [0, 1, 2, 3]
    verify(path)


async def test_a_switching_without_a_durable_intent_leaves_a_gap_row(
    tmp_path: Path,
) -> None:
    path = tmp_path / "cycles.db"
    writer = Writer.open(path, clock=make.clock())
    durable = writer.append(make.intent(supply="on"))
    await writer.commit(LIMIT_S)
    writer.append(make.outcome(durable))
    with closing(_held(path)) as holder:
        for station, error in (
            ("lobby", None),
            ("lobby", "unavailable"),
            ("hall", None),
        ):
            late = writer.append(make.intent(supply="on", station=station))
            with pytest.raises(TimeoutError):
                await writer.commit(0.01)
            writer.append(make.outcome(late, station=station, error=error))
        dropped = writer.append(make.intent())
        writer.append(make.outcome(dropped, error="dropped"))
        holder.execute("ROLLBACK")
    await writer.commit(LIMIT_S)
    await writer.close()
    gaps = [each.row for each in entries(path) if isinstance(each.row, GapRow)]
    # How many a try of the writer takes at a time depends on its thread.
    told: Counter[tuple[str, str]] = Counter()
    for gap in gaps:
        told[gap.station, gap.why] += gap.switchings
    assert told == {("lobby", "slow"): 2, ("hall", "slow"): 1}


async def test_a_second_writer_is_told_who_holds_the_log(tmp_path: Path) -> None:
    path = tmp_path / "cycles.db"
    first = Writer.open(path, clock=make.clock(), threaded=False)
    with pytest.raises(Busy, match=r"process \d+"):
        Writer.open(path, clock=make.clock())
    program = (
        "import sys; from pathlib import Path; from tidegate.clock import SystemClock\n"
        "from tidegate.cyclelog.writer import Writer; from tidegate.errors import Busy\n"
        "try: Writer.open(Path(sys.argv[1]), clock=SystemClock())\n"
        "except Busy: sys.exit(75)\n"
    )
    assert _ran([sys.executable, "-c", program, str(path)]).returncode == 75
    first.append(make.alarm())
    await first.close()
    await Writer.open(path, clock=make.clock(), threaded=False).close()


async def test_closing_never_hangs_on_a_stuck_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer_module, "CLOSE_S", 0.05)
    path = tmp_path / "cycles.db"
    writer = Writer.open(path, clock=make.clock())
    with closing(_held(path)):
        writer.append(make.alarm())
        async with asyncio.timeout(1.0):
            await writer.close()
    with pytest.raises(LogError, match="closed"):
        await writer.commit()


async def test_the_writer_has_a_thread_of_its_own_and_ends_it(tmp_path: Path) -> None:
    others = set(threading.enumerate())
    writer = Writer.open(tmp_path / "cycles.db", clock=make.clock())
    (thread,) = set(threading.enumerate()) - others
    assert thread.name == "cycle log"
    assert thread.daemon
    writer.append(make.alarm())
    await writer.commit(LIMIT_S)
    await writer.close()
    await writer.close()
    thread.join(LIMIT_S)
    # Nothing is left, and the default executor was never used.
    assert set(threading.enumerate()) <= others


async def test_a_bug_in_the_thread_leaves_nobody_waiting(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[object] = []
    monkeypatch.setattr(threading, "excepthook", told.append)
    writer = Writer.open(tmp_path / "cycles.db", clock=make.clock())
    monkeypatch.setattr(writer, "_attempt", lambda: 1 / 0)
    writer.append(make.alarm())
    with pytest.raises(LogError, match="ended"):
        await writer.commit(LIMIT_S)
    assert not writer.healthy
    # Waiters are told first, the hook when the thread has unwound.
    assert writer._thread is not None
    writer._thread.join(LIMIT_S)
    assert len(told) == 1
    with pytest.raises(LogError, match="ended"):
        await writer.commit(LIMIT_S)
    writer._file.close()


async def test_rows_that_no_database_could_hold_are_made_to_fit(tmp_path: Path) -> None:
    path = tmp_path / "cycles.db"
    writer = Writer.open(path, clock=make.clock(), threaded=False)
    writer.append(make.alarm(2**70, code="nul \0 and \udcff"))
    await writer.commit()
    await writer.close()
    row = entries(path)[0].row
    assert isinstance(row, AlarmRow)
    assert row.boot_ms == 2**63 - 1
    assert row.code == "nul \u2400 and \\udcff"
    assert verify(path)[0] == 1


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give files away")
def test_what_root_makes_belongs_to_whom_the_folder_does(tmp_path: Path) -> None:
    """The main file and its lock; SQLite gives its side files to the main file's."""
    folder = tmp_path / "service"
    folder.mkdir()
    os.chown(folder, 12_345, 12_346)

    async def life() -> None:
        writer = Writer.open(folder / "cycles.db", clock=make.clock())
        writer.append(make.run())
        await writer.commit()
        found = {
            it.name: (it.stat().st_uid, it.stat().st_gid) for it in folder.iterdir()
        }
        assert {"cycles.db", "cycles.db-wal", "cycles.db.lock"} <= set(found)
        assert set(found.values()) == {(12_345, 12_346)}
        await writer.close()

    asyncio.run(life())
