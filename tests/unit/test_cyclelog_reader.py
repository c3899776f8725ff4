"""What a start asks of the log, and reading where nothing may be written."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from support import cyclelog_faults as faults
from support import cyclelog_rows as make
from tidegate.core.reading import Flag, Supply
from tidegate.cyclelog.check import check
from tidegate.cyclelog.reader import LastRun, Reader
from tidegate.cyclelog.rows import (
    GapRow,
    IntentRow,
    LinkRow,
    Row,
    RunRow,
    SettingsRow,
    StateRow,
)
from tidegate.cyclelog.writer import Writer
from tidegate.errors import LogEmpty, LogError


async def written(path: Path, *rows: Row, close: bool = True) -> Writer:
    writer = Writer.open(path, clock=make.clock(), threaded=False)
    for row in rows:
        writer.append(row)
        await writer.commit()
    if close:
        await writer.close()
    return writer


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "cycles.db"


async def test_how_the_last_run_began_and_whether_it_ended(path: Path) -> None:
    await written(path)
    with Reader(path) as reader:
        assert reader.last_run() is None
        assert reader.last_run_was_closed()
    await written(path, make.run(boot_id="one"), make.run_end())
    with Reader(path) as reader:
        assert reader.last_run_was_closed()
    await written(path, make.run(boot_id="two"), make.alarm())
    with Reader(path) as reader:
        run = reader.last_run()
        assert run is not None
        assert run.boot_id == "two"
        assert not reader.last_run_was_closed()


def started(station: str = "lobby") -> Row:
    return replace(make.event(kind="started"), station=station)


async def test_the_last_run_of_a_station_is_one_that_started_it(path: Path) -> None:
    await written(path, make.run(boot_id="one"), make.settings(), started())
    await written(path, make.run(boot_id="two"), started("hall"), make.run_end())
    await written(path, make.run(boot_id="three"), make.settings(), make.run_end())
    with Reader(path) as reader:
        assert reader.last_run_of("lobby") == LastRun(boot_id="one", closed=False)
        assert reader.last_run_of("hall") == LastRun(boot_id="two", closed=True)
        assert reader.last_run_of("attic") is None
    await written(path, make.run(boot_id="four"), started(), started("hall"))
    with Reader(path) as reader:
        for name in ("lobby", "hall"):
            found = reader.last_run_of(name)
            assert found == LastRun(boot_id="four", closed=False)


async def test_a_run_that_follows_in_the_same_boot_shows_that_the_host_lived(
    path: Path,
) -> None:
    """A daemon was killed; a commissioning run came after it, then the next boot."""
    await written(path, make.run(boot_id="one"), make.settings(), started())
    with Reader(path) as reader:
        assert reader.last_run_of("lobby") == LastRun(boot_id="one", closed=False)
    await written(path, make.run(boot_id="one"), make.settings())
    await written(path, make.run(boot_id="two"), make.settings())
    with Reader(path) as reader:
        assert reader.last_run_of("lobby") == LastRun(boot_id="one", closed=True)


async def test_the_settings_in_force_at_a_row(path: Path) -> None:
    await written(
        path,
        make.settings("lobby", '{"a":1}'),
        make.settings("hall", '{"a":2}'),
        make.settings("lobby", '{"a":3}'),
    )
    with Reader(path) as reader:
        first, _, last = [
            each.id for each in reader.rows() if isinstance(each.row, SettingsRow)
        ]
        found = [reader.settings_before("lobby", at) for at in (first, last, last + 1)]
    assert [row and row.policy for row in found] == [None, '{"a":1}', '{"a":3}']


async def test_the_last_settings_and_state_of_each_station(path: Path) -> None:
    await written(
        path,
        make.settings("lobby", '{"a":1}'),
        make.settings("lobby", '{"a":2}'),
        make.settings("hall", '{"a":3}'),
        make.state(text="1"),
        make.state(text="2"),
        make.state(text="3", station="hall"),
    )
    with Reader(path) as reader:
        assert reader.stations() == ("hall", "lobby")
        settings = reader.last_settings("lobby")
        state = reader.last_state("lobby")
        assert settings is not None
        assert state is not None
        assert (settings.policy, state[1].state) == ('{"a":2}', "2")
        assert reader.last_state("attic") is None
        assert reader.last_settings("attic") is None


@pytest.mark.parametrize(
    ("rows", "supply", "is_certain"),
    [
        ([], None, None),
        ([make.intent(supply="off")], Supply.OFF, False),
        ([make.intent(supply="off"), make.outcome(3)], Supply.OFF, True),
        (
            # A failed off was not commanded, a failed on may have been.
            [
                make.intent(supply="on"),
                make.outcome(3),
                make.intent(supply="off"),
                make.outcome(7, error="unavailable"),
            ],
            Supply.ON,
            True,
        ),
        (
            [make.intent(supply="on"), make.outcome(3, error="unavailable")],
            Supply.ON,
            False,
        ),
        (
            [
                make.intent(supply="on"),
                make.outcome(3),
                make.intent(supply="off"),
                make.outcome(7, error="dropped"),
                make.intent(supply="off", station="hall"),
            ],
            Supply.ON,
            True,
        ),
    ],
)
async def test_what_was_commanded_last(
    path: Path, rows: list[Row], supply: Supply | None, is_certain: bool | None
) -> None:
    # Each row is followed by a link: the run is 1, the first intent 3, the next 7.
    await written(path, make.run(), *rows)
    with Reader(path) as reader:
        found = reader.last_commanded("lobby")
    if supply is None:
        assert found is None
    else:
        assert found is not None
        assert (found.supply, found.is_certain) == (supply, is_certain)


async def test_a_swapped_polarity_is_known_after_a_restart(path: Path) -> None:
    await written(path, make.intent(supply="on", swapped=True), make.run_end())
    with Reader(path) as reader:
        found = reader.last_commanded("lobby")
    assert found is not None
    assert found.swapped


async def test_the_last_trusted_reading_of_this_boot(path: Path) -> None:
    await written(
        path,
        make.run(boot_id="one"),
        make.battery(pack="old"),
        make.reading(1_000, soc=7000),
        make.run(boot_id="two"),
    )
    with Reader(path) as reader:
        assert reader.last_trusted("lobby", boot_id="two") is None
        assert reader.last_trusted("lobby", boot_id="three") is None
    await written(
        path,
        make.battery(pack="new"),
        make.reading(2_000, soc=5555),
        make.reading(3_000, soc=0, why_not="all_zero"),
        make.run(boot_id="two"),
        make.battery(pack="later"),
    )
    with Reader(path) as reader:
        found = reader.last_trusted("lobby", boot_id="two")
        assert found is not None
        assert found.soc_percent == 55.55
        assert found.at_ms == 2_000
        assert found.sample.pack == "new"
        assert found.sample.flags == frozenset({Flag.COARSE})
        assert reader.last_trusted("hall", boot_id="two") is None


async def test_rows_are_read_by_station_and_by_id(path: Path) -> None:
    await written(
        path, make.run(), make.alarm(1), make.alarm(2, station="hall"), make.run_end()
    )
    with Reader(path) as reader:
        everything = list(reader.rows())
        assert [each.id for each in everything] == list(range(1, 9))
        lobby = [each.row for each in reader.rows("lobby")]
        assert make.alarm(1) in lobby
        assert make.alarm(2, station="hall") not in lobby
        assert sum(isinstance(row, LinkRow) for row in lobby) == 4
        assert [each.id for each in reader.rows(after=3, up_to=5)] == [4, 5]


async def test_a_reader_sees_what_is_durable_while_a_writer_goes_on(path: Path) -> None:
    writer = await written(path, make.run(), close=False)
    with Reader(path) as reader:
        walk = reader.rows()
        assert isinstance(next(walk).row, RunRow)
        for _ in range(50):
            writer.append(make.alarm())
        assert len(list(reader.rows())) == 2
        await writer.commit()
        assert len(list(reader.rows())) == 53
        assert len(list(walk)) == 1, "a walk ends where it began to end"
        assert check(reader) is None
    await writer.close()


async def test_a_closed_log_is_read_on_a_read_only_disk(tmp_path: Path) -> None:
    with faults.small_disk(tmp_path / "card", size_kib=4096) as card:
        await written(card / "cycles.db", *make.some())
        with faults.read_only(card), Reader(card / "cycles.db") as reader:
            assert check(reader) is None
            assert isinstance(next(reader.rows()).row, RunRow)


async def test_a_crashed_log_is_read_whole_on_a_read_only_disk(tmp_path: Path) -> None:
    path = tmp_path / "cycles.db"
    writer = await written(path, *make.some(), close=False)
    with faults.small_disk(tmp_path / "card", size_kib=4096) as card:
        for end in ("", "-wal"):
            shutil.copy(f"{path}{end}", card)
        with faults.read_only(card), Reader(card / "cycles.db") as reader:
            assert check(reader) is None
            assert sum(1 for _ in reader.rows()) == 2 * len(make.some())
    await writer.close()


async def test_a_log_in_use_is_read_through_a_read_only_mount(tmp_path: Path) -> None:
    with faults.small_disk(tmp_path / "card", size_kib=4096) as card:
        writer = await written(card / "cycles.db", *make.some(), close=False)
        with faults.read_only(card), Reader(card / "cycles.db") as reader:
            assert check(reader) is None
            assert sum(1 for _ in reader.rows()) == 2 * len(make.some())
        await writer.close()


async def test_no_log_and_no_file_are_plain_sentences(tmp_path: Path) -> None:
    with pytest.raises(LogError, match="there is no cycle log"):
        Reader(tmp_path / "none.db")
    with pytest.raises(LogError, match="there is no cycle log"):
        Reader(tmp_path)


async def test_a_file_that_nobody_wrote_to_yet_is_told_apart(tmp_path: Path) -> None:
    begun, other = tmp_path / "begun.db", tmp_path / "other.db"
    begun.touch()
    with pytest.raises(LogEmpty, match="is empty"):
        Reader(begun)
    with closing(sqlite3.connect(other)) as connection:
        connection.execute("CREATE TABLE theirs (id)")
    with pytest.raises(LogError, match="is no cycle log") as raised:
        Reader(other)
    assert not isinstance(raised.value, LogEmpty)


async def test_a_gap_of_the_whole_log_belongs_to_every_station(path: Path) -> None:
    gap = GapRow(
        boot_ms=1,
        wall_ms=2,
        station="",
        why="full",
        since_boot_ms=0,
        since_wall_ms=1,
    )
    await written(path, gap, make.intent(), make.state())
    with Reader(path) as reader:
        kinds = {type(each.row) for each in reader.rows("hall")}
        assert kinds == {GapRow, LinkRow}
        kinds = {type(each.row) for each in reader.rows("lobby")}
        assert kinds == {GapRow, IntentRow, StateRow, LinkRow}
