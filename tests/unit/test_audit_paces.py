"""How fast it goes: cycles a year, switchings a day and what a contact lasts.

Logs are written by hand, data synthetic; each pace is reckoned again from what was
written: moves over 200 points, times in days, 365 of them a year.
"""

from __future__ import annotations

from datetime import UTC
from itertools import pairwise

import pytest

from support.audit_log import DAY, HOUR, T0, AuditLog
from tidegate.audit.auditor import audit
from tidegate.audit.document import as_document
from tidegate.cli.audit_text import lines
from tidegate.report.audit_finding import verdict

YEAR = 365 * DAY


@pytest.fixture
def log(tmp_path):
    return AuditLog(tmp_path / "cycles.db")


def at(seconds):
    return T0 + round(1000 * seconds)


def text(made):
    return " ".join(" ".join(lines(made, UTC)).split())


def nights(log, *, days=10):
    """Write days of 4.8 h: 40 to 60 % while read, back to 40 while suspended.

    Return the levels as read, the first time and the last.
    """
    log.begin()
    levels = []
    for day in range(days):
        begin_s = day * DAY
        for place in range(21):
            log.read(begin_s + place * 60, 40 + place)
            levels.append(40 + place)
        log.read(begin_s + 21 * 60, 60, span_s=4.8 * HOUR - 21 * 60)
        log.event((day + 1) * DAY - 1, "resumed")
    return levels, (days - 1) * DAY + 4.8 * HOUR


def test_a_pace_is_over_the_time_in_which_it_was_moved_gaps_included(log):
    levels, last_s = nights(log)
    made = audit(log.close(), "hall")
    efc = sum(abs(after - before) for before, after in pairwise(levels)) / 200
    assert made.cycles.efc == pytest.approx(efc)
    assert made.cycles.days == pytest.approx(last_s / DAY)
    assert made.cycles.efc_per_year == pytest.approx(efc * YEAR / last_s)
    # Nine nights of 20 points down.
    assert made.cycles.efc_in_gaps == pytest.approx(9 * 20 / 200)
    # Two days were read; by them alone it would be 347 a year.
    assert made.readings.covered_s == pytest.approx(10 * 4.8 * HOUR, rel=1e-3)
    assert made.cycles.efc_per_year < 80


def test_the_models_get_that_pace_too(log):
    levels, last_s = nights(log)
    made = audit(log.close(), "hall")
    efc = sum(abs(after - before) for before, after in pairwise(levels)) / 200
    pace = efc * YEAR / last_s
    assert made.wear is not None
    assert made.wear.efc_per_year == pytest.approx(pace)
    assert made.wear.days == pytest.approx(made.readings.covered_s / DAY)
    for each in made.at_this_pace:
        assert each.account.efc_per_year == pytest.approx(pace)
        assert each.account.days == pytest.approx(365 * each.years)
    assert sum(made.duty.moved.values()) == pytest.approx(made.duty.efc)


def test_a_log_with_the_nights_read_says_nearly_the_same(log, tmp_path):
    levels, _ = nights(log)
    gappy = audit(log.close(), "hall")
    whole = AuditLog(tmp_path / "whole.db")
    whole.begin()
    for day in range(10):
        begin_s = day * DAY
        for place in range(21):
            whole.read(begin_s + place * 60, 40 + place)
        whole.read(begin_s + 21 * 60, 60, span_s=20 * HOUR)
        for place in range(20):
            whole.read(begin_s + 22 * HOUR + place * 60, 59 - place)
        whole.read(begin_s + 22.5 * HOUR, 40, span_s=1.49 * HOUR)
    full = audit(whole.close(), "hall")
    assert gappy.cycles.efc_per_year == pytest.approx(
        full.cycles.efc_per_year, rel=0.08
    )
    better = [each.at_this_pace[-1].account.better for each in (gappy, full)]
    assert better[0] == better[1]
    assert levels[0] == 40


def test_words_say_that_gaps_are_in_it(log):
    _, last_s = nights(log)
    made = audit(log.close(), "hall")
    assert "goes on like this for 3 years, gaps included, " in verdict(made)
    said = text(made)
    assert (
        "1.90 equivalent full cycles (EFC); 75 a year at least, gaps included" in said
    )
    notes = " ".join(made.notes)
    assert f"over the {last_s / DAY:.1f} days from the first reading to" in notes
    # 20 points up a day in 4.8 h: 0.1 of a cycle, 5 times a day.
    assert "While it was read the charge moved 182 a year" in notes
    assert as_document(made)["cycles"]["efc_in_gaps"] == 0.9


def test_without_gaps_it_is_the_pace_of_all(log):
    log.begin()
    for hour in range(48):
        log.read(hour * HOUR, 50 + hour % 2, span_s=HOUR - 30)
    made = audit(log.close(), "hall")
    assert "a year at this pace" in text(made)
    assert not any("a year are over" in each for each in made.notes)
    assert made.cycles.efc_per_year == pytest.approx(47 / 200 * YEAR / (48 * HOUR - 30))


def test_what_a_gap_across_an_edge_moved_is_said(log):
    log.begin()
    log.read(0, 60, span_s=HOUR)
    log.read(3 * HOUR, 40, span_s=HOUR)
    path = log.close()
    whole = audit(path, "hall")
    assert whole.cycles.efc == pytest.approx(0.1)
    for span in ({"until_ms": at(2 * HOUR)}, {"since_ms": at(2 * HOUR)}):
        made = audit(path, "hall", **span)
        assert made.cycles.efc == 0
        assert any("changed by 20 points, which are not" in each for each in made.notes)
    assert not any("which are not counted" in each for each in whole.notes)


# --- another pack ---------------------------------------------------------------------


@pytest.mark.parametrize("pause_s", [30, 2 * HOUR])
def test_another_pack_is_no_cycle(log, pause_s):
    log.begin()
    log.battery()
    log.read(0, 21)
    log.read(60, 20, span_s=HOUR)
    log.battery(HOUR + 60 + pause_s, pack="P2")
    log.read(HOUR + 60 + pause_s, 90, span_s=HOUR)
    log.read(2 * HOUR + 90 + pause_s, 88)
    made = audit(log.close(), "hall")
    # 1 point of the first pack and 2 of the second.
    assert made.cycles.efc == pytest.approx(3 / 200)
    assert made.cycles.efc_in_gaps == 0
    assert sum(made.duty.moved.values()) == pytest.approx(made.duty.efc)
    assert (made.soc.lowest_percent, made.soc.highest_percent) == (20, 90)
    assert any("the change from one to the next as no cycle" in e for e in made.notes)


def test_the_same_pack_after_a_while_goes_on(log):
    log.begin()
    log.battery()
    log.read(0, 20, span_s=HOUR)
    log.battery(HOUR + 30, pack=None)
    log.battery(HOUR + 60)
    log.read(HOUR + 60, 90, span_s=HOUR)
    assert audit(log.close(), "hall").cycles.efc == pytest.approx(70 / 200)


def test_cycles_of_two_packs_are_counted_together(log):
    log.begin()
    at_s = 0
    for pack in ("P1", "P2"):
        log.battery(at_s, pack=pack)
        for soc in (40, 60, 40, 60, 40):
            log.read(at_s, soc)
            at_s += 60
    made = audit(log.close(), "hall")
    # By hand: 40 60 40 60 40 is two full cycles of 20 points, once for each pack.
    found = [(each.depth_percent, each.count) for each in made.cycles.half_cycles]
    assert found == [(20, 4)]


# --- what is cut ----------------------------------------------------------------------


def test_a_span_within_a_run_has_its_charge_and_heat(log):
    log.begin()
    log.read(0, 50, span_s=900, celsius=31)
    log.read(930, 52, span_s=900, celsius=31)
    path = log.close()
    made = audit(path, "hall", since_ms=at(100), until_ms=at(300))
    assert made.soc.mean_percent == 50
    assert (made.soc.lowest_percent, made.soc.highest_percent) == (50, 50)
    assert (made.temperature.lowest_c, made.temperature.highest_c) == (31, 31)
    assert made.readings.covered_s == 200
    late = audit(path, "hall", since_ms=at(1000), until_ms=at(1200))
    assert (late.soc.lowest_percent, late.soc.highest_percent) == (52, 52)


def test_how_readings_are_counted_at_an_edge_is_said(log):
    log.begin()
    log.read(0, 50, span_s=900)
    log.read(930, 51, span_s=900)
    path = log.close()
    cut = audit(path, "hall", since_ms=at(30))
    # The 31 readings of the first run began before; the other 31 did not.
    assert cut.readings.count == 31
    said = "by the run of equal ones in which they are kept"
    assert any(said in each for each in cut.notes)
    assert not any(said in each for each in audit(path, "hall").notes)


def test_readings_that_stand_alone_are_told_as_what_they_are(log):
    log.begin()
    for index in range(6):
        log.read(index * 600, 50 + index % 3)
    made = audit(log.close(), "hall")
    assert made.soc.mean_percent is None
    assert verdict(made).startswith(
        "hall was read at moments only, which cover no time: its charge was 50 to 52 %;"
    )
    assert "charge 50 to 52 %, at moments only, which cover no time" in text(made)
    assert "can be trusted" not in text(made)


def test_none_read_and_none_to_be_trusted_are_two_things(log, tmp_path):
    log.begin()
    log.read(0, 50, span_s=600, why_not="frozen")
    made = audit(log.close(), "hall")
    assert verdict(made).startswith("No charge of hall was read that can be trusted;")
    assert "charge none that can be trusted" in text(made)
    empty = AuditLog(tmp_path / "empty.db")
    empty.begin()
    empty.fail(30)
    made = audit(empty.close(), "hall")
    assert verdict(made).startswith("No charge of hall was read;")
    assert "charge none was read" in text(made)
