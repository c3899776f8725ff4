"""The trusted readings of a CSV, made by hand or exported; all data are synthetic."""

from __future__ import annotations

import pytest

from support.audit_log import AuditLog
from tidegate.cli.main import run
from tidegate.core.reading import BatteryStatus
from tidegate.errors import LogAbsent, LogEmpty, LogError, LogUnreadable
from tidegate.history import opened, stations_in

MARCH_MS = 1_772_431_200_000  # 2026-03-02T06:00:00Z


@pytest.fixture
def written(tmp_path):
    def write(*lines):
        path = tmp_path / "by-hand.csv"
        path.write_text("\n".join(lines), encoding="utf-8")
        return path

    return write


def levels(series):
    return [[point.soc_percent for point in each] for each in series.stretches()]


def test_time_and_charge_are_enough(written):
    path = written("time,soc_percent", "0,30", "600,31.5", "1200,33")
    assert stations_in(path) == ()
    series = opened(path, None)
    assert [point.at_ms for point in series.points] == [0, 600_000, 1_200_000]
    assert levels(series) == [[30, 31.5, 33]]
    assert series.points[0][2:] == (None,) * 5 + (BatteryStatus.UNKNOWN,)
    assert (series.station, series.step_s, series.covered_s) == ("", 600, 1200)
    assert not (series.is_calendar or series.is_log)
    assert not series.is_whole


def test_times_of_day_are_kept(written):
    path = written(
        "time,station,soc_percent,current_a,current_sign_trusted,external_power",
        "2026-03-02T06:00:00Z,foyer,61,,,",
        "2026-03-02T07:00:00+01:00,hall,55,-0.5,true,no",
        "2026-03-02T06:10:00Z,hall,54,1.2,true,yes",
    )
    assert stations_in(path) == ("foyer", "hall")
    series = opened(path, "hall")
    assert [point.at_ms for point in series.points] == [MARCH_MS, MARCH_MS + 600_000]
    assert [point.is_fed for point in series.points] == [False, True]
    assert [point.current_a for point in series.points] == [-0.5, 1.2]
    assert series.is_calendar
    assert series.sign_is_trusted
    assert series.is_whole
    assert series.station == "hall"


def test_a_station_that_begins_later_keeps_its_own_time(written):
    path = written(
        "time,station,soc_percent",
        "2026-03-02T06:00:00Z,foyer,61",
        "2026-03-02T08:00:00Z,hall,55",
    )
    series = opened(path, "hall")
    assert series.points[0].at_ms == MARCH_MS + 2 * 3_600_000


def test_a_reading_that_cannot_be_is_left_out(written):
    path = written("time,soc_percent", "0,50", "60,500", "120,51")
    assert levels(opened(path, None)) == [[50, 51]]


def test_much_more_than_the_usual_step_is_a_gap(written):
    minutes = [*range(0, 60, 5), 55 + 20, 80, 80 + 21, 106]
    path = written("time,soc_percent", *(f"{60 * each},50" for each in minutes))
    assert [len(each) for each in levels(opened(path, None))] == [14, 2]


def test_what_is_noted_by_the_second_has_no_gap_under_ten_minutes(written):
    seconds = (0, 1, 2, 3, 603, 1204)
    path = written("time,soc_percent", *(f"{each},50" for each in seconds))
    assert [len(each) for each in levels(opened(path, None))] == [5, 1]


def test_equal_readings_that_went_on_have_no_gap(written):
    path = written(
        "time,soc_percent,lasts_s", "0,50,", "60,51,7200", "7320,52,", "7380,53,"
    )
    series = opened(path, None)
    assert levels(series) == [[50, 51, 51, 52, 53]]
    assert series.covered_s == 7380


def test_another_pack_is_another_piece(written):
    path = written(
        "time,soc_percent,pack", "0,50,P1", "60,51,", "120,52,P1", "180,53,P2"
    )
    assert levels(opened(path, None)) == [[50, 51, 52], [53]]


@pytest.mark.parametrize(
    ("lines", "error", "said"),
    [
        ((), LogUnreadable, "file is empty|empty"),
        (("time,soc_percent",), LogUnreadable, "no line after the names"),
        (("time,percent", "0,1"), LogUnreadable, "column percent: no such column"),
        (("time,soc_percent", "0,1", "x,2"), LogUnreadable, "line 3, column time"),
        (("time,soc_percent", "0,500"), LogEmpty, "no trusted reading"),
        (
            ("time,station,soc_percent", "0,foyer,50"),
            LogEmpty,
            "no trusted reading of a station 'hall'",
        ),
    ],
)
def test_what_is_wrong_is_told_with_its_place(written, lines, error, said):
    path = written(*lines)
    with pytest.raises(error, match=said):
        opened(path, "hall")


def test_a_folder_and_an_absent_file_are_errors_of_a_log(tmp_path):
    with pytest.raises(LogAbsent):
        opened(tmp_path / "none.csv", "hall")
    with pytest.raises(LogError):
        opened(tmp_path, "hall")


def test_an_export_has_the_same_readings_as_its_log(tmp_path):
    log = AuditLog(tmp_path / "cycles.db")
    log.begin()
    log.battery()
    for minute in range(0, 400, 20):
        log.read(60 * minute, 50 + minute // 20, span_s=900, voltage_mv=3800)
        log.read(60 * minute + 960, 50 + minute // 20, external_power_code=1)
    path = log.close()
    to = tmp_path / "export"
    asked = ["log", "export", "--log", str(path), "--format", "csv", "--to", str(to)]
    assert run(asked) == 0
    exported, original = opened(to / "reading.csv", "hall"), opened(path, "hall")
    assert len(original.points) == 60
    for one, other in zip(exported.points, original.points, strict=True):
        assert one.at_ms == other.at_ms
        assert one.soc_percent == other.soc_percent
        assert one.is_fed == other.is_fed
    assert [len(each) for each in levels(exported)] == [60]
