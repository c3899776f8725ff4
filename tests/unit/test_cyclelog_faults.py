"""The log on a disk that is full, read-only, gone or damaged (real ones, as root too).

Faults 40, 41 and 48 of our fault list: control goes on, nothing is deleted, and what
could not be kept is told when writing works again.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from support import cyclelog_faults as faults
from support import cyclelog_rows as make
from support.cyclelog_verifier import verify
from tidegate.cyclelog.check import check
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.rows import Entry, GapRow, LinkRow, RunRow, SettingsRow
from tidegate.cyclelog.writer import RETRY_MS, Writer
from tidegate.errors import LogError
from tidegate.virtual import VirtualClock


def entries(path: Path) -> list[Entry]:
    with Reader(path) as reader:
        return list(reader.rows())


def gaps(path: Path) -> list[GapRow]:
    return [each.row for each in entries(path) if isinstance(each.row, GapRow)]


def sound(path: Path) -> None:
    with Reader(path) as reader:
        assert check(reader) is None
    verify(path)


async def begun(
    path: Path, clock: VirtualClock, *, threaded: bool = False, limit: int = 8192
) -> Writer:
    writer = Writer.open(path, clock=clock, threaded=threaded, limit=limit)
    writer.append(make.run())
    writer.append(make.settings())
    writer.append(make.battery())
    await writer.commit()
    return writer


async def refused(writer: Writer, match: str) -> None:
    with pytest.raises(LogError, match=match):
        await writer.commit()
    assert not writer.healthy


# --- a full and a read-only disk ----------------------------------------------------


@pytest.mark.parametrize("threaded", [True, False])
async def test_a_full_disk_costs_nothing_but_a_gap_row(
    tmp_path: Path, *, threaded: bool
) -> None:
    clock = make.clock()
    with faults.small_disk(tmp_path / "card", size_kib=512) as card:
        path = card / "cycles.db"
        writer = await begun(path, clock, threaded=threaded)
        with faults.filled(card):
            since_ms = clock.boot_ms()
            kept = [writer.append(make.alarm(code="x" * 3000)) for _ in range(40)]
            await refused(writer, "full")
            intent = writer.append(make.intent())
            await refused(writer, "full")
            kept += [intent, writer.append(make.outcome(intent))]
        clock.advance(RETRY_MS)
        await writer.commit()
        assert writer.healthy
        found = entries(path)
        assert set(kept) <= {each.id for each in found}
        assert [(gap.station, gap.why, gap.switchings) for gap in gaps(path)] == [
            ("lobby", "full", 1),
            ("", "full", 0),
        ]
        assert {gap.since_boot_ms for gap in gaps(path)} == {since_ms}
        assert {gap.dropped_rows for gap in gaps(path)} == {0}
        sound(path)
        await writer.close()


async def test_a_broken_log_is_tried_every_ten_seconds_and_not_more_often(
    tmp_path: Path,
) -> None:
    clock = make.clock()
    with faults.small_disk(tmp_path / "card", size_kib=512) as card:
        writer = await begun(card / "cycles.db", clock)
        with faults.filled(card):
            writer.append(make.alarm(code="x" * 60_000))
            await refused(writer, "full")
        clock.advance(RETRY_MS - 1)
        await refused(writer, "full")  # there is room again, but it did not look
        clock.advance(1)
        await writer.commit()
        assert writer.healthy
        await writer.close()


async def test_a_read_only_disk_is_waited_out(tmp_path: Path) -> None:
    clock = make.clock()
    with faults.small_disk(tmp_path / "card", size_kib=4096) as card:
        path = card / "cycles.db"
        await (await begun(path, clock)).close()
        with faults.read_only(card):
            writer = Writer.open(path, clock=clock, threaded=False)
            assert not writer.healthy
            assert "Read-only" in str(writer.trouble)
            row_id = writer.append(make.run())
            await refused(writer, "Read-only")
        clock.advance(RETRY_MS)
        await writer.commit()
        assert [each.id for each in entries(path)].count(row_id) == 1
        assert [gap.why for gap in gaps(path)] == ["read_only"]
        sound(path)
        await writer.close()


async def test_what_cannot_be_kept_gives_way_and_is_counted_in_its_place(
    tmp_path: Path,
) -> None:
    clock = make.clock()
    path = tmp_path / "cycles.db"
    path.mkdir()
    writer = Writer.open(path, clock=clock, threaded=False, limit=100)
    writer.append(make.run())
    writer.append(make.settings())
    first = writer.append(make.battery())
    for count in range(500):
        writer.append(make.alarm(count, station="lobby" if count % 2 else "hall"))
        clock.advance(1)
    await refused(writer, "folder")
    last = writer.append(make.alarm(500))
    assert writer.waiting <= 100
    path.rmdir()
    clock.advance(RETRY_MS)
    await writer.commit()
    await writer.close()
    found = entries(path)
    rows = [each.row for each in found if not isinstance(each.row, LinkRow)]
    assert isinstance(rows[0], RunRow)
    assert isinstance(rows[1], SettingsRow)
    lost = {gap.station: gap for gap in gaps(path) if gap.dropped_rows}
    assert set(lost) == {"lobby", "hall"}
    kept = sum(1 for each in found if first < each.id <= last)
    total = sum(gap.dropped_rows for gap in lost.values())
    assert total + kept - len(lost) == 501
    # The gap stands between what is there before it and what is there after it.
    kinds = [type(row).__name__ for row in rows]
    assert kinds[3:5] == ["GapRow", "GapRow"]
    assert set(kinds[5:-1]) == {"AlarmRow"}
    assert lost["hall"].since_boot_ms == 0
    sound(path)


async def test_a_late_disk_with_a_log_on_it_is_not_overwritten(tmp_path: Path) -> None:
    clock = make.clock()
    with faults.small_disk(tmp_path / "card", size_kib=4096) as card:
        path = card / "cycles.db"
        await (await begun(path, clock)).close()
        before = entries(path)
        hidden = path.rename(card / "elsewhere")
        path.mkdir()
        writer = Writer.open(path, clock=clock, threaded=False)
        row_id = writer.append(make.run())
        assert row_id > before[-1].id
        path.rmdir()
        hidden.rename(path)
        clock.advance(RETRY_MS)
        await writer.commit()
        await writer.close()
        assert entries(path)[: len(before)] == before
        sound(path)


async def test_a_file_that_is_taken_away_is_followed_by_a_new_one(
    tmp_path: Path,
) -> None:
    clock = make.clock()
    path = tmp_path / "cycles.db"
    writer = await begun(path, clock)
    head = writer.head
    path.rename(tmp_path / "stolen.db")
    writer.append(make.alarm())
    await refused(writer, "cannot be used")
    clock.advance(RETRY_MS)
    await writer.commit()
    await writer.close()
    (run,) = (each.row for each in entries(path) if isinstance(each.row, RunRow))
    assert (run.prev_link, run.continued) == (head, True)
    assert [gap.why for gap in gaps(path)] == ["removed"]
    sound(path)


# --- damage -------------------------------------------------------------------------


def aside(path: Path, why: str = "damaged") -> list[Path]:
    return sorted(path.parent.glob(f"{path.name}.{why}-*Z"))


async def _left_open(path: Path, clock: VirtualClock) -> str:
    """Leave a log whose run has no end; returns its head."""
    writer = await begun(path, clock)
    for count in range(200):
        writer.append(make.alarm(count, code="x" * 100))
    await writer.commit()
    await writer.close()
    return writer.head


@pytest.mark.parametrize("what", ["header", "text", "pages"])
async def test_a_damaged_file_is_set_aside_and_followed(
    tmp_path: Path, what: str
) -> None:
    clock = make.clock()
    path = tmp_path / "cycles.db"
    await _left_open(path, clock)
    if what == "header":
        faults.garble(path, at=0, length=100)
    elif what == "text":
        path.write_text("not a database " * 1000, encoding="ascii")
    else:
        faults.garble_tables(path)
    damaged = path.read_bytes()
    writer = await begun(path, clock)
    (kept,) = aside(path)
    assert kept.name == "cycles.db.damaged-20260302T060000Z"
    assert kept.read_bytes()[:4096] == damaged[:4096]
    assert [gap.why for gap in gaps(path)] == ["damaged"]
    assert writer.healthy
    await writer.close()
    sound(path)


def _damage_out_of_sight(path: Path) -> None:
    """Garble the first page of the alarms, which nothing needs at an opening."""
    pages = path.read_bytes()
    at = pages.index(b"x" * 100) // 4096 * 4096
    assert at != pages.rindex(b"x" * 100) // 4096 * 4096
    faults.garble(path, at=at, length=16)


async def test_a_run_that_was_not_closed_has_its_file_checked_whole(
    tmp_path: Path,
) -> None:
    clock = make.clock()
    path = tmp_path / "cycles.db"
    head = await _left_open(path, clock)
    last_id = entries(path)[-1].id
    _damage_out_of_sight(path)
    writer = Writer.open(path, clock=clock, threaded=False)
    run_id = writer.append(make.run())
    await writer.commit()
    await writer.close()
    (run,) = (each.row for each in entries(path) if isinstance(each.row, RunRow))
    # The last link could be read, and so could the ids.
    assert run.prev_link == head
    assert run_id == last_id + 1
    assert len(aside(path)) == 1
    sound(path)


async def test_a_run_that_was_closed_costs_no_check_at_the_next_start(
    tmp_path: Path,
) -> None:
    clock = make.clock()
    path = tmp_path / "cycles.db"
    await _left_open(path, clock)
    writer = Writer.open(path, clock=clock, threaded=False)
    writer.append(make.run_end())
    await writer.close()
    _damage_out_of_sight(path)
    await (await begun(path, clock)).close()
    assert not aside(path)


async def test_damage_while_running_costs_ten_seconds_and_a_new_file(
    tmp_path: Path,
) -> None:
    clock = make.clock()
    path = tmp_path / "cycles.db"
    await _left_open(path, clock)
    writer = await begun(path, clock)
    head = writer.head
    # The WAL goes into the file and SQLite forgets the pages, as both do in time.
    assert writer._file._connection is not None
    writer._file._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    writer._file._connection.execute("PRAGMA shrink_memory")
    faults.garble_tables(path)
    row_id = writer.append(make.alarm(code="after"))
    await refused(writer, "malformed")
    clock.advance(RETRY_MS)
    await writer.commit()
    await writer.close()
    found = entries(path)
    assert row_id in [each.id for each in found]
    runs = [each.row for each in found if isinstance(each.row, RunRow)]
    assert [(run.prev_link, run.continued) for run in runs] == [(head, True)]
    assert any(isinstance(each.row, SettingsRow) for each in found)
    assert [gap.why for gap in gaps(path)] == ["damaged"]
    sound(path)


async def test_a_database_of_something_else_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "cycles.db"
    with sqlite3.connect(path) as database:
        database.execute("CREATE TABLE notes (text)")
    database.close()
    before = path.read_bytes()
    writer = Writer.open(path, clock=make.clock(), threaded=False)
    writer.append(make.run())
    await refused(writer, "something else")
    await writer.close()
    assert path.read_bytes() == before
    assert not aside(path)


async def test_an_empty_file_becomes_a_log(tmp_path: Path) -> None:
    path = tmp_path / "cycles.db"
    path.touch()
    await (await begun(path, make.clock())).close()
    sound(path)


# --- other schemas ------------------------------------------------------------------


async def test_a_file_of_a_newer_schema_is_set_aside_not_touched(
    tmp_path: Path,
) -> None:
    clock = make.clock()
    path = tmp_path / "cycles.db"
    head = await _left_open(path, clock)
    faults.tampered(path, lambda database: database.execute("PRAGMA user_version = 99"))
    with pytest.raises(LogError, match="schema version 99"):
        Reader(path)
    writer = await begun(path, clock)
    await writer.close()
    assert len(aside(path, "newer_schema")) == 1
    assert [gap.why for gap in gaps(path)] == ["newer_schema"]
    runs = [each.row for each in entries(path) if isinstance(each.row, RunRow)]
    assert runs[0].prev_link == head


async def test_a_file_of_an_older_schema_becomes_a_past_file(tmp_path: Path) -> None:
    clock = make.clock()
    path = tmp_path / "cycles.db"
    head = await _left_open(path, clock)
    last_id = entries(path)[-1].id
    faults.tampered(path, lambda database: database.execute("PRAGMA user_version = 0"))
    writer = await begun(path, clock)
    await writer.close()
    assert (tmp_path / "cycles-2026.db").exists()
    found = entries(path)
    assert found[0].id > last_id
    assert isinstance(found[0].row, RunRow)
    assert found[0].row.prev_link == head
    assert not gaps(path)
