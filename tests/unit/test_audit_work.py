"""Switchings, what came of them, alarms and commissioning runs; logs written by hand."""

from __future__ import annotations

import pytest

from support.audit_log import DAY, T0, AuditLog
from tidegate.audit.auditor import audit
from tidegate.audit.result import AlarmSpan
from tidegate.errors import LogUnreadable
from tidegate.report.story import story


@pytest.fixture
def log(tmp_path):
    made = AuditLog(tmp_path / "cycles.db")
    made.begin(given={"relay": {"kind": "twin", "life": 20_000}})
    made.read(0, 50, span_s=600)
    return made


def test_switchings_are_changes_that_were_carried_out(log):
    log.switch(700, "on", reason="start")  # on already: nothing changes
    log.switch(800, "off", reason="at_high_mark", seen=(True,))
    log.switch(900, "off", reason="at_high_mark")  # said again
    log.switch(1000, "on", reason="at_low_mark", error="unavailable")
    log.switch(1100, "on", reason="at_low_mark", seen=(None,))
    log.switch(1200, "off", reason="at_high_mark", seen=(False, False))
    log.switch(1300, "on", reason="below_floor", seen=(False, True, False))
    made = audit(log.close(), "hall").switchings
    assert made.count == 4
    assert made.reasons == (("at_high_mark", 2), ("at_low_mark", 1), ("below_floor", 1))
    assert (made.unconfirmed, made.missing) == (1, 1)
    assert (made.repeats, made.failed) == (2, 1)
    assert made.operations == 4


def test_they_are_counted_as_in_the_report(log):
    for index in range(7):
        log.switch(700 + 60 * index, ("off", "on", "off", "off")[index % 4])
    path = log.close()
    assert audit(path, "hall").switchings.count == story(path, "hall").switchings


def test_a_switching_that_nothing_was_seen_of_is_unconfirmed(log):
    log.switch(700, "off")
    made = audit(log.close(), "hall").switchings
    assert (made.count, made.unconfirmed, made.missing) == (1, 1, 0)


def test_an_effect_of_the_other_supply_says_nothing_of_this_one(log):
    log.switch(700, "off", seen=())
    log.switch(800, "on", seen=(True,))
    made = audit(log.close(), "hall").switchings
    assert (made.count, made.unconfirmed) == (2, 1)


def test_a_swapped_command_moves_the_contact_without_a_switching(log):
    log.switch(700, "on", swapped=True)
    made = audit(log.close(), "hall").switchings
    assert (made.count, made.repeats, made.operations) == (0, 1, 1)


def test_a_pace_and_a_life_need_a_day(log):
    log.switch(700, "off", seen=(True,))
    log.switch(1400, "on", seen=(True,))
    path = log.close()
    assert audit(path, "hall").switchings.per_day is None
    assert audit(path, "hall").switchings.life_years is None


def test_a_relay_lasts_as_long_as_its_operations_at_this_pace(log):
    for index in range(40):
        log.switch(700 + 60 * index, "on" if index % 2 else "off", seen=(True,))
    log.read(4 * DAY, 50)
    made = audit(log.close(), "hall").switchings
    assert made.per_day == pytest.approx(10)
    # 20 000 operations at 10 a day are 2 000 days.
    assert made.life == 20_000
    assert made.life_years == pytest.approx(2_000 / 365)


@pytest.mark.parametrize("relay", [None, {}, {"life": "long"}, {"life": 0}, []])
def test_a_life_that_nobody_told_is_unknown(tmp_path, relay):
    log = AuditLog(tmp_path / "cycles.db")
    log.begin(given={"relay": relay})
    log.read(0, 50, span_s=600)
    made = audit(log.close(), "hall").switchings
    assert made.life is made.life_years is None


def test_only_switchings_of_the_span_count(log):
    log.switch(700, "off", seen=(True,))
    log.switch(800, "on", seen=(False,))
    log.switch(900, "off", seen=(True,))
    log.read(1000, 50)
    path = log.close()
    first = audit(path, "hall", until_ms=T0 + 800_000).switchings
    second = audit(path, "hall", since_ms=T0 + 800_000).switchings
    assert (first.count, first.missing) == (1, 0)
    assert (second.count, second.missing) == (2, 1)


def test_a_station_that_only_measures_has_no_switchings(log):
    made = audit(log.close(), "hall").switchings
    assert (made.count, made.operations, made.reasons) == (0, 0, ())


# --- commissioning --------------------------------------------------------------------


def proved(log, begin_s, *, result=True):
    log.start(begin_s)
    log.settings(begin_s, given={"relay": {"life": 20_000}})
    log.operator(begin_s, {"step": "begin", "rounds": 1})
    log.switch(begin_s + 10, "off", reason="prove", seen=(True,))
    log.switch(begin_s + 20, "on", reason="prove", seen=(True,))
    if result:
        log.operator(begin_s + 30, {"step": "result", "verdict": "proven"})
        log.event(begin_s + 30, "proved")


def test_a_commissioning_run_is_named_and_wears_the_relay_only(log):
    proved(log, 700)
    log.begin(800)
    log.switch(900, "off", seen=(True,))
    made = audit(log.close(), "hall")
    (run,) = made.commissionings
    assert (run.at_ms, run.verdict, run.by, run.switchings) == (
        T0 + 700_000,
        "proven",
        "R. Moss",
        2,
    )
    assert (made.switchings.count, made.switchings.proving) == (1, 2)
    assert made.switchings.operations == 3
    assert made.switchings.reasons == (("at_high_mark", 1),)
    assert any("by R. Moss came to: proven" in each for each in made.notes)


def test_one_that_was_killed_is_unfinished(log):
    proved(log, 700, result=False)
    proved(log, 800, result=False)
    made = audit(log.close(), "hall")
    assert [run.verdict for run in made.commissionings] == ["unfinished"] * 2
    assert [run.switchings for run in made.commissionings] == [2, 2]


def test_one_outside_of_the_span_is_not_told(log):
    proved(log, 700)
    log.read(900, 50)
    path = log.close()
    assert audit(path, "hall", since_ms=T0 + 850_000).commissionings == ()


def test_an_operator_row_that_cannot_be_read_is_a_damaged_log(log):
    log.operator(700, "{")
    with pytest.raises(LogUnreadable):
        audit(log.close(), "hall")


# --- alarms ---------------------------------------------------------------------------


def test_alarms_have_their_spans_and_one_that_stands_has_no_end(log):
    log.alarm(700, "battery_hot")
    log.alarm(760, "battery_hot")  # said again
    log.alarm(900, "battery_hot", raised=False)
    log.alarm(950, "log_lost", raised=False)  # of a time before this log
    log.alarm(1000, "supply_absent")
    log.read(1300, 50)
    made = audit(log.close(), "hall")
    assert made.alarms == (
        AlarmSpan(code="battery_hot", from_ms=T0 + 700_000, until_ms=T0 + 900_000),
        AlarmSpan(code="supply_absent", from_ms=T0 + 1_000_000, until_ms=None),
    )


def test_alarms_are_cut_at_the_span(log):
    log.alarm(700, "battery_hot")
    log.read(820, 50)
    log.alarm(900, "battery_hot", raised=False)
    log.read(1300, 50)
    path = log.close()
    made = audit(path, "hall", since_ms=T0 + 800_000, until_ms=T0 + 850_000)
    (span,) = made.alarms
    assert (span.from_ms, span.until_ms) == (T0 + 800_000, None)
    assert audit(path, "hall", since_ms=T0 + 1_000_000).alarms == ()


def test_an_alarm_outlives_a_run(log):
    log.alarm(700, "gauge_lost")
    log.begin(5_000)
    log.alarm(5_100, "gauge_lost", raised=False)
    (span,) = audit(log.close(), "hall").alarms
    assert (span.from_ms, span.until_ms) == (T0 + 700_000, T0 + 5_100_000)


def test_an_alarm_that_ended_as_the_span_begins_is_not_in_it(log):
    log.alarm(700, "battery_hot")
    log.alarm(900, "battery_hot", raised=False)
    log.read(1300, 50)
    assert audit(log.close(), "hall", since_ms=T0 + 900_000).alarms == ()


def test_an_alarm_that_begins_as_the_span_ends_is_not_in_it(log):
    log.read(820, 50)
    log.alarm(900, "battery_hot")
    log.read(1300, 50)
    path = log.close()
    assert audit(path, "hall", until_ms=T0 + 900_000).alarms == ()
    (span,) = audit(path, "hall", until_ms=T0 + 900_001).alarms
    assert span.from_ms == T0 + 900_000


def test_an_alarm_in_the_very_last_row_is_told(log):
    log.alarm(900, "battery_hot")
    (span,) = audit(log.close(), "hall").alarms
    assert (span.from_ms, span.until_ms) == (T0 + 900_000, None)
