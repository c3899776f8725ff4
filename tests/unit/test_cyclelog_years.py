"""A new file each year, chained to the last, and questions that reach back."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from support import cyclelog_rows as make
from support.cyclelog_verifier import verify
from tidegate.core.policy import DAY_MS
from tidegate.cyclelog.check import check
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.rows import (
    AlarmRow,
    BatteryRow,
    Entry,
    LinkRow,
    RunRow,
    SettingsRow,
)
from tidegate.cyclelog.writer import Writer
from tidegate.virtual import VirtualClock

NEW_YEAR_MS = 1_798_761_600_000  # 2027-01-01 UTC
YEAR_MS = 365 * DAY_MS
LIMIT_S = 10.0


def entries(path: Path) -> list[Entry]:
    with Reader(path) as reader:
        return list(reader.rows())


def _past(path: Path) -> set[str]:
    return {file.name for file in path.parent.glob("cycles-*")}


async def _begun(path: Path, wall_ms: int) -> tuple[Writer, VirtualClock]:
    clock = make.clock(wall_ms=wall_ms)
    writer = Writer.open(path, clock=clock, threaded=False)
    for row in (make.run(), make.settings(), make.battery(), make.state()):
        writer.append(row)
    await writer.commit()
    return writer, clock


async def test_the_year_turns_during_a_run(tmp_path: Path) -> None:
    path = tmp_path / "cycles.db"
    clock = make.clock(wall_ms=NEW_YEAR_MS - 1000)
    writer = Writer.open(path, clock=clock, threaded=False)
    for row in (make.run(), make.settings(), make.battery(), make.state()):
        writer.append(row)
    intent = writer.append(make.intent())
    await writer.commit()
    clock.advance(1000)
    writer.append(make.alarm(code="last of the year"))
    await writer.commit()
    writer.append(make.outcome(intent))
    await writer.commit()
    await writer.close()

    old, new = entries(tmp_path / "cycles-2026.db"), entries(path)
    assert old[-1].id < new[0].id
    kinds = [type(each.row) for each in new if not isinstance(each.row, LinkRow)]
    assert kinds[:3] == [RunRow, SettingsRow, BatteryRow]
    first = new[0].row
    last = old[-1].row
    assert isinstance(first, RunRow)
    assert isinstance(last, LinkRow)
    assert (first.prev_link, first.continued) == (last.digest, True)
    assert first.boot_ms == clock.boot_ms()
    for file in (path, tmp_path / "cycles-2026.db"):
        verify(file)
        with Reader(file) as reader:
            assert check(reader) is None
    with Reader(path) as reader:
        found = reader.last_state("lobby")
        assert found is not None
        assert found[0] < new[0].id
        commanded = reader.last_commanded("lobby")
        assert commanded is not None
        assert (commanded.intent, commanded.is_certain) == (intent, True)
        history = [each.id for each in reader.history()]
        assert history == [each.id for each in (*old, *new)]
        after = [each.id for each in reader.history("lobby", after=intent)]
        assert after == [each for each in history if each > intent]


async def test_the_year_turns_between_two_runs(tmp_path: Path) -> None:
    path = tmp_path / "cycles.db"
    writer, _ = await _begun(path, make.WALL_MS)
    await writer.close()
    writer, _ = await _begun(path, make.WALL_MS + YEAR_MS)
    head_of_old = entries(tmp_path / "cycles-2026.db")[-1].row
    assert isinstance(head_of_old, LinkRow)
    await writer.close()
    writer, _ = await _begun(path, make.WALL_MS + YEAR_MS)
    await writer.close()
    runs = [each.row for each in entries(path) if isinstance(each.row, RunRow)]
    assert [run.prev_link for run in runs] == [head_of_old.digest, ""]
    assert [run.continued for run in runs] == [True, False]


async def test_a_clock_that_was_never_set_turns_no_year(tmp_path: Path) -> None:
    path = tmp_path / "cycles.db"
    for wall_ms in (0, 20 * YEAR_MS, make.WALL_MS, 0, make.WALL_MS + DAY_MS):
        writer, _ = await _begun(path, wall_ms)
        await writer.close()
    assert _past(path) == set()


async def test_a_reader_in_the_way_only_puts_the_turn_off(tmp_path: Path) -> None:
    path = tmp_path / "cycles.db"
    clock = make.clock(wall_ms=NEW_YEAR_MS - 1000)
    writer = Writer.open(path, clock=clock)
    writer.append(make.run())
    await writer.commit(LIMIT_S)
    clock.advance(1000)
    with closing(sqlite3.connect(path, isolation_level=None)) as auditor:
        auditor.execute("BEGIN")
        auditor.execute("SELECT * FROM run").fetchall()
        writer.append(make.alarm())
        await writer.commit(1.0)  # rows do not wait for whoever reads
        assert writer.healthy
        assert _past(path) == set()
    writer.append(make.alarm())
    await writer.commit(LIMIT_S)
    await writer.close()
    assert _past(path) == {"cycles-2026.db"}


async def test_rows_that_come_during_the_turn_come_after_its_head(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "cycles.db"
    writer, clock = await _begun(path, NEW_YEAR_MS - 1000)
    turn = writer._file.turn

    def turn_with_a_row() -> bool:
        writer.append(make.alarm(code="meanwhile"))
        return turn()

    monkeypatch.setattr(writer._file, "turn", turn_with_a_row)
    clock.advance(1000)
    writer.append(make.alarm(code="last"))
    await writer.commit()
    await writer.close()
    kinds = [type(each.row) for each in entries(path)]
    assert kinds == [RunRow, SettingsRow, BatteryRow, AlarmRow, LinkRow]


async def test_a_reader_of_the_old_file_reads_on_while_the_year_turns(
    tmp_path: Path,
) -> None:
    path = tmp_path / "cycles.db"
    writer, clock = await _begun(path, NEW_YEAR_MS - 1000)
    with Reader(path) as reader:
        before = list(reader.rows())
        clock.advance(1000)
        writer.append(make.alarm())
        await writer.commit()
        writer.append(make.alarm())
        await writer.commit()
        assert list(reader.rows())[: len(before)] == before
    await writer.close()
    for file in (path, tmp_path / "cycles-2026.db"):
        verify(file)


async def test_a_crash_right_after_the_turn_keeps_chain_and_ids(tmp_path: Path) -> None:
    path = tmp_path / "cycles.db"
    writer, _ = await _begun(path, make.WALL_MS)
    await writer.close()
    old = entries(path)
    path.rename(tmp_path / "cycles-2026.db")
    Writer.open(path, clock=make.clock(), threaded=False)._file.close()
    writer, _ = await _begun(path, make.WALL_MS + YEAR_MS)
    await writer.close()
    new = entries(path)
    last = old[-1].row
    assert isinstance(new[0].row, RunRow)
    assert isinstance(last, LinkRow)
    assert new[0].row.prev_link == last.digest
    assert new[0].id > old[-1].id


async def test_a_file_whose_forerunner_is_gone_is_told(tmp_path: Path) -> None:
    path = tmp_path / "cycles.db"
    for year in (0, 1, 2):
        writer, _ = await _begun(path, make.WALL_MS + year * YEAR_MS)
        await writer.close()
    assert _past(path) == {"cycles-2026.db", "cycles-2027.db"}
    with Reader(path) as reader:
        assert check(reader) is None
    (tmp_path / "cycles-2027.db").unlink()
    with Reader(path) as reader:
        fault = check(reader)
        assert fault is not None
        assert fault.kind == "missing"
        assert list(reader.history()) == list(reader.rows())
