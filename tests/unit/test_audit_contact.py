"""What a contact went through: moved by others, lost by the log, over the whole log.

Logs are written by hand, data synthetic; moves are counted by hand. What a relay says
of itself is the event ``relay_reported`` of DESIGN section 3.2: operations are counted
whoever caused them.
"""

from __future__ import annotations

import json
from datetime import UTC

import pytest

from support.audit_log import DAY, HOUR, POLICY, T0, AuditLog
from tidegate.audit.auditor import audit
from tidegate.audit.document import as_document
from tidegate.cli.audit_text import lines
from tidegate.core.events import RelayReported, RelaySaid
from tidegate.core.policy import Marks
from tidegate.cyclelog.plain import canonical, to_plain
from tidegate.cyclelog.rows import EventRow
from tidegate.errors import LogUnreadable
from tidegate.report.audit_finding import switchings_seen

GIVEN = {"relay": {"kind": "twin", "life": 100_000}}


@pytest.fixture
def log(tmp_path):
    made = AuditLog(tmp_path / "cycles.db")
    made.begin(given=GIVEN)
    made.read(0, 50, span_s=600)
    return made


def at(seconds):
    return T0 + round(1000 * seconds)


def reported(log, at_s, said):
    event = RelayReported(said=RelaySaid(said))
    log.row(EventRow, at_s, kind="relay_reported", args=canonical(to_plain(event)))


def made_of(log):
    return audit(log.close(), "hall").switchings


def text(made):
    return " ".join(" ".join(lines(made, UTC)).split())


# --- others ---------------------------------------------------------------------------


def test_a_contact_that_others_moved_moved_there_and_back(log):
    reported(log, 610, "off")
    reported(log, 611, "off")  # said again
    log.switch(612, "on", reason="relay_external_change")
    made = made_of(log)
    assert (made.operations, made.others) == (2, 1)
    assert (made.count, made.repeats) == (0, 1)


def test_others_who_move_it_back_themselves_are_two(log):
    log.switch(605, "off", seen=(True,))
    reported(log, 610, "on")
    reported(log, 620, "off")
    made = made_of(log)
    assert (made.operations, made.others, made.count) == (3, 2, 1)


def test_an_off_said_again_as_readings_showed_it_closed_is_two_moves(log):
    log.switch(605, "off", seen=(True,))
    log.switch(700, "off", reason="relay_external_change")
    log.switch(760, "off", reason="relay_external_change")  # nothing was seen of it
    made = made_of(log)
    assert (made.operations, made.others, made.count) == (3, 1, 1)


def test_two_such_times_are_four_moves(log):
    log.switch(605, "off", seen=(True,))
    log.switch(700, "off", reason="relay_external_change", seen=(True,))
    log.switch(760, "off", reason="relay_external_change")
    made = made_of(log)
    assert (made.operations, made.others, made.count) == (5, 2, 1)


def test_what_a_relay_says_while_it_is_told_or_does_not_know_is_no_move(log):
    reported(log, 605, "unknown")
    log.event(609, "started")
    reported(log, 610, "off")  # a daemon that has told it nothing yet
    log.switch(611, "off", reason="start")
    reported(log, 612, "off")  # as told
    made = made_of(log)
    assert (made.operations, made.others) == (1, 0)


def test_a_swapped_relay_is_understood(log):
    log.switch(605, "on", swapped=True)  # the contact opens
    reported(log, 610, "off")  # in terms of the supply: it closed again
    made = made_of(log)
    assert (made.operations, made.others) == (2, 1)


def test_a_report_that_cannot_be_read_is_a_damaged_log(log):
    log.row(EventRow, 610, kind="relay_reported", args='{"said":"maybe"}')
    with pytest.raises(LogUnreadable):
        made_of(log)


# --- what the log lost ----------------------------------------------------------------


def test_what_the_log_lost_wears_the_contact_and_is_in_its_pace(log):
    log.switch(700, "off")
    log.lost(2 * DAY, switchings=200, dropped_rows=9_000)
    log.read(2 * DAY, 50, span_s=600)
    audited = audit(log.close(), "hall")
    made = audited.switchings
    days = (2 * DAY + 600) / DAY
    assert (made.operations, made.unlogged, made.used) == (1, 200, 201)
    assert made.per_day == pytest.approx(201 / days)
    assert made.life_years == pytest.approx(100_000 / (201 / days) / 365)
    assert "201 of 100,000 contact operations" in text(audited)
    assert "1 and up to 200 that the log lost, 100.2 a day, gaps included" in text(
        audited
    )


def test_what_was_kept_until_the_log_was_back_is_not_lost(log):
    # As the writer has it: no rows dropped, but three outcomes before their intent
    # was durable, and a gap row that counts them.
    for index in range(3):
        log.switch(700 + 60 * index, "on" if index % 2 else "off")
    log.lost(900, switchings=3)
    made = made_of(log)
    assert (made.operations, made.unlogged) == (3, 0)


def test_of_what_was_dropped_and_kept_only_the_dropped_is_lost(log):
    log.lost(700, why="overflow", dropped_rows=50)
    for index in range(3):
        log.switch(750 + 60 * index, "on" if index % 2 else "off")
    log.switch(1000, "on", error="dropped")  # which the relay never heard of
    log.lost(1100, switchings=10)
    made = made_of(log)
    assert (made.operations, made.unlogged) == (3, 7)


# --- the whole log --------------------------------------------------------------------


def test_a_share_of_a_life_says_of_which_time_it_is(tmp_path):
    log = AuditLog(tmp_path / "cycles.db")
    log.begin(given={"relay": {"life": 100}})
    for index in range(150):
        log.read(index * HOUR, 50, span_s=3_000)
        log.switch(index * HOUR + 3_100, "on" if index % 2 else "off")
    path = log.close()
    made = audit(path, "hall", since_ms=at(120 * HOUR))
    assert (made.switchings.operations, made.switchings.operations_of_log) == (30, 150)
    said = "30 of 100 contact operations in this time, 150 in the whole log (150 %)"
    assert said in text(made)
    assert said in switchings_seen(made)
    assert as_document(made)["switchings"]["operations_of_log"] == 150
    whole = audit(path, "hall")
    assert "150 of 100 contact operations; at this pace 4 days from new" in text(whole)


def test_a_pace_with_an_outage_in_it_says_so(log):
    for index in range(48):
        log.read(index * HOUR + 700, 50, span_s=2_800)
        log.switch(index * HOUR + 3_590, "on" if index % 2 else "off")
    log.begin(10 * DAY, given=GIVEN)
    log.read(10 * DAY, 50, span_s=60)
    made = audit(log.close(), "hall")
    assert made.switchings.per_day == pytest.approx(48 / (10 + 60 / DAY))
    assert "48, 4.8 a day, gaps included" in text(made)


def test_a_relay_without_a_contact_wears_none(tmp_path):
    log = AuditLog(tmp_path / "cycles.db")
    hold = Marks(low_percent=58, high_percent=60)
    given = {"relay": {"kind": "kernel", "life": 100}, "window": {"hold": 60}}
    policy = POLICY.__class__(marks=hold, poll_ms=30_000)
    log.begin(policy=policy, given=given)
    log.read(0, 60, span_s=2 * DAY)
    for index in range(30):
        log.switch(2 * DAY + 60 * index, "on" if index % 2 else "off")
    made = audit(log.close(), "hall")
    assert made.switchings.has_contact is False
    assert made.switchings.life_years is None
    assert "relay 30 operations, of a kind without a contact" in text(made)
    # Under a hold the marks are 2 points under it and the hold itself.
    assert made.wear.hold_percent == 60
    assert "(hold: 60 %)" in text(made)


# --- which log ------------------------------------------------------------------------


def test_a_file_before_that_is_not_here_is_said(tmp_path):
    path = tmp_path / "cycles.db"
    log = AuditLog(path)
    log.begin()
    log.switch(10, "off")
    log.close()
    year_ms = 366 * 86_400_000
    later = AuditLog(path, wall_ms=T0 + year_ms)
    later.offset_ms = T0 + year_ms
    later.begin(boot="boot-2")
    later.switch(10, "on")
    later.close()
    said = "goes on from a file that is not here"
    both = audit(path, "hall")
    assert both.switchings.operations == 2
    assert not any(said in each for each in both.notes)
    (tmp_path / "cycles-2026.db").rename(tmp_path / "away.db")
    assert any(said in each for each in audit(path, "hall").notes)


def test_rows_lost_of_the_whole_log_are_named_so(log):
    log.lost(700, dropped_rows=7)
    log.station = ""
    log.lost(710, dropped_rows=100)
    log.station = "hall"
    log.read(720, 50, span_s=600)
    made = audit(log.close(), "hall")
    assert made.readings.lost_rows == 107
    assert any("107 rows, 100 of them of the whole log, could" in e for e in made.notes)


def test_a_chemistry_that_was_changed_is_said(tmp_path):
    log = AuditLog(tmp_path / "cycles.db")
    log.begin(given={"battery": {"chemistry": "lfp"}})
    log.read(0, 50, span_s=5 * DAY)
    log.settings(5 * DAY + 10, given={"battery": {"chemistry": "nmc"}})
    log.read(5 * DAY + 30, 50, span_s=DAY)
    path = log.close()
    made = audit(path, "hall")
    assert made.chemistry == "nmc"
    assert any("declared lfp, then nmc; the last decides" in e for e in made.notes)
    late = audit(path, "hall", since_ms=at(5 * DAY + 60))
    assert not any("was declared" in each for each in late.notes)


def test_the_document_says_what_it_leaves_out(log):
    log.read(630, 50, span_s=2 * DAY)
    found = json.loads(json.dumps(as_document(audit(log.close(), "hall"))))
    for each in found["wear"]["models"]:
        assert isinstance(each["float_outside"], list)
        assert isinstance(each["hold_outside"], list)
    xu = next(each for each in found["wear"]["models"] if each["name"] == "xu2016")
    assert xu["float_outside"] == ["tested ranges not known (paper not read)"]
