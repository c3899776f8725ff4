"""Equal readings make one row, and every reading that is evidence has its own."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from tidegate.core.events import GaugeFailed
from tidegate.core.policy import MINUTE_MS
from tidegate.core.reading import (
    BatteryStatus,
    ExternalPower,
    Flag,
    Reading,
    Sample,
    WhyNot,
)
from tidegate.cyclelog.record import arrivals_of, first_of, reading_of
from tidegate.cyclelog.rows import BatteryRow, FailureRow, ReadingRow
from tidegate.cyclelog.runs import ReadingRows, ReadingRuns

WALL_MS = 1_772_431_200_000
SAMPLE = Sample(
    soc_percent=60.0,
    battery_status=BatteryStatus.DISCHARGING,
    external_power=ExternalPower.NO,
    voltage_v=3.8,
    current_a=-0.3,
    current_sign_trusted=True,
    temperature_c=25.0,
    temperature_sensor="battery",
    charge_ah=3.9,
    full_charge_ah=6.5,
    design_charge_ah=7.0,
    cycle_count=12,
    health="good",
    pack="P1",
    uptime_s=77,
    took_s=0.003,
    flags=frozenset({Flag.COARSE, Flag.COMPUTED}),
)


class Log:
    """One station's runs and all the rows that they gave."""

    def __init__(self) -> None:
        self.runs = ReadingRuns("lobby")
        self.now_ms = 0
        self.rows: list[object] = []

    def offer(
        self, *, apart: bool = False, why_not: WhyNot | None = None, **fields: Any
    ) -> ReadingRows:
        reading = Reading(
            sample=replace(SAMPLE, **fields),
            at_ms=self.now_ms,
            wall_ms=WALL_MS + self.now_ms,
            why_not=why_not,
        )
        rows = self.runs.offer(
            reading, apart=apart, same_reads=1, same_since_ms=self.now_ms
        )
        return self._keep(rows)

    def fail(self, kind: str, *, apart: bool = False, text: str = "") -> ReadingRows:
        rows = self.runs.offer_failure(
            GaugeFailed(kind=kind),
            at_ms=self.now_ms,
            wall_ms=WALL_MS + self.now_ms,
            apart=apart,
            text=text,
        )
        return self._keep(rows)

    def flush(self) -> ReadingRows:
        return self._keep(self.runs.flush())

    def _keep(self, rows: ReadingRows) -> ReadingRows:
        self.now_ms += 30_000
        self.rows += rows
        return rows

    @property
    def readings(self) -> list[ReadingRow]:
        return [row for row in self.rows if isinstance(row, ReadingRow)]


def test_a_run_keeps_its_first_and_last_reading_exactly() -> None:
    log = Log()
    for voltage, current, temperature, charge in (
        (3.8, -0.3, 25.0, 3.9),
        (3.79, -0.9, 25.4, 3.89),
        (3.781, -0.31, 24.6, 3.881),
    ):
        assert not log.offer(
            voltage_v=voltage,
            current_a=current,
            temperature_c=temperature,
            charge_ah=charge,
            uptime_s=100 + log.now_ms // 1000,
        )
    log.now_ms += 40_000
    log.offer(uptime_s=500, took_s=0.25)
    battery, row = log.flush()
    assert isinstance(battery, BatteryRow)
    assert isinstance(row, ReadingRow)
    assert (row.reads, row.span_ms, row.longest_gap_ms) == (4, 130_000, 70_000)
    assert first_of(row, battery).sample == replace(SAMPLE, uptime_s=100, took_s=0.25)
    assert reading_of(row, battery) == Reading(
        sample=replace(SAMPLE, uptime_s=500, took_s=0.25),
        at_ms=130_000,
        wall_ms=WALL_MS + 130_000,
    )


@pytest.mark.parametrize(
    ("fields", "rows"),
    [
        ({}, 1),
        ({"voltage_v": 3.82}, 1),
        ({"voltage_v": 3.78}, 1),
        ({"voltage_v": 3.821}, 2),
        ({"voltage_v": 3.779}, 2),
        ({"voltage_v": None}, 2),
        ({"temperature_c": 25.5}, 1),
        ({"temperature_c": 24.499}, 2),
        ({"temperature_c": None}, 2),
        ({"current_a": 5.0}, 1),
        ({"charge_ah": 3.0}, 1),
        ({"soc_percent": 59.99}, 2),
        ({"battery_status": BatteryStatus.CHARGING}, 2),
        ({"external_power": ExternalPower.UNKNOWN}, 2),
        ({"pack": "P2"}, 2),
        ({"full_charge_ah": 6.4}, 2),
        ({"flags": frozenset[Flag]()}, 2),
        ({"present": False}, 2),
        ({"cycle_count": 13}, 2),
    ],
)
def test_what_makes_readings_equal(fields: dict[str, Any], rows: int) -> None:
    log = Log()
    log.offer()
    log.offer(**fields)
    log.flush()
    assert len(log.readings) == rows
    assert sum(row.reads for row in log.readings) == 2


def test_the_band_is_that_of_the_first_reading_not_of_the_one_before() -> None:
    log = Log()
    for step in range(10):
        log.offer(voltage_v=round(3.8 + step * 0.01, 3))
    log.flush()
    assert [row.reads for row in log.readings] == [3, 3, 3, 1]


def test_evidence_has_a_row_of_its_own_and_ends_the_run_before_it() -> None:
    log = Log()
    log.offer()
    log.offer()
    rows = log.offer(apart=True)
    assert [type(row) for row in rows] == [BatteryRow, ReadingRow, ReadingRow]
    log.offer()
    log.flush()
    assert [row.reads for row in log.readings] == [2, 1, 1]


def test_equal_rejections_run_together_whatever_they_claim() -> None:
    log = Log()
    for claim in (1536.0, 448.0, -1.0):
        log.offer(soc_percent=claim, why_not=WhyNot.OUT_OF_RANGE, raw=f"cap={claim}")
    log.offer(why_not=WhyNot.ALL_ZERO, raw="zeros")
    log.offer(soc_percent=2000.0, why_not=WhyNot.OUT_OF_RANGE, raw="again")
    log.flush()
    first, other, again = log.readings
    assert (first.reads, other.reads, again.reads) == (3, 1, 1)
    assert (first.soc_hundredths_percent, first.last_soc_hundredths_percent) == (
        153_600,
        -100,
    )
    # The first raw text of each kind, and no more.
    assert (first.raw, other.raw, again.raw) == ("cap=1536.0", "zeros", None)


def test_a_raw_text_is_cut_at_4_kib() -> None:
    log = Log()
    log.offer(why_not=WhyNot.STALE, raw="°" * 4000, apart=True)
    (row,) = log.readings
    assert row.raw is not None
    assert len(row.raw.encode("utf-8")) == 4096


def test_equal_failures_run_together() -> None:
    log = Log()
    log.fail("unavailable", text="no such device")
    log.fail("unavailable", text="no such device")
    log.now_ms += 60_000
    log.fail("unavailable")
    log.fail("malformed", text="what is this")
    log.fail("unavailable", apart=True, text="no such device")
    rows = [row for row in log.rows if isinstance(row, FailureRow)]
    assert [(row.kind, row.reads, row.text) for row in rows] == [
        ("unavailable", 3, "no such device"),
        ("malformed", 1, "what is this"),
        ("unavailable", 1, None),
    ]
    assert (rows[0].span_ms, rows[0].longest_gap_ms) == (120_000, 90_000)


def test_what_hardly_changes_is_said_again_only_when_it_changes() -> None:
    log = Log()
    for pack in ("P1", "P1", "P2", "P2", "P1"):
        log.offer(pack=pack, apart=True)
    batteries = [row for row in log.rows if isinstance(row, BatteryRow)]
    assert [row.pack for row in batteries] == ["P1", "P2", "P1"]


def test_a_run_waits_for_at_most_fifteen_minutes() -> None:
    log = Log()
    assert not log.runs.due(10**9)
    log.offer()
    assert not log.runs.due(15 * MINUTE_MS - 1)
    assert log.runs.due(15 * MINUTE_MS)
    # Rows that a change has closed wait too.
    log.offer(soc_percent=61.0)
    assert log.runs.due_at_ms == 15 * MINUTE_MS
    log.flush()
    assert log.runs.due_at_ms is None
    assert not log.flush()


def test_a_step_of_the_wall_clock_within_a_run_is_kept() -> None:
    runs = ReadingRuns("lobby")
    for at_ms, wall_ms in ((1000, 5_000_000), (31_000, 4_000_000)):
        reading = Reading(sample=SAMPLE, at_ms=at_ms, wall_ms=wall_ms)
        runs.offer(reading, apart=False, same_reads=1, same_since_ms=at_ms)
    battery, row = runs.flush()
    assert isinstance(battery, BatteryRow)
    assert isinstance(row, ReadingRow)
    assert reading_of(row, battery).wall_ms == 4_000_000


def test_a_row_stands_for_its_first_reading_and_all_the_others() -> None:
    log = Log()
    for _ in range(5):
        log.offer()
    battery, row = log.flush()
    assert isinstance(battery, BatteryRow)
    assert isinstance(row, ReadingRow)
    first, rest = arrivals_of(row, battery)
    assert (first.reads, first.reading.at_ms) == (1, 0)
    assert (rest.reads, rest.reading.at_ms) == (4, 120_000)


def test_a_jump_is_left_to_the_replay() -> None:
    log = Log()
    battery, row = log.offer(why_not=WhyNot.JUMP, apart=True)
    assert isinstance(battery, BatteryRow)
    assert isinstance(row, ReadingRow)
    assert row.why_not == "jump"
    (arrived,) = arrivals_of(row, battery)
    assert arrived.reading.trusted
