"""What a log tells: lines with their gaps, spans, counts, and times that never lie.

The logs are written by hand, row by row; their data are synthetic.
"""

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from support.placed_rows import place
from tidegate.core.policy import Marks, Policy
from tidegate.cyclelog.plain import canonical, to_plain
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.rows import (
    AlarmRow,
    EffectRow,
    FailureRow,
    GapRow,
    IntentRow,
    OutcomeRow,
    ReadingRow,
    RunEndRow,
    RunRow,
    SettingsRow,
)
from tidegate.cyclelog.writer import Writer
from tidegate.errors import LogError
from tidegate.report.story import Span, story
from tidegate.virtual import VirtualClock, run

STATION = "wall-guide"
POLICY = Policy(marks=Marks(low_percent=55, high_percent=65))
WIDER = Policy(marks=Marks(low_percent=40, high_percent=70), floor_percent=20)
T0 = round(datetime(2025, 6, 3, tzinfo=UTC).timestamp() * 1000)
MINUTE = 60_000
HOUR = 60 * MINUTE
DAY = 24 * HOUR


class Log:
    """Writes rows at minutes of a boot whose wall clock is ``offset_ms`` ahead."""

    def __init__(self, path):
        self.path = path
        self.offset_ms = T0
        self.station = STATION
        self._writer = Writer.open(path, clock=VirtualClock(wall_ms=T0), threaded=False)

    def row(self, table, minute, **columns):
        boot_ms = round(minute * MINUTE)
        if table not in (RunRow, RunEndRow):
            columns.setdefault("station", self.station)
        made = table(boot_ms=boot_ms, wall_ms=boot_ms + self.offset_ms, **columns)
        row_id = self._writer.append(made)
        if table is IntentRow:  # else the writer leaves a gap row of its own
            run(self._writer.commit(), clock=VirtualClock())
        return row_id

    def begin(self, minute=0, *, boot="boot-1", synchronised=True):
        self.row(
            RunRow,
            minute,
            boot_id=boot,
            machine="",
            version="",
            rules_version=1,
            backends="[]",
            synchronised=synchronised,
        )
        self.row(SettingsRow, minute, policy=canonical(to_plain(POLICY)))

    def read(self, minute, soc, *, minutes=0, gap=0.5, celsius=None, why_not=None):
        self.row(
            ReadingRow,
            minute,
            reads=1 + round(2 * minutes),
            span_ms=round(minutes * MINUTE),
            wall_slip_ms=0,
            longest_gap_ms=round(gap * MINUTE) if minutes else 0,
            same_reads=1,
            same_span_ms=0,
            why_not=why_not,
            soc_hundredths_percent=None if soc is None else round(100 * soc),
            battery_status_code=0,
            external_power_code=0,
            voltage_mv=None,
            current_ma=None,
            temperature_mc=None if celsius is None else round(1000 * celsius),
            charge_mah=None,
            uptime_s=None,
            took_ms=0,
            last_temperature_mc=None
            if celsius is None or not minutes
            else round(1000 * celsius),
        )

    def switch(self, minute, supply, *, succeeded=True):
        intent = self.row(
            IntentRow,
            minute,
            supply=supply,
            reason="at_low_mark",
            kind="change",
            swapped=False,
            trigger=None,
            state_digest="",
        )
        self.row(OutcomeRow, minute, intent=intent, succeeded=succeeded)
        return intent

    def alarm(self, minute, code, *, raised=True):
        self.row(AlarmRow, minute, code=code, raised=raised)

    def told(self, station=STATION, **span):
        async def close():
            await self._writer.commit()
            await self._writer.close()

        run(close(), clock=VirtualClock())
        return story(self.path, station, **span)


@pytest.fixture
def log(tmp_path):
    return Log(tmp_path / "cycles.db")


def at(minute, offset_ms=T0):
    return round(minute * MINUTE) + offset_ms


def test_readings_make_a_line_and_a_gap_stays_a_gap(log):
    log.begin()
    for minute in (0, 0.5, 1, 4, 4.5):  # four polls are two minutes
        log.read(minute, 60 + minute)
    told = log.told()
    assert told.soc == [
        [(at(0), 60.0), (at(0.5), 60.5), (at(1), 61.0)],
        [(at(4), 64.0), (at(4.5), 64.5)],
    ]
    assert (told.readings, told.rejected) == (5, 0)
    assert (told.from_ms, told.until_ms) == (at(0), at(4.5))


def test_a_run_of_equal_readings_reaches_to_its_last_one(log):
    log.begin()
    log.read(0, 60, minutes=15, celsius=25)
    told = log.told()
    assert told.soc == [[(at(0), 60.0), (at(15), 60.0)]]
    assert told.heat == [[(at(0), 25.0), (at(15), 25.0)]]
    assert told.until_ms == at(15)
    assert told.readings == 31


def test_a_long_pause_inside_a_run_of_equal_readings_is_a_gap(log):
    log.begin()
    log.read(0, 60, minutes=15, gap=10)
    assert log.told().soc == [[(at(0), 60.0)], [(at(15), 60.0)]]


def test_what_is_not_trusted_is_counted_and_not_drawn(log):
    log.begin()
    log.read(0, 60)
    log.read(0.5, 90, why_not="jump")
    log.read(1, None, why_not="level_only")
    log.row(
        FailureRow,
        2,
        kind="unavailable",
        reads=3,
        span_ms=MINUTE,
        wall_slip_ms=0,
        longest_gap_ms=MINUTE,
    )
    told = log.told()
    assert told.soc == [[(at(0), 60.0)]]
    assert (told.readings, told.rejected, told.failed) == (3, 2, 3)


def test_the_supply_is_known_from_the_first_outcome_to_the_end_of_the_run(log):
    log.begin()
    log.switch(1, "on")
    log.switch(10, "off")
    log.switch(15, "off")  # said again
    log.switch(20, "on", succeeded=False)
    log.switch(21, "on")
    log.row(RunEndRow, 30, why="stopped")
    log.begin(60)
    log.switch(61, "on")
    log.read(70, 60)
    told = log.told()
    assert told.supply == [
        Span(at(1), at(10), "on"),
        Span(at(10), at(21), "off"),
        Span(at(21), at(30), "on"),
        Span(at(61), at(70), "on"),
    ]
    assert told.switchings == 2


def test_a_crash_leaves_the_supply_unknown(log):
    log.begin()
    log.switch(1, "off")
    log.read(5, 60)
    log.begin(50)
    log.switch(51, "on")
    told = log.told()
    assert told.supply[0] == Span(at(1), at(5), "off")
    assert told.supply[1].from_ms == at(51)


def test_an_off_that_failed_is_no_switching(log):
    log.begin()
    log.switch(1, "on")
    log.switch(2, "off", succeeded=False)
    log.read(3, 60)
    told = log.told()
    assert told.switchings == 0
    assert told.supply == [Span(at(1), at(3), "on")]


def test_effects_are_counted_by_their_verdict(log):
    log.begin()
    intent = log.switch(1, "off")
    for seen in (True, True, False, None):
        log.row(EffectRow, 2, intent=intent, supply="off", seen=seen)
    assert log.told().effects == {True: 2, False: 1, None: 1}


def test_an_alarm_lasts_until_it_is_cleared_over_a_restart_too(log):
    log.begin()
    log.alarm(1, "relay_no_effect")
    log.alarm(3, "battery_hot")
    log.alarm(9, "battery_hot", raised=False)
    log.begin(20)
    log.alarm(30, "relay_no_effect", raised=False)
    log.alarm(40, "supply_absent")
    log.read(50, 60)
    assert log.told().alarms == [
        Span(at(1), at(30), "relay_no_effect"),
        Span(at(3), at(9), "battery_hot"),
        Span(at(40), at(50), "supply_absent", stands=True),
    ]


def test_the_code_of_another_version_is_told_as_it_is(log):
    log.begin()
    log.alarm(1, "flux_inverted")
    log.alarm(2, "never_raised", raised=False)
    assert [span.label for span in log.told().alarms] == ["flux_inverted"]


def test_rows_that_were_lost_are_counted(log):
    log.begin()
    log.row(GapRow, 5, why="full", since_boot_ms=0, since_wall_ms=T0, dropped_rows=7)
    assert log.told().lost_rows == 7


def test_other_stations_are_left_out(log):
    log.begin()
    log.read(0, 60)
    log.station = "foyer"
    log.read(1, 20)
    log.alarm(1, "battery_hot")
    told = log.told()
    assert told.soc == [[(at(0), 60.0)]]
    assert told.alarms == []


def test_a_station_without_rows_is_an_error_that_says_so(log):
    log.begin()
    with pytest.raises(LogError, match="nothing about a station 'foyer'"):
        log.told("foyer")


def test_no_log_is_an_error_that_says_so(tmp_path):
    with pytest.raises(LogError, match="no cycle log"):
        story(tmp_path / "absent.db", STATION)


# --- clocks ---------------------------------------------------------------------------


@pytest.mark.parametrize("step_ms", [-300 * DAY, 300 * DAY])
def test_a_wall_clock_that_is_set_moves_nothing(log, step_ms):
    log.begin()
    log.read(0, 60)
    log.offset_ms += step_ms
    log.read(0.5, 61)
    log.alarm(1, "battery_hot")
    log.begin(2)  # the daemon alone began again, in the same boot
    log.read(2, 62)
    told = log.told()
    assert told.soc == [[(at(0), 60.0), (at(0.5), 61.0), (at(2), 62.0)]]
    assert told.alarms[0].from_ms == at(1)
    assert told.stepped_ms == 300 * DAY
    assert told.delayed == 0


def test_a_clock_that_was_not_set_at_the_start_is_put_right_afterwards(log):
    log.offset_ms = 0  # 1970
    log.begin(synchronised=False)
    log.read(0, 60)
    log.offset_ms = T0
    log.read(1, 61)
    assert log.told().soc == [[(at(0), 60.0), (at(1), 61.0)]]


def test_another_boot_is_tied_to_the_calendar_afresh(log):
    log.begin(10)
    log.read(10, 60)
    log.offset_ms = T0 + DAY
    log.begin(0, boot="boot-2")
    log.read(0, 62)
    told = log.told()
    assert told.soc == [[(at(10), 60.0)], [(at(0, T0 + DAY), 62.0)]]
    assert (told.stepped_ms, told.delayed) == (0, 0)


def test_a_boot_dated_before_the_last_one_is_drawn_after_it(log):
    log.begin()
    log.read(0, 60, minutes=20)
    log.switch(20, "off")
    log.offset_ms = T0 - 300 * DAY
    log.begin(5, boot="boot-2")
    log.switch(6, "on")
    log.read(6, 50, minutes=10)
    told = log.told()
    assert told.soc == [[(at(0), 60.0), (at(20), 60.0), (at(21), 50.0), (at(31), 50.0)]]
    assert told.supply[-1] == Span(at(21), at(31), "on")
    assert told.delayed == 1
    assert (told.from_ms, told.until_ms) == (at(0), at(31))


# --- a part of the time ---------------------------------------------------------------


def test_a_part_is_told_up_to_its_edges(log):
    log.begin()
    log.read(0, 60, minutes=10, celsius=20)
    log.switch(10, "off")
    log.alarm(10, "battery_hot")
    log.read(10.5, 60, minutes=19, celsius=22)
    log.read(30, 59, celsius=24)
    log.alarm(30, "battery_hot", raised=False)
    log.switch(31, "on")
    log.read(31, 61, minutes=10)
    told = log.told(since_ms=at(5), until_ms=at(20))
    assert (told.from_ms, told.until_ms) == (at(5), at(20))
    assert told.soc == [[(at(5), 60.0), (at(20), 60.0)]]
    assert told.heat[0][0] == (at(5), 20.0)
    assert told.heat[-1][-1] == (at(20), 22.0)
    assert told.supply == [Span(at(10), at(20), "off", stands=True)]
    assert told.alarms == [Span(at(10), at(20), "battery_hot", stands=True)]
    assert told.switchings == 1


def test_what_began_before_stands_at_the_beginning_and_is_not_counted(log):
    log.begin()
    log.switch(1, "off")
    log.alarm(2, "gauge_lost")
    log.read(3, 70, why_not="jump")
    log.read(20, 60)
    log.alarm(25, "gauge_lost", raised=False)
    log.read(40, 58)
    told = log.told(since_ms=at(10), until_ms=at(30))
    assert told.supply == [Span(at(10), at(30), "off", stands=True)]
    assert told.alarms == [Span(at(10), at(25), "gauge_lost")]
    assert told.soc == [[(at(20), 60.0)]]
    assert (told.switchings, told.readings, told.rejected) == (0, 1, 0)


def test_settings_after_the_end_do_not_count(log):
    log.begin()
    log.read(0, 60)
    later = Policy(marks=Marks(low_percent=40, high_percent=50))
    log.row(SettingsRow, 30, policy=canonical(to_plain(later)))
    log.read(31, 45)
    assert log.told(until_ms=at(20)).policy == POLICY


def test_a_part_without_anything_is_empty(log):
    log.begin()
    log.read(0, 60)
    told = log.told(since_ms=at(100), until_ms=at(200))
    assert (told.soc, told.supply, told.alarms) == ([], [], [])
    assert (told.from_ms, told.until_ms) == (at(100), at(200))


def test_a_part_is_placed_as_the_whole_is(log):
    log.begin()
    log.read(0, 60)
    log.read(1, 61)
    whole = log.told()
    with Reader(log.path) as reader:
        placing = place(reader.history(STATION))
    assert story(log.path, STATION, placing=placing) == whole


def test_windows_and_floors_follow_the_settings_over_time(log):
    log.begin()
    log.read(0, 60)
    log.row(SettingsRow, 60, policy=canonical(to_plain(WIDER)))
    # Something else changed: what is drawn stays one piece.
    log.row(SettingsRow, 90, policy=canonical(to_plain(replace(WIDER, poll_ms=5_000))))
    log.row(SettingsRow, 120, policy=canonical(to_plain(replace(WIDER, marks=None))))
    log.read(180, 60)
    told = log.told()
    assert [
        (each.from_ms - T0, each.until_ms - T0, each.marks, each.floor_percent)
        for each in told.in_force
    ] == [
        (0, HOUR, POLICY.marks, POLICY.floor_percent),
        (HOUR, 2 * HOUR, WIDER.marks, 20),
        (2 * HOUR, 3 * HOUR, None, 20),
    ]
    part = log.told(since_ms=T0 + 90 * MINUTE, until_ms=T0 + 100 * MINUTE)
    assert [each.marks for each in part.in_force] == [WIDER.marks]
    assert part.in_force[0].from_ms == T0 + 90 * MINUTE
    assert part.in_force[0].until_ms == T0 + 100 * MINUTE
