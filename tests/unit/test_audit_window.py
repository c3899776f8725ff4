"""The share in the window: of the time read while one was in force, from its beginning.

Logs are written by hand, data synthetic; every share is reckoned again from the levels
and times that were written. The first of two readings holds.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC

import pytest

from support.audit_log import DAY, HOUR, POLICY, T0, AuditLog
from tidegate.audit.auditor import audit
from tidegate.audit.document import as_document
from tidegate.cli.audit_text import lines
from tidegate.core.policy import Marks
from tidegate.report.audit_finding import verdict
from tidegate.report.audit_numbers import overview
from tidegate.report.audit_words import percent

NONE = replace(POLICY, marks=None)


@pytest.fixture
def log(tmp_path):
    return AuditLog(tmp_path / "cycles.db")


def at(seconds):
    return T0 + round(1000 * seconds)


def nine_days_full_one_inside(log):
    """Write nine days at 100 %, 20 min down to 60 %, and a day there."""
    for day in range(9):
        log.read(day * DAY, 100, span_s=DAY - 30)
    for place in range(40):
        log.read(9 * DAY + place * 30, 100 - place)
    log.read(9 * DAY + 1_200, 60, span_s=DAY)


def test_what_comes_before_the_first_entry_is_time_outside(log):
    log.begin()
    nine_days_full_one_inside(log)
    path = log.close()
    made = audit(path, "hall")
    # 61 % is read for the last 30 s on the way down, and counts as inside.
    inside_s, all_s = DAY + 30, 10 * DAY + 1_200
    assert made.soc.window_s == all_s
    assert made.soc.in_window_percent == pytest.approx(100 * inside_s / all_s)
    assert "in its window of 40 to 60 % for 10 % of the time read;" in verdict(made)
    late = audit(path, "hall", since_ms=at(9 * DAY))
    wanted = 100 * inside_s / (DAY + 1_200)
    assert late.soc.in_window_percent == pytest.approx(wanted)


def test_a_station_without_any_window_has_no_share(log):
    log.begin(policy=NONE)
    nine_days_full_one_inside(log)
    made = audit(log.close(), "hall")
    assert made.soc.in_window_percent is None
    assert "was measured, not controlled" in verdict(made)


def test_a_window_of_the_last_day_is_of_that_day_only(log):
    log.begin(policy=NONE)
    for day in range(9):
        log.read(day * DAY, 100, span_s=DAY - 30)
    log.settings(9 * DAY - 10)
    log.read(9 * DAY, 100, span_s=6 * HOUR)
    log.read(9 * DAY + 6 * HOUR + 30, 60, span_s=18 * HOUR)
    made = audit(log.close(), "hall")
    # The 30 s in which the settings changed, and the day after them.
    ruled_s = 30 + DAY + 30
    assert made.soc.window_s == ruled_s
    wanted = 100 * 18 * HOUR / ruled_s
    assert made.soc.in_window_percent == pytest.approx(wanted)
    said = "for 75 % of the 24 h read with a window in force (of 240 h read);"
    assert said in verdict(made)
    assert any("in force for 24.0 h of the 240.0 h read" in e for e in made.notes)
    assert as_document(made)["soc"]["hours_with_window"] == pytest.approx(
        ruled_s / 3600, abs=1e-3
    )
    rows = dict(overview(made, UTC))
    label = (
        "time in the window, of the 24 h read with a window in force (of 240 h read)"
    )
    assert rows[label] == "75 %"


def test_a_station_that_was_controlled_is_not_called_measured_only(log):
    log.begin()
    log.read(0, 50, span_s=3 * DAY)
    log.switch(3 * DAY + 5, "off")
    log.settings(3 * DAY + 10, NONE)
    log.read(3 * DAY + 30, 90, span_s=DAY)
    path = log.close()
    made = audit(path, "hall")
    assert (made.marks, made.windows) == (None, 1)
    assert (made.soc.in_window_percent, made.soc.window_s) == (100, 3 * DAY)
    assert verdict(made).startswith(
        "hall is no longer controlled: it was in its window then in force for 100 % of "
        "the 72 h read with a window in force (of 96 h read);"
    )
    late = audit(path, "hall", since_ms=at(3.5 * DAY))
    assert "was measured, not controlled" in verdict(late)


def test_a_window_that_nobody_read_in_is_said(log):
    log.begin(policy=NONE)
    log.read(0, 50, span_s=DAY)
    log.settings(
        DAY + 10, replace(POLICY, marks=Marks(low_percent=40, high_percent=60))
    )
    log.fail(DAY + 300)
    made = audit(log.close(), "hall")
    assert made.soc.in_window_percent is None
    assert verdict(made).startswith(
        "hall was not read while its window of 40 to 60 % was in force; its charge was "
        "50 to 50 %;"
    )


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (100.0, "100 %"),
        (99.97, "99.9 %"),
        (99.67, "99.6 %"),
        (98.6, "99 %"),
        (0.04, "0.1 %"),
        (0.0, "0 %"),
    ],
)
def test_all_and_none_are_said_only_of_all_and_none(value, said):
    assert percent(value) == said


def test_twenty_minutes_outside_are_not_rounded_away(log):
    log.begin()
    log.read(0, 50, span_s=100 * HOUR)
    log.read(100 * HOUR + 30, 70, span_s=1_200)
    made = audit(log.close(), "hall")
    wanted = 100 * (100 * HOUR + 30) / (100 * HOUR + 1_230)
    assert made.soc.in_window_percent == pytest.approx(wanted)
    assert "for 99.6 % of the time read" in verdict(made)


def test_what_lies_outside_the_tests_has_a_sign_and_a_legend(log):
    log.begin()
    log.read(0, 50, span_s=10 * DAY, celsius=25)
    made = audit(log.close(), "hall")
    told = list(lines(made, UTC))
    assert sum("† partly outside" in line for line in told) == 1
    for model in made.wear.models:
        row = next(line for line in told if line.strip().startswith(model.name))
        columns = [made.wear, *(each.account for each in made.at_this_pace)]
        phrases = [
            found
            for account in columns
            for each in account.models
            if each.name == model.name
            for found in (each.outside, each.float_outside, each.hold_outside)
        ]
        cells = row.split()[-9:]
        assert [cell.endswith("†") for cell in cells] == list(map(bool, phrases))
    assert max(map(len, told)) <= 79
