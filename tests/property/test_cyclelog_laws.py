"""Laws of the log: any torn tail is a prefix, any change is found, runs lose nothing."""

from __future__ import annotations

import asyncio
import sqlite3
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from support import cyclelog_rows as make
from support.cyclelog_verifier import verify
from tidegate.core.reading import (
    BatteryStatus,
    ExternalPower,
    Flag,
    Reading,
    Sample,
    WhyNot,
)
from tidegate.cyclelog import schema
from tidegate.cyclelog.check import check
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.record import first_of, reading_of
from tidegate.cyclelog.rows import BatteryRow, Entry, FailureRow, LinkRow, ReadingRow
from tidegate.cyclelog.runs import ReadingRuns
from tidegate.cyclelog.writer import Writer

LAW = settings(max_examples=40, deadline=None)


def entries(path: Path) -> list[Entry]:
    with Reader(path) as reader:
        assert check(reader) is None
        return list(reader.rows())


@dataclass(frozen=True)
class Crashed:
    """What a crash left: the file, its WAL, and what each commit had made durable."""

    file: bytes
    wal: bytes
    synced: tuple[int, ...]
    rows: tuple[Entry, ...]


@cache
def crashed() -> Crashed:
    """Return a log after twelve commits, none of them in the file yet."""
    with tempfile.TemporaryDirectory() as folder:
        return asyncio.run(_crashed(Path(folder) / "cycles.db"))


async def _crashed(path: Path) -> Crashed:
    writer = Writer.open(path, clock=make.clock(), threaded=False)
    wal = Path(f"{path}-wal")
    synced = []
    for count in range(12):
        for row in make.some()[: 1 + count % 5]:
            writer.append(row)
        writer.append(make.alarm(count, code="°" * (count * 300)))
        await writer.commit()
        synced.append(_size(wal))
    left = Crashed(_bytes(path), _bytes(wal), tuple(synced), tuple(entries(path)))
    await writer.close()
    return left


def _size(path: Path) -> int:
    return path.stat().st_size


def _bytes(path: Path) -> bytes:
    return path.read_bytes()


@pytest.fixture(scope="module")
def folder() -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as name:
        yield Path(name)


@LAW
@given(data=st.data())
def test_any_torn_tail_is_recovered_to_a_prefix_of_whole_commits(
    folder: Path, data: st.DataObject
) -> None:
    left = crashed()
    at = data.draw(st.integers(0, len(left.wal)), label="torn at")
    noise = data.draw(st.binary(max_size=200), label="noise")
    # Noise that happens to be what was there tears nothing.
    assume(not noise or left.wal[at : at + len(noise)] != noise)
    garbled = left.wal[:at] + noise
    if data.draw(st.booleans(), label="noise within"):
        assume(noise)
        garbled += left.wal[at + len(noise) :]
    path = folder / "torn.db"
    for end in ("-wal", "-shm"):
        Path(f"{path}{end}").unlink(missing_ok=True)
    path.write_bytes(left.file)
    Path(f"{path}-wal").write_bytes(garbled)
    # The schema itself is one commit before the first; without it there is no log.
    durable = sum(synced <= at for synced in left.synced)
    if durable:
        verify(path)
        found = entries(path)
        assert tuple(found) == left.rows[: len(found)]
        assert sum(isinstance(each.row, LinkRow) for each in found) >= durable
    asyncio.run(_goes_on(path, left.rows, durable=durable))


async def _goes_on(path: Path, rows: tuple[Entry, ...], *, durable: int) -> None:
    writer = Writer.open(path, clock=make.clock(), threaded=False)
    writer.append(make.run())
    await writer.commit()
    await writer.close()
    verify(path)
    found = entries(path)
    kept = found[:-2]
    assert tuple(kept) == rows[: len(kept)]
    assert sum(isinstance(each.row, LinkRow) for each in kept) >= durable


# --- changes ------------------------------------------------------------------------


@cache
def whole() -> bytes:
    """Return a closed log with rows of most kinds in every batch."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "cycles.db"
        asyncio.run(_whole(path))
        return path.read_bytes()


async def _whole(path: Path) -> None:
    writer = Writer.open(path, clock=make.clock(), threaded=False)
    for count in range(4):
        # No two rows say the same: equal ones could change places unseen.
        for place, row in enumerate(make.some()):
            writer.append(replace(row, boot_ms=100 * count + place))
        await writer.commit()
    await writer.close()


@cache
def every_row() -> tuple[tuple[str, int], ...]:
    """Return table and id of each row of the log above."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "cycles.db"
        path.write_bytes(whole())
        with Reader(path) as reader:
            return tuple((table.name, row_id) for row_id, table, _ in reader.raw())


def _is_found(folder: Path, *statements: tuple[str, tuple[Any, ...]]) -> None:
    path = folder / "changed.db"
    path.write_bytes(whole())
    with sqlite3.connect(path) as database:
        for statement, values in statements:
            database.execute(statement, values)
    database.close()
    with Reader(path) as reader:
        assert check(reader) is not None
    with pytest.raises(ValueError, match=r"link|rows"):
        verify(path)


@LAW
@given(data=st.data())
def test_any_single_altered_column_is_found(folder: Path, data: st.DataObject) -> None:
    table_name, row_id = data.draw(st.sampled_from(every_row()))
    column = data.draw(st.sampled_from(schema.TABLES[table_name].columns))
    if column.kind is bytes:
        value: Any = data.draw(st.binary(min_size=32, max_size=32))
    elif column.kind is str:
        value = data.draw(st.text(st.characters(exclude_categories=["Cs", "Cc"])))
    else:
        value = data.draw(st.integers(-(2**40), 2**40))
    if column.nullable and data.draw(st.booleans()):
        value = None
    path = folder / "before.db"
    path.write_bytes(whole())
    with sqlite3.connect(path) as database:
        (before,) = database.execute(
            f'SELECT "{column.name}" FROM "{table_name}" WHERE id = ?', (row_id,)
        ).fetchone()
    database.close()
    assume(before != value)
    _is_found(
        folder,
        (
            f'UPDATE "{table_name}" SET "{column.name}" = ? WHERE id = ?',
            (value, row_id),
        ),
    )


@LAW
@given(data=st.data())
def test_any_removed_row_is_found(folder: Path, data: st.DataObject) -> None:
    # The very last link with its rows could be cut unseen; one row of it could not.
    table, row_id = data.draw(st.sampled_from(every_row()))
    _is_found(folder, (f'DELETE FROM "{table}" WHERE id = ?', (row_id,)))


@LAW
@given(data=st.data())
def test_any_two_rows_that_change_places_are_found(
    folder: Path, data: st.DataObject
) -> None:
    one, other = data.draw(
        st.tuples(st.sampled_from(every_row()), st.sampled_from(every_row()))
    )
    assume(one[1] < other[1])
    moves = [(one, 10**6), (other, one[1]), ((one[0], 10**6), other[1])]
    _is_found(
        folder,
        *[
            (f'UPDATE "{table}" SET id = ? WHERE id = ?', (new, old))
            for (table, old), new in moves
        ],
    )


@LAW
@given(data=st.data())
def test_any_added_row_is_found(folder: Path, data: st.DataObject) -> None:
    taken = {row_id for _, row_id in every_row()}
    row_id = data.draw(st.integers(-5, 200))
    if row_id not in taken or data.draw(st.booleans()):
        _is_found(
            folder, ("INSERT INTO effect VALUES (?, 1, 2, 'x', 3, 'on', 1)", (row_id,))
        )


# --- runs ---------------------------------------------------------------------------


def _some(values: st.SearchStrategy[float]) -> st.SearchStrategy[float | None]:
    return st.none() | values


SAMPLES = st.builds(
    Sample,
    soc_percent=st.sampled_from([59.0, 60.0, 60.25]),
    battery_status=st.sampled_from(BatteryStatus),
    external_power=st.sampled_from(ExternalPower),
    voltage_v=_some(st.integers(3790, 3830).map(lambda mv: mv / 1000)),
    current_a=_some(st.integers(-900, 900).map(lambda ma: ma / 1000)),
    temperature_c=_some(st.integers(24_500, 25_600).map(lambda mc: mc / 1000)),
    charge_ah=_some(st.integers(0, 7000).map(lambda mah: mah / 1000)),
    uptime_s=st.none() | st.integers(0, 10**7),
    pack=st.sampled_from([None, "P1"]),
    flags=st.frozensets(st.sampled_from(Flag), max_size=1),
    present=st.booleans(),
)
OFFERS = st.lists(
    st.tuples(
        SAMPLES,
        st.sampled_from([None, None, None, *WhyNot]),
        st.booleans(),
        st.integers(1, 120_000),
        st.integers(-5_000, 5_000),
    ),
    max_size=25,
)


@settings(max_examples=100, deadline=None)
@given(offers=OFFERS)
def test_runs_keep_count_order_ends_and_evidence(
    offers: list[tuple[Sample, WhyNot | None, bool, int, int]],
) -> None:
    runs = ReadingRuns("lobby")
    readings: list[tuple[Reading, bool]] = []
    rows: list[BatteryRow | ReadingRow | FailureRow] = []
    at_ms, wall_ms = 0, make.WALL_MS
    for sample, why_not, apart, wait_ms, slip_ms in offers:
        at_ms, wall_ms = at_ms + wait_ms, wall_ms + wait_ms + slip_ms
        reading = Reading(sample=sample, at_ms=at_ms, wall_ms=wall_ms, why_not=why_not)
        readings.append((reading, apart))
        rows += runs.offer(reading, apart=apart, same_reads=1, same_since_ms=at_ms)
    rows += runs.flush()

    battery: BatteryRow | None = None
    place = 0
    for row in rows:
        if isinstance(row, BatteryRow):
            battery = row
            continue
        assert isinstance(row, ReadingRow)
        covered = readings[place : place + row.reads]
        place += row.reads
        assert first_of(row, battery) == covered[0][0]
        assert reading_of(row, battery) == covered[-1][0]
        assert row.reads == 1 or not any(apart for _, apart in covered)
        times = [reading.at_ms for reading, _ in covered]
        gaps = [later - earlier for earlier, later in pairwise(times)]
        assert row.longest_gap_ms == max(gaps, default=0)
        if row.why_not is None:
            _are_near([reading.sample for reading, _ in covered])
    assert place == len(readings)


def _are_near(samples: list[Sample]) -> None:
    first = samples[0]
    for sample in samples:
        assert sample.soc_percent == first.soc_percent
        assert sample.external_power == first.external_power
        if first.voltage_v is not None and sample.voltage_v is not None:
            assert abs(sample.voltage_v - first.voltage_v) <= 0.0200001
        if first.temperature_c is not None and sample.temperature_c is not None:
            assert abs(sample.temperature_c - first.temperature_c) <= 0.5000001


def test_the_first_of_a_run_has_what_its_row_says() -> None:
    """The laws above compare exactly; this pins that they compare something."""
    sample = Sample(soc_percent=60.0, voltage_v=3.8)
    reading = Reading(sample=sample, at_ms=1, wall_ms=2)
    runs = ReadingRuns("lobby")
    other = replace(reading, at_ms=5, sample=replace(sample, voltage_v=3.81))
    for each in (reading, other):
        runs.offer(each, apart=False, same_reads=1, same_since_ms=each.at_ms)
    battery, row = runs.flush()
    assert isinstance(battery, BatteryRow)
    assert isinstance(row, ReadingRow)
    assert first_of(row, battery) == reading
    assert reading_of(row, battery) == other
