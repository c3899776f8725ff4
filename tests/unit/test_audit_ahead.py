"""Windows that change, the noise of gauges, and what years like this would cost.

Logs are written by hand, data synthetic; answers by hand too.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from support.audit_log import DAY, HOUR, POLICY, T0, AuditLog, triangle
from tidegate.audit.auditor import audit
from tidegate.core.policy import Marks
from tidegate.report.audit_finding import verdict

WIDE = replace(POLICY, marks=Marks(low_percent=70, high_percent=80))


@pytest.fixture
def log(tmp_path):
    return AuditLog(tmp_path / "cycles.db")


def at(seconds):
    return T0 + round(1000 * seconds)


# --- windows --------------------------------------------------------------------------


def test_each_time_counts_by_the_window_then_in_force(log):
    log.begin()
    log.read(0, 50, span_s=3 * HOUR)
    log.settings(3 * HOUR + 10, WIDE)
    log.read(3 * HOUR + 30, 50, span_s=HOUR)
    made = audit(log.close(), "hall")
    # Three hours in the first window, the hour and 30 s after it not in the second.
    wanted = 100 * 3 * HOUR / (4 * HOUR + 30)
    assert made.soc.in_window_percent == pytest.approx(wanted)
    assert made.windows == 2
    assert made.marks == WIDE.marks
    assert "its window then in force (the last: 70 to 80 %) for 75 %" in verdict(made)


def test_time_without_a_window_is_neither_in_nor_out(log):
    log.begin()
    log.read(0, 50, span_s=HOUR)
    log.settings(HOUR + 10, replace(POLICY, marks=None))
    log.read(HOUR + 30, 90, span_s=HOUR)
    log.settings(2 * HOUR + 40)
    log.read(2 * HOUR + 60, 90, span_s=HOUR)
    made = audit(log.close(), "hall")
    wanted = 100 * HOUR / (2 * HOUR + 30)
    assert made.soc.in_window_percent == pytest.approx(wanted)


def test_settings_after_the_span_take_nothing_from_its_windows(log):
    log.begin()
    log.read(0, 50, span_s=HOUR)
    log.settings(HOUR + 10, WIDE)
    log.read(HOUR + 30, 50, span_s=HOUR)
    log.settings(3 * HOUR, replace(WIDE, marks=None, poll_ms=3_600_000))
    path = log.close()
    made = audit(path, "hall", until_ms=at(2.5 * HOUR))
    assert made.windows == 2
    assert any("2 charge windows" in each for each in made.notes)
    # A poll of an hour, which came later, does not hide the gap at the end.
    assert [gap.until_ms for gap in made.readings.gaps] == [at(2.5 * HOUR)]


# --- what a gauge can tell ------------------------------------------------------------


def test_what_may_be_the_noise_of_a_gauge_is_counted_and_said(log):
    log.begin()
    for index in range(200):
        log.read(30 * index, 50.2 if index % 2 else 50)
    made = audit(log.close(), "hall")
    assert made.cycles.efc == pytest.approx(199 * 0.2 / 200)
    assert any(
        each.startswith("0.20 of the 0.20 equivalent full cycles are in cycles of a")
        for each in made.notes
    )
    assert any("counted in tenths of a percent" in each for each in made.notes)


def test_deep_cycles_are_no_noise(log):
    log.begin()
    triangle(log, swings=4)
    made = audit(log.close(), "hall")
    assert not any("noise" in each for each in made.notes)
    assert any("whole percents" in each for each in made.notes)


def test_a_gauge_told_parts_once_is_not_a_gauge_of_whole_percents(tmp_path):
    path = tmp_path / "cycles.db"
    log = AuditLog(path)
    log.begin()
    triangle(log, swings=2)
    log.close()
    later = AuditLog(path, wall_ms=T0 + 366 * 86_400_000)
    later.offset_ms = T0 + 366 * 86_400_000
    later.begin(boot="boot-2")
    later.read(0, 50.5, span_s=600)
    made = audit(later.close(), "hall")
    assert not any("whole percents" in each for each in made.notes)


# --- if it goes on --------------------------------------------------------------------


def test_at_this_pace_is_the_same_duty_for_years_from_new(log):
    log.begin()
    triangle(log, swings=48 * 3)  # 2 days
    made = audit(log.close(), "hall")
    assert made.duty is not None
    assert [each.years for each in made.at_this_pace] == [1, 3]
    for each in made.at_this_pace:
        assert each.account.days == pytest.approx(365 * each.years)
        # Rainflow counts once what is repeated: the pace stays that of the log.
        assert each.account.efc_per_year == pytest.approx(made.cycles.efc_per_year)
        assert each.account.hold_percent == 50
    # By hand: Schmalstieg et al. 2014, DOI 10.1016/j.jpowsour.2014.02.012, at rest
    # goes with t^0.75, so that float of three years is 3^0.75 that of one.
    one, three = (each.account.models[0] for each in made.at_this_pace)
    assert one.name == "schmalstieg2014"
    assert three.float_loss_percent / one.float_loss_percent == pytest.approx(
        3**0.75, rel=1e-6
    )


def test_the_verdict_rests_on_three_years_until_a_year_is_covered(log):
    log.begin()
    log.read(0, 50, span_s=364 * DAY)
    log.read(364 * DAY + 30, 50, span_s=2 * DAY)
    path = log.close()
    short = audit(path, "hall", until_ms=at(364 * DAY))
    assert short.deciding == (3, short.at_this_pace[-1].account)
    whole = audit(path, "hall")
    assert whole.deciding == (None, whole.wear)
    few = audit(path, "hall", until_ms=at(DAY - 1))
    assert (few.at_this_pace, few.deciding) == ((), (None, few.wear))
