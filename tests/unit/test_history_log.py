"""The trusted readings of a cycle log, in order; what was not seen breaks them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from support.audit_log import DAY, HOUR, MINUTE, POLICY, T0, AuditLog
from tidegate.audit.given import last_set
from tidegate.core.reading import BatteryStatus
from tidegate.errors import LogAbsent, LogEmpty, LogUnreadable
from tidegate.history import from_log, opened, stations_in


@pytest.fixture
def log(tmp_path):
    return AuditLog(tmp_path / "cycles.db")


def at(seconds):
    return T0 + round(1000 * seconds)


def levels(series):
    return [[point.soc_percent for point in each] for each in series.stretches()]


def test_a_reading_keeps_what_was_read(log):
    log.begin()
    log.battery()
    log.read(
        0,
        55.25,
        voltage_mv=3812,
        current_ma=-620,
        charge_mah=4420,
        battery_status_code=1,
        external_power_code=1,
        celsius=24.5,
    )
    series = opened(log.close(), "hall")
    (point,) = series.points
    assert point == (
        *(at(0), 55.25, 3.812, -0.62, 24.5, 4.42, False),
        BatteryStatus.DISCHARGING,
    )
    assert series.sign_is_trusted
    assert not series.is_whole
    assert series.is_log
    assert series.step_s == 30


@pytest.mark.parametrize(("code", "is_fed"), [(0, True), (1, False), (2, None)])
def test_external_power_that_is_not_known_is_none(log, code, is_fed):
    log.begin()
    log.read(0, 55, external_power_code=code)
    series = opened(log.close(), "hall")
    assert series.points[0].is_fed is is_fed
    assert series.is_whole


def test_a_run_is_its_first_and_its_last_reading(log):
    log.begin()
    log.read(0, 55, span_s=600, celsius=20, last_celsius=21, voltage_mv=3800)
    series = opened(log.close(), "hall")
    first, last = series.points
    assert (first.at_ms, last.at_ms) == (at(0), at(600))
    assert (first.temperature_c, last.temperature_c) == (20, 21)
    assert last.voltage_v == 3.8  # no other one is in the row
    assert series.covered_s == 600


def test_a_distance_of_more_than_four_polls_is_a_gap(log):
    log.begin()
    for moment_s, level in ((0, 50), (120, 51), (241, 52), (300, 53)):
        log.read(moment_s, level)
    series = opened(log.close(), "hall")
    assert levels(series) == [[50, 51], [52, 53]]
    assert series.covered_s == 120 + 59


def test_the_longest_poll_that_was_set_decides_what_a_gap_is(log):
    log.begin(policy=replace(POLICY, poll_ms=60_000))
    log.read(0, 50)
    log.settings(10)
    log.read(240, 51)
    series = opened(log.close(), "hall")
    assert levels(series) == [[50, 51]]
    assert series.step_s == 30  # of the settings in force now


def test_a_gap_within_a_run_breaks_it(log):
    log.begin()
    log.read(0, 55, span_s=600, longest_gap_ms=121_000)
    series = opened(log.close(), "hall")
    assert levels(series) == [[55], [55]]


def test_another_boot_breaks_the_readings(log):
    log.begin()
    log.read(0, 50)
    log.read(60, 51)
    log.offset_ms = T0 + 90_000
    log.start(0, boot="boot-2")
    log.read(0, 52)
    assert levels(opened(log.close(), "hall")) == [[50, 51], [52]]


def test_past_files_belong_to_it(tmp_path):
    path = tmp_path / "cycles.db"
    for year, level in enumerate((50, 60)):
        began_ms = T0 + year * 366 * 86_400_000
        log = AuditLog(path, wall_ms=began_ms)
        log.offset_ms = began_ms
        log.begin(boot=f"boot-{year}")
        log.battery(pack=None, current_sign_trusted=bool(year))
        log.read(0, level)
        log.read(60, level + 1)
        log.close()
    assert (tmp_path / "cycles-2026.db").exists()
    series = opened(path, "hall")
    assert levels(series) == [[50, 51], [60, 61]]
    assert series.from_ms == T0
    assert series.until_ms == T0 + 366 * 86_400_000 + 60_000
    assert series.sign_is_trusted


def test_a_clock_that_is_set_back_does_not_move_a_reading(log):
    log.begin()
    log.read(0, 50)
    log.offset_ms = T0 - 3_600_000
    log.read(60, 51)
    log.read(90, 52)
    series = opened(log.close(), "hall")
    first, second, third = (point.at_ms for point in series.points)
    assert (second - first, third - second) == (60_000, 30_000)
    assert levels(series) == [[50, 51, 52]]


def test_another_pack_breaks_the_readings(log):
    log.begin()
    log.battery(pack="P1")
    log.read(0, 50)
    log.battery(30, pack=None)
    log.read(30, 51)
    log.battery(60, pack="P2")
    log.read(60, 52)
    assert levels(opened(log.close(), "hall")) == [[50, 51], [52]]


def test_a_reading_that_was_rejected_is_none(log):
    log.begin()
    log.read(0, 50)
    log.read(30, 99, why_not="jump")
    log.read(60, None, why_not="out_of_range")
    log.read(90, 51)
    assert levels(opened(log.close(), "hall")) == [[50, 51]]


def test_the_order_of_the_log_outweighs_its_times(log):
    log.begin()
    log.read(60, 50)
    log.read(0, 51)
    series = opened(log.close(), "hall")
    assert [point.at_ms for point in series.points] == [at(60), at(60)]


def test_a_log_without_any_trusted_reading_is_empty(log):
    log.begin()
    log.read(0, 50, why_not="jump")
    path = log.close()
    with pytest.raises(LogEmpty, match="no trusted reading of a station 'hall'"):
        opened(path, "hall")
    with pytest.raises(LogEmpty, match="no trusted reading of a station 'foyer'"):
        opened(path, "foyer")
    assert stations_in(path) == ("hall",)


def test_no_file_and_an_empty_one_are_told_by_the_reader_of_logs(tmp_path):
    with pytest.raises(LogAbsent):
        opened(tmp_path / "none.db", "hall")
    empty = tmp_path / "empty.db"
    empty.touch()
    with pytest.raises(LogUnreadable):
        opened(empty, "hall")


def test_what_is_written_meanwhile_is_left_out(log):
    log.begin()
    log.read(0, 50)
    log.read(60, 51)
    log.commit()
    log.read(120, 52)  # not committed
    assert levels(opened(log.path, "hall")) == [[50, 51]]
    log.close()


def test_what_is_committed_while_it_is_read_is_left_out_too(log, monkeypatch):
    log.begin()
    log.read(0, 50)
    log.commit()

    def meanwhile(*args, **kwargs):
        log.read(60, 51)
        log.commit()
        return last_set(*args, **kwargs)

    monkeypatch.setattr(from_log, "last_set", meanwhile)
    assert levels(opened(log.path, "hall")) == [[50]]
    monkeypatch.undo()
    assert levels(opened(log.path, "hall")) == [[50, 51]]
    log.close()


def test_settings_in_force_last_come_with_it(log):
    log.begin(given={"relay": {"life": 100_000}, "battery": {"design_ah": 7.0}})
    log.read(0, 50)
    given = opened(log.close(), "hall").given
    assert (given.life, given.design_ah) == (100_000, 7.0)
    assert given.policy == POLICY


def test_a_day_lasts_as_long_as_it_was_read(log):
    log.begin()
    for hour in range(24):
        log.read(hour * HOUR, 50 + hour % 2, span_s=HOUR - MINUTE)
    series = opened(log.close(), "hall")
    assert len(series.stretches()) == 1
    assert series.covered_s == DAY - MINUTE
