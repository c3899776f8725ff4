"""The last hours of a station: from a log, and as it goes on; bounded, gaps kept."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from support.audit_log import HOUR, POLICY, STATION, T0, AuditLog
from tidegate.core.policy import HOUR_MS, Marks
from tidegate.errors import LogError
from tidegate.report import lately
from tidegate.report.lately import GAP_MS, Lately, Sight, of_log
from tidegate.report.story import Story

MARKS = Marks(low_percent=40, high_percent=60)
KEEP_MS = 6 * HOUR_MS


def sight(now_ms: int, **changes: object) -> Sight:
    seen = Sight(
        now_ms=now_ms,
        read_ms=now_ms,
        soc_percent=50.0,
        temperature_c=25.0,
        supply="on",
        alarms=frozenset(),
        marks=MARKS,
        floor_percent=25.0,
    )
    return replace(seen, **changes)  # type: ignore[arg-type]


def points(told: Story) -> list[list[float]]:
    return [[level for _, level in line] for line in told.soc]


# --- from a log ------------------------------------------------------------------------


def test_a_log_tells_charge_supply_alarms_and_what_was_in_force(tmp_path: Path) -> None:
    log = AuditLog(tmp_path / "cycles.db")
    log.begin()
    log.read(0, 58, span_s=60)
    log.switch(60, "off")
    log.alarm(60, "battery_hot")
    log.read(90, 57)
    told = of_log(log.close(), STATION, since_ms=T0)
    assert points(told) == [[58, 58, 57]]
    assert [(span.label, span.from_ms - T0) for span in told.supply] == [
        ("off", 60_000)
    ]
    assert [(span.label, span.stands) for span in told.alarms] == [
        ("battery_hot", True)
    ]
    assert told.in_force[-1].marks == POLICY.marks


def test_only_the_last_rows_are_read_and_the_settings_before_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    log = AuditLog(tmp_path / "cycles.db")
    log.begin()
    for number in range(40):
        log.read(30.0 * number, 40 + number % 2)
    path = log.close()
    monkeypatch.setattr(lately, "ROWS_MOST", 10)
    told = of_log(path, STATION, since_ms=T0)
    assert 5 <= sum(map(len, told.soc)) <= 10
    # They stand before the rows that are read.
    assert told.in_force[-1].marks == POLICY.marks
    assert told.soc[-1][-1][0] == T0 + 39 * 30_000


def test_another_station_is_not_told_of(tmp_path: Path) -> None:
    log = AuditLog(tmp_path / "cycles.db")
    log.begin()
    log.read(0, 50)
    log.station = "tower"
    log.settings(10)
    log.read(10, 80)
    assert points(of_log(log.close(), STATION, since_ms=T0)) == [[50]]


def test_each_boot_is_placed_by_its_own_wall_clock(tmp_path: Path) -> None:
    log = AuditLog(tmp_path / "cycles.db")
    log.begin()
    log.read(0, 50)
    log.offset_ms += 3 * HOUR_MS
    log.start(10, boot="boot-2")
    log.read(20, 51)
    told = of_log(log.close(), STATION, since_ms=T0)
    assert [line[0][0] - T0 for line in told.soc] == [0, 3 * HOUR_MS + 20_000]


def test_a_log_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(LogError):
        of_log(tmp_path / "none.db", STATION, since_ms=0)


# --- as it goes on ---------------------------------------------------------------------


def test_it_goes_on_where_the_log_ends(tmp_path: Path) -> None:
    log = AuditLog(tmp_path / "cycles.db")
    log.begin()
    log.read(0, 50)
    log.switch(10, "on")
    log.alarm(20, "battery_hot")
    log.read(60, 51)
    told = of_log(log.close(), STATION, since_ms=T0)
    going = Lately(STATION, keep_ms=KEEP_MS, told=told)
    going.take(sight(T0 + 90_000, soc_percent=52, alarms=frozenset({"battery_hot"})))
    assert points(told) == [[50, 51, 52]]
    assert len(told.supply) == len(told.alarms) == len(told.in_force) == 1
    assert told.supply[0].until_ms == T0 + 90_000
    assert (told.alarms[0].from_ms, told.alarms[0].stands) == (T0 + 20_000, True)


@pytest.mark.parametrize(("apart_ms", "lines"), [(GAP_MS, 1), (GAP_MS + 1, 2)])
def test_a_line_is_interrupted_where_nothing_was_seen(
    apart_ms: int, lines: int
) -> None:
    going = Lately(STATION, keep_ms=KEEP_MS)
    going.take(sight(T0))
    going.take(sight(T0 + apart_ms, soc_percent=51))
    assert len(going.told.soc) == lines


def test_readings_that_the_log_has_not_yet_close_the_gap_to_now() -> None:
    going = Lately(STATION, keep_ms=KEEP_MS)
    going.take(sight(T0))
    later_ms = T0 + 15 * 60_000
    going.read_before([(T0, 50.0), (later_ms, 50.0)])
    going.take(sight(later_ms + 1_000))
    assert points(going.told) == [[50, 50]]


def test_the_same_reading_again_makes_no_point() -> None:
    going = Lately(STATION, keep_ms=KEEP_MS)
    for second in range(5):
        going.take(sight(T0 + 1_000 * second, read_ms=T0))
    assert points(going.told) == [[50]]


def test_supply_marks_and_alarms_begin_and_end() -> None:
    going = Lately(STATION, keep_ms=KEEP_MS)
    going.take(sight(T0, alarms=frozenset({"battery_hot"})))
    higher = Marks(low_percent=80, high_percent=90)
    going.take(sight(T0 + 60_000, supply="off", marks=higher))
    told = going.told
    assert [span.label for span in told.supply] == ["on", "off"]
    assert [span.stands for span in told.alarms] == [False]
    assert [each.marks for each in told.in_force] == [MARKS, higher]


def test_what_is_older_than_the_time_that_is_kept_is_forgotten() -> None:
    """A day of watching holds no more than its last six hours."""
    going = Lately(STATION, keep_ms=KEEP_MS)
    for minute in range(24 * 60):
        at_ms = T0 + 60_000 * minute
        alarms = frozenset({"battery_hot"} if minute % 7 == 0 else ())
        supply = "on" if minute % 20 < 10 else "off"
        going.take(
            sight(at_ms, soc_percent=50 + minute % 3, supply=supply, alarms=alarms)
        )
    told = going.told
    assert told.from_ms == told.until_ms - KEEP_MS
    assert sum(map(len, told.soc)) <= 6 * 60 + 2
    assert len(told.supply) <= 6 * 6 + 2
    assert len(told.alarms) <= 6 * 60 / 7 + 2
    assert told.soc[0][0][0] >= told.from_ms - 60_000


def test_hours_of_a_day_are_kept_apart_from_the_log(tmp_path: Path) -> None:
    log = AuditLog(tmp_path / "cycles.db")
    log.begin()
    log.read(0, 50)
    log.read(HOUR, 55)
    told = of_log(log.close(), STATION, since_ms=T0 + HOUR_MS // 2)
    assert points(told) == [[55]]
