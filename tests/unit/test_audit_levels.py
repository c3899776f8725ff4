"""Charge, heat, cycles and gaps of logs that are written by hand; answers by hand too.

The data are synthetic. Equivalent full cycles are half the summed change over 100 %.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from support.audit_log import DAY, HOUR, MINUTE, POLICY, T0, AuditLog, triangle
from support.placed_rows import place
from tidegate.audit.auditor import audit, placed, stations_of
from tidegate.core.policy import Marks
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.rows import SettingsRow
from tidegate.errors import LogAbsent, LogEmpty, LogUnreadable
from tidegate.report.audit_finding import verdict
from tidegate.report.finding import measured_in_window_percent
from tidegate.report.story import story
from tidegate.wear.account import account
from tidegate.wear.duty import Duty


@pytest.fixture
def log(tmp_path):
    return AuditLog(tmp_path / "cycles.db")


def at(seconds):
    return T0 + round(1000 * seconds)


def filled(bins):
    return {each.low: each.seconds for each in bins if each.seconds}


# --- a triangle -----------------------------------------------------------------------


def test_a_triangle_gives_the_cycles_that_anyone_counts(log):
    log.begin()
    triangle(log, low=40, high=60, swings=4)  # 40 60 40 60 40
    made = audit(log.close(), "hall")
    # 4 ranges of 20 points are 80 points, half of that over 100 % is 0.4.
    assert made.cycles.efc == pytest.approx(0.4)
    found = [
        (each.depth_percent, each.mean_percent, each.count)
        for each in made.cycles.half_cycles
    ]
    assert found == [(20.0, 50.0, 2.0)]
    assert made.cycles.efc_per_year is None  # 80 min are no pace
    assert (made.soc.lowest_percent, made.soc.highest_percent) == (40, 60)


def test_a_reading_holds_for_half_of_the_time_to_each_side(log):
    log.begin()
    log.read(0, 40)
    log.read(60, 41)
    log.read(120, 85)
    made = audit(log.close(), "hall")
    assert filled(made.soc.histogram) == {40: 30 + 60, 85: 30}
    assert made.readings.covered_s == 120
    assert made.soc.hours_above_80_percent == pytest.approx(30 / 3600)
    assert made.soc.mean_percent == pytest.approx((30 * 40 + 60 * 41 + 30 * 85) / 120)


def test_the_bins_hold_their_lower_edge_and_100_percent(log):
    log.begin()
    log.read(0, 80, span_s=60)
    log.read(60, 100, span_s=60)
    made = audit(log.close(), "hall")
    assert filled(made.soc.histogram) == {80: 60, 95: 60}
    assert made.soc.hours_above_80_percent == pytest.approx(60 / 3600)
    assert len(made.soc.histogram) == 20


def test_a_pace_is_that_of_the_time_covered(log):
    log.begin()
    # 200 points in 400 h: 1 EFC, at 21.9 a year.
    for index in range(21):
        log.read(index * 20 * HOUR, 50 + 10 * (index % 2), span_s=20 * HOUR)
    made = audit(log.close(), "hall")
    assert made.cycles.efc == pytest.approx(1.0)
    assert made.cycles.efc_per_year == pytest.approx(365 * 24 / 420)
    assert made.wear is not None
    assert made.wear.efc_per_year == pytest.approx(made.cycles.efc_per_year)


# --- temperature ----------------------------------------------------------------------


def test_temperature_counts_by_the_time_it_was_read(log):
    log.begin()
    log.battery()
    log.read(0, 50, span_s=600, celsius=24.0, last_celsius=26.0)
    log.read(600, 50, celsius=46.0)
    log.read(660, 50, celsius=46.0)
    made = audit(log.close(), "hall")
    heat = made.temperature
    assert filled(heat.histogram) == {20: 300, 25: 300, 45: 60}
    assert [each.low for each in heat.histogram] == [20, 25, 30, 35, 40, 45]
    assert (heat.lowest_c, heat.highest_c, heat.sensor) == (24, 46, "pack")
    assert heat.hours_above_45_c == pytest.approx(60 / 3600)
    assert heat.assumed_c is None


def test_without_any_temperature_one_is_assumed_and_said(log):
    log.begin()
    log.read(0, 60, span_s=10 * HOUR, celsius=None)
    made = audit(log.close(), "hall")
    assert made.temperature.mean_c is None
    assert made.temperature.histogram == ()
    assert made.temperature.assumed_c == 25
    assert made.duty.rests == {(60.0, 25.0): 36_000}
    assert any("no temperature" in each for each in made.notes)


def test_time_without_temperature_gets_the_mean_of_the_rest(log):
    log.begin()
    log.read(0, 60, span_s=HOUR, celsius=30.0)
    log.read(HOUR, 60, span_s=HOUR, celsius=None)
    made = audit(log.close(), "hall")
    assert made.duty.rests == {(60.0, 30.0): 7_200}
    assert made.temperature.mean_c == 30
    assert any("For 1 h of the time covered" in each for each in made.notes)


def test_negative_temperatures_have_their_bins(log):
    log.begin()
    log.read(0, 50, span_s=60, celsius=-0.1, last_celsius=-5.0)
    assert filled(audit(log.close(), "hall").temperature.histogram) == {-5: 60}


def test_an_altered_temperature_asks_for_no_more_bins_than_a_real_one(log):
    log.begin()
    log.read(0, 50, span_s=60, celsius=1e9)
    made = audit(log.close(), "hall")
    assert len(made.temperature.histogram) == 1
    assert sum(each.seconds for each in made.temperature.histogram) == 60


# --- gaps -----------------------------------------------------------------------------


def test_four_polls_are_no_gap_and_more_are_one(log):
    log.begin()
    log.read(0, 50)
    log.read(120, 50)
    log.read(240.001, 50)
    made = audit(log.close(), "hall")
    assert made.readings.covered_s == 120
    (gap,) = made.readings.gaps
    assert (gap.from_ms, gap.until_ms, gap.why) == (at(120), at(240.001), "unread")


def test_a_gap_covers_nothing_and_counts_as_one_move(log):
    log.begin()
    for index, soc in enumerate((60, 59, 58)):
        log.read(60 * index, soc)
    log.fail(180, span_s=HOUR - 240)
    for index, soc in enumerate((50, 49, 48)):
        log.read(HOUR + 60 * index, soc)
    made = audit(log.close(), "hall")
    # Six readings, all falling: one half cycle of 12 points, 0.06 of a full one.
    assert [(each.depth_percent, each.count) for each in made.cycles.half_cycles] == [
        (12.0, 0.5)
    ]
    assert made.cycles.efc == pytest.approx(0.06)
    assert made.readings.covered_s == 240
    assert [gap.why for gap in made.readings.gaps] == ["gauge_failed"]
    assert made.readings.failed == 1 + (HOUR - 240) / 30
    assert any("changed by 8 points in all" in each for each in made.notes)
    # The pace is that of what was seen: 2 points a time, less one step each.
    assert made.duty.rate_per_h == pytest.approx(0.02 / (2 / 60), rel=0.6)


def test_each_gap_has_the_cause_that_took_most_of_it(log):
    log.begin()
    log.read(0, 50)
    log.fail(30, span_s=60)  # a minute of failures, then no daemon for an hour
    log.begin(HOUR)
    log.read(HOUR, 50)
    log.read(HOUR + 30, 99, span_s=600, why_not="jump")
    log.read(HOUR + 660, 50)
    log.event(2 * HOUR, "resumed")
    log.read(2 * HOUR + 5, 50)
    log.lost(3 * HOUR, dropped_rows=7, switchings=2)
    log.read(3 * HOUR, 50)
    made = audit(log.close(), "hall")
    assert [gap.why for gap in made.readings.gaps] == [
        "no_daemon",
        "rejected",
        "suspended",
        "log_lost",
    ]
    assert made.readings.rejected == 21
    assert made.readings.lost_rows == 7
    assert made.switchings.unlogged == 2
    assert any("7 rows could not be kept" in each for each in made.notes)


def test_what_comes_before_the_first_and_after_the_last_reading_is_a_gap(log):
    log.begin()
    log.fail(30, span_s=300)
    log.read(360, 50, span_s=60)
    log.fail(450, span_s=600)
    made = audit(log.close(), "hall")
    assert [(gap.from_ms, gap.until_ms, gap.why) for gap in made.readings.gaps] == [
        (at(0), at(360), "gauge_failed"),
        (at(420), at(1050), "gauge_failed"),
    ]


def test_a_log_without_a_trusted_charge_has_nothing_to_say_of_wear(log):
    log.begin()
    log.read(0, None, span_s=600, why_not="level_only")
    log.read(630, 50, span_s=600, why_not="frozen")
    made = audit(log.close(), "hall")
    assert made.wear is None
    assert made.soc.mean_percent is made.soc.lowest_percent is None
    assert made.readings.count == made.readings.rejected == 42
    assert [gap.why for gap in made.readings.gaps] == ["rejected"]
    assert any("no model could be asked" in each for each in made.notes)


def test_a_run_of_equal_readings_with_a_hole_in_it_is_a_gap(log):
    log.begin()
    log.read(0, 50, span_s=600, gap_s=400)
    made = audit(log.close(), "hall")
    assert made.readings.covered_s == 0
    assert [(gap.from_ms, gap.until_ms) for gap in made.readings.gaps] == [
        (at(0), at(600))
    ]


# --- consistent with the picture ------------------------------------------------------


def test_the_share_in_the_window_is_that_of_the_report_once_it_is_in_it(log):
    log.begin()
    end = triangle(log, low=40, high=63, swings=5)
    log.read(end + 3600, 50, span_s=600)
    log.read(end + 4260, 66, span_s=900)
    path = log.close()
    wanted = measured_in_window_percent(story(path, "hall"))
    assert audit(path, "hall").soc.in_window_percent == pytest.approx(wanted)
    assert wanted < 99


def test_a_station_that_never_came_into_its_window_was_outside_all_along(log):
    log.begin()
    log.read(0, 90, span_s=600)
    made = audit(log.close(), "hall")
    assert (made.soc.in_window_percent, made.soc.window_s) == (0, 600)
    assert "hall did not come into its window of 40 to 60 % in the time" in verdict(
        made
    )
    assert made.wear.hold_percent == 50  # the middle of 40 to 60


def test_without_a_window_the_hold_is_a_choice_and_said(log):
    log.begin(policy=replace(POLICY, marks=None))
    log.read(0, 90, span_s=600)
    made = audit(log.close(), "hall")
    assert made.marks is None
    assert made.wear.hold_percent == 60
    assert any("at 60 %, a choice" in each for each in made.notes)


def test_a_window_that_was_changed_is_said(log):
    log.begin()
    log.read(0, 50, span_s=600)
    log.settings(600, replace(POLICY, marks=Marks(low_percent=45, high_percent=55)))
    log.read(630, 50, span_s=600)
    made = audit(log.close(), "hall")
    assert made.marks == Marks(low_percent=45, high_percent=55)
    assert any("2 charge windows" in each for each in made.notes)


# --- models ---------------------------------------------------------------------------


def test_the_losses_are_those_of_the_same_duty_asked_by_hand(log):
    log.begin(given={"battery": {"chemistry": "lfp", "design_ah": 7}})
    log.read(0, 50, span_s=40 * DAY, celsius=30)
    made = audit(log.close(), "hall")
    by_hand = account(
        Duty.hold(50, temperature_c=30, days=40), hold_percent=50, chemistry="lfp"
    )
    assert made.wear == by_hand
    # A hold costs what this hold at the same level costs; float costs more.
    for each in made.wear.models:
        assert each.hold_loss_percent == pytest.approx(each.loss_percent)
        assert each.float_loss_percent > each.loss_percent
    assert made.chemistry == "lfp"
    assert made.wear.of == 5
    assert made.measured.design_ah == 7


def test_float_is_the_same_temperatures_at_100_percent(log):
    log.begin()
    for index in range(20):
        log.read(index * DAY, 50 + index % 2, span_s=DAY - 30, celsius=20 + index)
    made = audit(log.close(), "hall")
    floated = account(made.duty.held(100.0), hold_percent=50)
    for each, full in zip(made.wear.models, floated.models, strict=True):
        assert each.float_loss_percent == pytest.approx(full.loss_percent)


# --- since and until ------------------------------------------------------------------


@pytest.mark.parametrize("cut_s", [1_800, 1_799.9, 1_815, 1_830, 1_845, 1_860])
def test_two_adjoining_spans_come_to_the_whole(log, cut_s):
    log.begin()
    triangle(log, swings=6)
    path = log.close()
    cut_ms = at(cut_s)
    whole = audit(path, "hall")
    parts = [audit(path, "hall", until_ms=cut_ms), audit(path, "hall", since_ms=cut_ms)]
    assert parts[0].until_ms == parts[1].from_ms == cut_ms
    for number in (
        lambda made: made.cycles.efc,
        lambda made: made.readings.count,
        lambda made: made.readings.covered_s,
        lambda made: made.soc.hours_above_80_percent,
        lambda made: made.duty.days,
    ):
        assert sum(map(number, parts)) == pytest.approx(number(whole))
    bins = [sum(each) for each in zip(*map(seconds, parts), strict=True)]
    assert bins == pytest.approx(seconds(whole))


def seconds(made):
    return [each.seconds for each in made.soc.histogram]


def test_a_span_within_one_run_of_readings_is_covered(log):
    log.begin()
    log.read(0, 50, span_s=900)
    path = log.close()
    made = audit(path, "hall", since_ms=at(300), until_ms=at(600))
    assert made.readings.covered_s == 300
    assert (made.from_ms, made.until_ms) == (at(300), at(600))
    assert (made.soc.lowest_percent, made.soc.highest_percent) == (50, 50)
    assert made.readings.gaps == ()


def test_a_span_is_no_longer_than_the_log(log):
    log.begin()
    log.read(0, 50, span_s=900)
    made = audit(log.close(), "hall", since_ms=at(-DAY), until_ms=at(DAY))
    assert (made.from_ms, made.until_ms) == (at(0), at(900))
    assert made.readings.gaps == ()


def test_a_gap_is_cut_at_the_span(log):
    log.begin()
    log.read(0, 50, span_s=60)
    log.read(HOUR, 40, span_s=60)
    path = log.close()
    made = audit(path, "hall", since_ms=at(30 * MINUTE))
    assert [(gap.from_ms, gap.until_ms) for gap in made.readings.gaps] == [
        (at(30 * MINUTE), at(HOUR))
    ]
    assert made.cycles.efc == 0
    until = audit(path, "hall", until_ms=at(30 * MINUTE))
    assert [(gap.from_ms, gap.until_ms) for gap in until.readings.gaps] == [
        (at(60), at(30 * MINUTE))
    ]
    assert until.readings.covered_s == 60


@pytest.mark.parametrize(
    ("since_s", "until_s"), [(2_000, None), (None, 0), (-9, -5), (2_000, 3_000)]
)
def test_a_span_without_rows_is_an_error_that_says_what_there_is(log, since_s, until_s):
    log.begin()
    log.read(0, 50, span_s=900)
    with pytest.raises(
        LogEmpty, match=r"hall in the time.*2026-03-01T00:15:00"
    ) as told:
        audit(
            log.close(),
            "hall",
            since_ms=None if since_s is None else at(since_s),
            until_ms=None if until_s is None else at(until_s),
        )
    assert told.value.remedy


def test_45_degrees_are_warm_and_80_percent_are_not_high(log):
    log.begin()
    log.read(0, 80, span_s=HOUR, celsius=45)
    log.read(HOUR + 30, 80.1, span_s=HOUR, celsius=44.9)
    made = audit(log.close(), "hall")
    assert made.temperature.hours_above_45_c == pytest.approx(1 + 15 / 3600)
    assert made.soc.hours_above_80_percent == pytest.approx(1 + 15 / 3600)


def test_what_was_moved_goes_by_the_temperature_it_was_moved_at(log):
    log.begin()
    log.read(0, 50, celsius=20)
    log.read(30, 54, celsius=20)
    log.read(60, 60, celsius=30)
    log.read(90, 60, span_s=HOUR, celsius=25)
    made = audit(log.close(), "hall")
    assert made.duty.moved == pytest.approx({20: 0.02, 30: 0.03})
    assert sum(made.duty.moved.values()) == pytest.approx(made.cycles.efc)


# --- which log ------------------------------------------------------------------------


def test_a_clock_that_was_set_moves_nothing_and_is_said(log):
    log.begin()
    log.read(0, 50, span_s=600)
    log.offset_ms += 3 * 3_600_000
    log.read(630, 51, span_s=600)
    made = audit(log.close(), "hall")
    assert (made.from_ms, made.until_ms) == (at(0), at(1230))
    assert made.readings.gaps == ()
    assert made.stepped_ms == 3 * 3_600_000
    assert any("wall clock was set by 3.0 h" in each for each in made.notes)


def test_a_boot_that_seems_earlier_comes_right_after_the_one_before(log):
    log.begin()
    log.read(0, 50, span_s=600)
    log.offset_ms -= 40 * 86_400_000
    log.begin(70, boot="boot-2", synchronised=False)
    log.read(70, 52, span_s=600)
    made = audit(log.close(), "hall")
    assert made.until_ms == at(1200)
    assert made.delayed == 1
    assert made.cycles.efc == pytest.approx(0.01)
    assert any("went back between boots" in each for each in made.notes)


def test_past_files_belong_to_it(tmp_path):
    path = tmp_path / "cycles.db"
    log = AuditLog(path)
    log.begin()
    triangle(log, swings=2)
    log.close()
    later = AuditLog(path, wall_ms=T0 + 366 * 86_400_000)
    later.offset_ms = T0 + 366 * 86_400_000
    later.begin(boot="boot-2")
    triangle(later, swings=2)
    later.close()
    assert (tmp_path / "cycles-2026.db").exists()
    made = audit(path, "hall")
    assert made.cycles.efc == pytest.approx(0.4)
    assert [gap.why for gap in made.readings.gaps] == ["no_daemon"]
    assert made.from_ms == T0
    assert stations_of(path) == ("hall",)
    with Reader(path) as reader:
        assert placed(path, "hall") == place(reader.history("hall"))


def test_a_log_in_use_is_read_up_to_its_last_link(log):
    log.begin()
    log.read(0, 50, span_s=600)
    log.commit()
    made = audit(log.path, "hall")
    log.read(630, 51)
    log.commit()
    later = audit(log.path, "hall")
    log.close()
    assert made.readings.count == 21
    assert later.readings.count == 22
    assert later.head.number > made.head.number
    with Reader(log.path) as reader:
        assert audit(log.path, "hall").head.link == reader.tail.link


def test_other_stations_are_left_out(log):
    log.begin()
    log.read(0, 50, span_s=600)
    log.station = "tower"
    log.settings(600)
    log.read(600, 90, span_s=6000)
    log.alarm(700, "battery_hot")
    made = audit(log.close(), "hall")
    assert made.soc.highest_percent == 50
    assert made.alarms == ()
    assert made.until_ms == at(600)


def test_errors_name_the_log_and_the_station(log, tmp_path):
    log.begin()
    log.read(0, 50)
    path = log.close()
    with pytest.raises(LogEmpty, match="nothing about a station 'attic'"):
        audit(path, "attic")
    with pytest.raises(LogAbsent):
        audit(tmp_path / "none.db", "hall")


@pytest.mark.parametrize("policy", ["{not json", '{"poll_ms":"soon"}', "[]"])
def test_settings_that_cannot_be_read_are_a_damaged_log(log, policy):
    log.begin()
    log.row(SettingsRow, 1, policy=policy)
    log.read(2, 50)
    with pytest.raises(LogUnreadable):
        audit(log.close(), "hall")


def test_progress_goes_from_nothing_to_all(log):
    log.begin()
    log.read(0, 50, span_s=600)
    heard = []
    audit(log.close(), "hall", progress=heard.append)
    assert heard[-1] == 1
    assert heard == sorted(heard)
    assert heard[0] == 0
