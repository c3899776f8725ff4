"""The replay gauge: what it plays when, and how a bad recording is told.

All recordings are synthetic. What is expected is taken from what was fed in, not from
what the log's reader says of it.
"""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from support.cyclelog_life import Life
from support.host import TestHost
from tidegate.core.plausibility import judge
from tidegate.core.reading import (
    BatteryStatus,
    ExternalPower,
    Flag,
    Sample,
    WhyNot,
)
from tidegate.cyclelog import recording_csv
from tidegate.cyclelog.gauge import BACKEND, ReplayGauge, ReplaySettings
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.recording import Playback, Taken
from tidegate.cyclelog.rows import Row, RunRow
from tidegate.errors import Malformed, Refused, Unavailable
from tidegate.settings import from_tables
from tidegate.virtual import VirtualClock

HOUR_MS = 3_600_000
START_MS = 7 * HOUR_MS


class Told(Life):
    """A life that remembers what its gauge brought: by boot time, ``None`` a failure."""

    def __init__(self, path: Path, clock: VirtualClock) -> None:
        super().__init__(path, clock)
        self.told: list[tuple[int, Sample | None]] = []

    def append(self, row: Row) -> int:
        if isinstance(row, RunRow):
            row = replace(row, boot_id=self.clock.boot_id())
        return super().append(row)

    async def feed(self, event, **fields):  # type: ignore[no-untyped-def]
        if type(event).__name__ == "ReadingArrived":
            self.told.append((self.clock.boot_ms(), event.reading.sample))
        if type(event).__name__ == "GaugeFailed":
            self.told.append((self.clock.boot_ms(), None))
        await super().feed(event, **fields)


@asynccontextmanager
async def playing(path: Path, **fields: object) -> AsyncIterator[tuple]:
    """Yield the host, whose clock the test moves, and an open gauge."""
    host = TestHost(now_ms=START_MS)
    settings = ReplaySettings.model_validate({"path": path, **fields})
    async with ReplayGauge(settings, host) as gauge:
        yield host, gauge


def csv(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "hall.csv"
    path.write_text(text)
    return path


# ---- a cycle log


async def test_every_reading_of_a_log_comes_at_its_time(tmp_path: Path) -> None:
    life = Told(tmp_path / "cycles.db", VirtualClock())
    await life.start()
    await life.live(6 * 60)
    await life.stop()

    first_ms = life.told[0][0]
    socs = {sample.soc_percent for _, sample in life.told if sample}
    assert len(socs) > 8  # the battery has moved, or little is shown here
    async with playing(life.writer.path) as (host, gauge):
        for at_ms, sample in life.told:
            host.now_ms = START_MS + at_ms - first_ms
            found = await gauge.read()
            assert sample is not None
            # Between the first and the last of a run of equal readings the first
            # stands for them all: within 20 mV and 0.5 °C, and the rest is the same.
            assert found.soc_percent == sample.soc_percent
            assert found.external_power is sample.external_power
            assert found.battery_status is sample.battery_status
            assert found.full_charge_ah == 6.5
            assert found.current_sign_trusted
            assert found.temperature_c == pytest.approx(sample.temperature_c, abs=0.5)
            assert found.voltage_v == pytest.approx(sample.voltage_v, abs=0.02)


async def test_failures_and_rejections_come_as_what_they_were(tmp_path: Path) -> None:
    life = Told(tmp_path / "cycles.db", VirtualClock())
    await life.start()
    await life.live(10)
    await life.fail(5, kind="malformed")
    await life.live(5, voltage_v=0.0, soc_percent=0.0, raw="0x00")
    await life.live(5, present=False)
    await life.live(5, soc_percent=130.0)
    await life.live(10)
    await life.stop()

    first_ms = life.told[0][0]
    verdicts = set()
    async with playing(life.writer.path) as (host, gauge):
        for at_ms, sample in life.told:
            host.now_ms = START_MS + at_ms - first_ms
            if sample is None:
                with pytest.raises(Unavailable, match=r"failed then .malformed"):
                    await gauge.read()
                continue
            reading = judge(await gauge.read(), at_ms=0, wall_ms=0)
            verdicts.add(reading.why_not)
    assert verdicts == {
        None,
        WhyNot.ALL_ZERO,
        WhyNot.NOT_PRESENT,
        WhyNot.OUT_OF_RANGE,
    }


async def test_a_reboot_takes_as_long_as_the_wall_clock_says(tmp_path: Path) -> None:
    clock, path = VirtualClock(boot_ms=5_000), tmp_path / "cycles.db"
    life = Told(path, clock)
    await life.start()
    await life.live(10)
    await life.stop()
    first_ms, last_ms = life.told[0][0], clock.boot_ms()
    clock.reboot("virtual-boot-2", down_ms=HOUR_MS, boot_ms=90_000)
    again = Told(path, clock)
    await again.start()
    await again.live(10, soc_percent=33.0)
    await again.stop()
    down_ms = HOUR_MS + again.told[0][0] - 90_000

    async with playing(path) as (host, gauge):
        await gauge.read()
        host.now_ms = START_MS + last_ms - first_ms + 30 * 60_000
        with pytest.raises(Unavailable, match="nothing was recorded then"):
            await gauge.read()
        host.now_ms = START_MS + last_ms - first_ms + down_ms - 1
        with pytest.raises(Unavailable, match="nothing was recorded then"):
            await gauge.read()
        host.now_ms += 1
        assert (await gauge.read()).soc_percent == 33.0


async def test_it_begins_where_it_is_told_to(tmp_path: Path) -> None:
    clock = VirtualClock()
    life = Told(tmp_path / "cycles.db", clock)
    await life.start()
    await life.live(10)
    await life.live(30, soc_percent=42.0)
    await life.stop()
    at = "2026-03-02T06:25:00Z"  # VirtualClock begins at 06:00

    async with playing(life.writer.path, begin=at) as (host, gauge):
        assert (await gauge.read()).soc_percent == 42.0
        host.now_ms += 17 * 60_000
        with pytest.raises(Unavailable, match="the recording is over"):
            await gauge.read()


async def test_a_log_that_is_written_meanwhile_does_not_go_on_for_ever(
    tmp_path: Path,
) -> None:
    life = Told(tmp_path / "cycles.db", VirtualClock())
    await life.start()
    await life.live(20)
    async with playing(life.writer.path, gap="1min") as (host, gauge):
        await gauge.read()
        await life.live(60)
        host.now_ms += 50 * 60_000
        with pytest.raises(Unavailable, match="over"):
            await gauge.read()
    await life.stop()


async def test_a_reader_that_plays_does_not_keep_the_wal(tmp_path: Path) -> None:
    """SQLite empties a WAL only when no reader looks at an older state of the file."""
    life = Told(tmp_path / "cycles.db", VirtualClock())
    await life.start()
    await life.live(60)
    async with playing(life.writer.path) as (_, gauge):
        await gauge.read()
        connection = life.writer._file._connection
        assert connection is not None
        busy, _, _ = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        assert not busy
    await life.stop()


async def test_the_station_must_be_named_where_there_are_several(
    tmp_path: Path,
) -> None:
    life = Told(tmp_path / "cycles.db", VirtualClock())
    await life.start()
    await life.live(5)
    with Reader(life.writer.path) as reader:
        settings = reader.last_settings("lobby")
    assert settings is not None
    life.append(replace(settings, station="tower"))
    await life.stop()

    path = life.writer.path
    async with playing(path) as (_, gauge):
        with pytest.raises(Unavailable, match=r"several stations.*lobby, tower"):
            await gauge.read()
    async with playing(path, station="cellar") as (_, gauge):
        with pytest.raises(Unavailable, match=r'no station "cellar".*lobby, tower'):
            await gauge.read()
    async with playing(path, station="lobby") as (_, gauge):
        assert (await gauge.read()).soc_percent is not None
    async with playing(path, station="tower") as (_, gauge):
        with pytest.raises(Unavailable, match="over"):
            await gauge.read()


# ---- a CSV file


async def test_a_line_holds_until_the_next_one(tmp_path: Path) -> None:
    path = csv(tmp_path, "time,soc_percent\n100,60\n160,61\n220,62\n")
    seen = []
    async with playing(path) as (host, gauge):
        for second in (0, 59.999, 60, 119, 120, 179):
            host.now_ms = START_MS + round(second * 1000)
            seen.append((await gauge.read()).soc_percent)
        host.now_ms = START_MS + 180_000
        with pytest.raises(Unavailable, match=r"over.*repeat = true"):
            await gauge.read()
    assert seen == [60, 60, 61, 61, 62, 62]


async def test_repeated_it_begins_again_at_its_end(tmp_path: Path) -> None:
    path = csv(tmp_path, "time,soc_percent\n0,60\n60,61\n120,62\n")
    seen = []
    async with playing(path, repeat=True) as (host, gauge):
        for second in (0, 60, 179, 180, 240, 1800 * 180 + 130):
            host.now_ms = START_MS + second * 1000
            seen.append((await gauge.read()).soc_percent)
    assert seen == [60, 61, 62, 60, 61, 62]


async def test_twice_as_fast(tmp_path: Path) -> None:
    path = csv(tmp_path, "time,soc_percent\n0,60\n60,61\n120,62\n")
    async with playing(path, speed=2.0) as (host, gauge):
        await gauge.read()
        host.now_ms += 30_000
        assert (await gauge.read()).soc_percent == 61


async def test_a_gap_is_told_and_ends(tmp_path: Path) -> None:
    path = csv(tmp_path, "time,soc_percent\n0,60\n60,61\n7200,50\n7260,50\n")
    async with playing(path, gap="10min") as (host, gauge):
        await gauge.read()
        for second, wanted in ((659, 61), (661, None), (7199, None), (7200, 50)):
            host.now_ms = START_MS + second * 1000
            if wanted is None:
                with pytest.raises(Unavailable, match="nothing was recorded"):
                    await gauge.read()
            else:
                assert (await gauge.read()).soc_percent == wanted


async def test_every_quantity_has_its_column(tmp_path: Path) -> None:
    path = csv(
        tmp_path,
        "\ufefftime, soc_percent, battery_status, external_power, present, voltage_v,"
        "current_a, current_sign_trusted, temperature_c, temperature_sensor, charge_ah,"
        "full_charge_ah, design_charge_ah, cycle_count, health, pack, uptime_s, took_s,"
        "flags, why_not\r\n"
        "2026-03-02T07:00:00+01:00, 61.5, discharging, no, True, 3.812,"
        '-0.412, 1, 28.4, pack, 4.27, 7.0, 7.2, 118, good, "one, invented", 86400,'
        "0.02, coarse computed, unit_mismatch\r\n",
    )
    async with playing(path) as (_, gauge):
        assert await gauge.read() == Sample(
            soc_percent=61.5,
            battery_status=BatteryStatus.DISCHARGING,
            external_power=ExternalPower.NO,
            present=True,
            voltage_v=3.812,
            current_a=-0.412,
            current_sign_trusted=True,
            temperature_c=28.4,
            temperature_sensor="pack",
            charge_ah=4.27,
            full_charge_ah=7.0,
            design_charge_ah=7.2,
            cycle_count=118,
            health="good",
            pack="one, invented",
            uptime_s=86400,
            took_s=0.02,
            flags=frozenset({Flag.COARSE, Flag.COMPUTED}),
            claims=WhyNot.UNIT_MISMATCH,
        )


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "1: there is no line"),
        ("time,soc_percent\n", "1: there is no line"),
        ("soc_percent\n60\n", "1: there is no column time"),
        ("time,voltage_v\n0,4\n", "1: there is no column soc_percent"),
        ("time,soc_percnt\n0,4\n", "column soc_percnt: .*nearest known is soc_percent"),
        ("time,soc_percent,time\n0,4,0\n", "column time: it stands there twice"),
        ("time,soc_percent\n0,4\n\n9,x\n", "4, column soc_percent: a number"),
        ("time,soc_percent\n0,nan\n", "2, column soc_percent: a number"),
        ("time,soc_percent\n0,4,4\n", "2: 3 cells, the first line names 2"),
        ("time,soc_percent\n0,1\n9,4\n8,4\n", "4, column time: it is before"),
        ("time,soc_percent\n2026-03-02T06:00,4\n", "2, column time: .*zone"),
        ("time,soc_percent\nnoon,4\n", "2, column time: seconds or a time"),
        ("time,soc_percent\n0,1\n2026-03-02T06:00Z,4\n", "3, column time: a num"),
        ('time,soc_percent\n0,"4\n', "2: unexpected end of data"),
        ("time,soc_percent,present\n0,4,maybe\n", "column present: true or false"),
        ("time,soc_percent,cycle_count\n0,4,1.5\n", "column cycle_count: a whole"),
        ("time,soc_percent,flags\n0,4,fine\n", "column flags: one of over_full"),
        ("time,soc_percent,external_power\n0,4,on\n", "one of yes, no, unknown"),
    ],
)
async def test_a_bad_line_is_named(tmp_path: Path, text: str, said: str) -> None:
    path = csv(tmp_path, text)
    async with playing(path) as (_, gauge):
        with pytest.raises(Malformed, match=f"(?s){path}: line .*{said}"):
            await gauge.read()


async def test_a_text_in_another_encoding_is_named(tmp_path: Path) -> None:
    path = tmp_path / "hall.csv"
    path.write_bytes("time,soc_percent,pack\n0,61,Küche\n".encode("latin-1"))
    async with playing(path) as (_, gauge):
        with pytest.raises(Malformed, match="2: the text is not UTF-8"):
            await gauge.read()


async def test_a_file_beyond_all_measure_is_not_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recording_csv, "BYTES_AT_MOST", 20)
    path = csv(tmp_path, "time,soc_percent\n0,61.5\n")
    async with playing(path) as (_, gauge):
        with pytest.raises(Malformed, match="at most"):
            await gauge.read()


async def test_a_file_of_several_stations(tmp_path: Path) -> None:
    """Each in its own order, as runs of readings end at different times."""
    path = csv(
        tmp_path,
        "station,time,lasts_s,soc_percent\n"
        "hall,0,900,60\ntower,60,,40\nhall,960,,61\ntower,120,,41\nhall,1020,,61\n",
    )
    async with playing(path) as (_, gauge):
        with pytest.raises(Unavailable, match=r"several stations.*hall, tower"):
            await gauge.read()
    async with playing(path, station="cellar") as (_, gauge):
        with pytest.raises(Unavailable, match=r'no station "cellar".*hall, tower'):
            await gauge.read()
    async with playing(path, station="tower") as (host, gauge):
        assert (await gauge.read()).soc_percent == 40
        host.now_ms += 60_000
        assert (await gauge.read()).soc_percent == 41
    # A run of equal readings is no gap, however long.
    async with playing(path, station="hall", gap="1min") as (host, gauge):
        assert (await gauge.read()).soc_percent == 60
        host.now_ms += 900_000
        assert (await gauge.read()).soc_percent == 60
        host.now_ms += 60_000
        assert (await gauge.read()).soc_percent == 61


async def test_a_beginning_wants_a_calendar(tmp_path: Path) -> None:
    begin = {"begin": "2026-03-02T06:00:30Z"}
    path = csv(tmp_path, "time,soc_percent\n0,60\n60,61\n")
    async with playing(path, **begin) as (_, gauge):
        with pytest.raises(Malformed, match=r"seconds.*`begin`"):
            await gauge.read()
    path.write_text(
        "time,soc_percent\n2026-03-02T06:00:00Z,60\n2026-03-02T06:01:00Z,61\n"
    )
    async with playing(path, **begin) as (_, gauge):
        assert (await gauge.read()).soc_percent == 61


# ---- the gauge


async def test_a_file_that_comes_late_is_played_from_its_beginning(
    tmp_path: Path,
) -> None:
    path = tmp_path / "hall.csv"
    async with playing(path) as (host, gauge):
        with pytest.raises(Unavailable, match="No such file"):
            await gauge.read()
        csv(tmp_path, "time,soc_percent\n0,60\n60,61\n")
        host.now_ms += HOUR_MS
        assert (await gauge.read()).soc_percent == 60


async def test_a_file_of_somebody_else_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(self: Path, *_: object) -> None:
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "open", refused)  # who runs tests as root may read all
    async with playing(tmp_path / "hall.csv") as (_, gauge):
        with pytest.raises(Refused, match="may not read"):
            await gauge.read()


async def test_closed_and_opened_it_begins_anew(tmp_path: Path) -> None:
    path = csv(tmp_path, "time,soc_percent\n0,60\n60,61\n")
    async with playing(path) as (host, gauge):
        await gauge.read()
        host.now_ms += 60_000
        assert (await gauge.read()).soc_percent == 61
        await gauge.close()
        await gauge.open()
        assert (await gauge.read()).soc_percent == 60


def test_a_playback_of_nothing_is_over_at_once() -> None:
    for is_repeated in (False, True):
        playback = Playback(lambda: iter(()), gap_ms=1000, is_repeated=is_repeated)
        assert playback.at(0).why == "the recording is over"


def test_a_reading_alone_holds_for_the_gap() -> None:
    taken = Taken(at_ms=0, sample=Sample(soc_percent=60.0))
    playback = Playback(lambda: iter((taken,)), gap_ms=1000, is_repeated=False)
    assert playback.at(999).sample is not None
    assert playback.at(1000).why == "the recording is over"


def test_its_table_in_the_settings() -> None:
    table = {"kind": "replay", "path": "hall.csv", "gap": "90s"}
    found = from_tables({"station": {"hall": {"gauge": table}}})
    gauge = found.stations["hall"].gauge
    assert isinstance(gauge, BACKEND.settings)
    assert gauge.model_dump(mode="json", exclude_unset=True) == table
