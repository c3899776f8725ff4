"""The trusted readings of a CSV, made by hand or exported; all data are synthetic."""

from __future__ import annotations

from pathlib import Path

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
    assert not series.is_calendar
    assert not series.is_log
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


def test_a_run_of_equal_readings_is_no_step_from_read_to_read(written):
    # Runs of an hour, a minute between them: 45 min without a reading are a gap.
    lines = [f"{3660 * each},{50 + each},3600" for each in range(4)]
    path = written(
        "time,soc_percent,lasts_s", *lines, f"{4 * 3660 - 60 + 2700},60,", "18000,61,"
    )
    series = opened(path, None)
    assert series.step_s == 60
    assert [len(each) for each in levels(series)] == [8, 1, 1]


def test_the_sign_of_a_current_is_trusted_throughout_or_not(written):
    columns = "time,soc_percent,current_a,current_sign_trusted"
    for flags, is_trusted in (
        (("true", "true"), True),
        (("false", "true"), False),
        (("true", ""), False),
    ):
        lines = [f"{60 * i},50,-1,{flag}" for i, flag in enumerate(flags)]
        # A reading without any current says nothing of its sign.
        series = opened(written(columns, *lines, "180,50,,"), None)
        assert series.sign_is_trusted is is_trusted
    assert not opened(written(columns, "0,50,,true"), None).sign_is_trusted


def test_a_file_of_a_table_program_is_read(written):
    """With a byte order mark and the line ends of RFC 4180."""
    path = written()
    path.write_bytes(b"\xef\xbb\xbftime,soc_percent\r\n0,50\r\n60,51\r\n")
    assert levels(opened(path, None)) == [[50, 51]]


def test_a_clock_that_was_set_back_needs_the_boot_clock(written):
    columns = "time,boot_ms,soc_percent"
    path = written(
        columns,
        "2026-03-02T06:00:00Z,1000,50",
        "2026-03-02T05:00:00Z,61000,51",
        "2026-03-02T05:01:00Z,121000,52",
    )
    moments = [point.at_ms - MARCH_MS for point in opened(path, None).points]
    assert moments == [0, 60_000, 120_000]
    path = written(columns, "2026-03-02T06:00:00Z,,50", "2026-03-02T05:00:00Z,,51")
    with pytest.raises(LogUnreadable, match="before the line above"):
        opened(path, None)


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
        (("time,soc_percent", "0,500"), LogEmpty, "no reading that can be trusted"),
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
    for other in (tmp_path, Path("/dev/null")):
        with pytest.raises(LogError):
            opened(other, "hall")


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n", "line 2: the text is not UTF-8"),
        (b"# Notes\n\nNothing.\n", "no such column"),
        (b"time,soc_percent\n0,50\n" + b"x" * 200_000, "line 3"),
    ],
)
def test_files_of_other_kinds_are_told_with_their_place(written, content, said):
    path = written()
    path.write_bytes(content)
    with pytest.raises(LogUnreadable, match=said):
        opened(path, None)
    if "column" not in said:
        with pytest.raises(LogUnreadable, match=said):
            stations_in(path)


def test_a_file_that_is_too_large_is_not_read(written):
    path = written()
    with path.open("wb") as file:
        file.truncate(70_000_000)
    with pytest.raises(LogUnreadable, match="70 MB, at most 67 MB"):
        opened(path, None)


def test_an_export_has_the_same_readings_as_its_log(tmp_path):
    log = AuditLog(tmp_path / "cycles.db")
    log.begin()
    log.battery()
    for minute in range(0, 400, 20):
        log.read(
            60 * minute,
            50 + minute // 20,
            span_s=900,
            voltage_mv=3800,
            current_ma=-500,
            celsius=24,
            last_celsius=25,
            last_voltage_mv=3790,
            last_current_ma=-450,
        )
        log.read(60 * minute + 960, 50 + minute // 20, external_power_code=1)
    path = log.close()
    to = tmp_path / "export"
    asked = ["log", "export", "--log", str(path), "--format", "csv", "--to", str(to)]
    assert run(asked) == 0
    exported, original = opened(to / "reading.csv", "hall"), opened(path, "hall")
    assert len(original.points) == 60
    for one, other in zip(exported.points, original.points, strict=True):
        assert one == other
    assert {point.voltage_v for point in exported.points} == {3.8, 3.79, None}
    assert exported.step_s == 60  # the time between the rows, not the runs
    assert [len(each) for each in levels(exported)] == [60]
