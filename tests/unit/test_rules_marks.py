"""Rules 10 to 14: marks, plan, override, budget; both sides of each edge."""

from dataclasses import replace

import pytest

from support.core_rig import (
    CHARGING,
    DAY_S,
    HOLD,
    HOUR_S,
    NO,
    NOT_CHARGING,
    OFF,
    ON,
    POLICY,
    YES,
    Rig,
    running,
    switched_off,
)
from tidegate.core.effects import Alarm, Kind, Reason
from tidegate.core.policy import Proof

HIGH = ((OFF, Reason.AT_HIGH_MARK),)
LOW = ((ON, Reason.AT_LOW_MARK),)


# --- rules 12, 13, 14 -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("soc", "switched", "reason"),
    [
        (65.0, HIGH, Reason.AT_HIGH_MARK),
        (64.99, (), Reason.IN_WINDOW),
        (55.01, (), Reason.IN_WINDOW),
        (55.0, (), Reason.AT_LOW_MARK),
        (100.0, HIGH, Reason.AT_HIGH_MARK),
    ],
)
def test_the_marks_while_on(soc, switched, reason):
    # Rule 13 at or over the high mark; rules 12 and 14 change nothing.
    rig = running(60).read(soc, after_s=121)
    assert rig.switched == switched
    assert rig.reason is reason


@pytest.mark.parametrize(
    ("soc", "switched", "reason"),
    [
        (55.0, LOW, Reason.AT_LOW_MARK),
        (55.01, (), Reason.IN_WINDOW),
        (64.99, (), Reason.IN_WINDOW),
        (65.0, (), Reason.AT_HIGH_MARK),
    ],
)
def test_the_marks_while_off(soc, switched, reason):
    # Rule 12 at or under the low mark; rules 13 and 14 change nothing.
    rig = switched_off(65).read(soc, after_s=121)
    assert rig.switched == switched
    assert rig.reason is reason


def test_a_window_runs_between_its_marks():
    # Off at 65, on at 55, and so on; nothing between the marks.
    rig = running(60, obeys=True)
    for _ in range(3):
        rig.slide(65, over_s=HOUR_S, every_s=120).slide(55, over_s=HOUR_S, every_s=120)
    assert [(c.supply, c.reason) for c in rig.commands[1:]] == [*HIGH, *LOW] * 3
    assert rig.alarms == frozenset()


@pytest.mark.parametrize(
    ("marks", "soc", "switched"),
    [
        ((70, 80), 65, ()),
        ((70, 80), 79.99, ()),
        ((70, 80), 80, HIGH),
        ((40, 50), 50, HIGH),
        (None, 65, HIGH),
    ],
)
def test_the_marks_are_those_of_the_plan_in_force(marks, soc, switched):
    # Plan changed: other marks than those of the settings, or those again.
    rig = running(60).plan((1, 99)).plan(marks).read(soc, after_s=121)
    assert rig.switched == switched


def test_a_raised_plan_switches_on_by_itself_a_lowered_one_waits_for_a_reading():
    # No timer ever causes an off: a plan may give an on, never an off.
    rig = switched_off(65).plan((70, 80))
    assert rig.switched == LOW
    rig.done().steady(200).plan((40, 50))
    assert rig.switched == ()
    assert rig.read().switched == HIGH


def test_before_any_reading_no_mark_applies():
    # Without a level there is nothing to compare; the start gives the on.
    rig = Rig().start().fail(after_s=1)
    assert rig.switched == ((ON, Reason.START),)
    assert rig.wait(HOUR_S).reason is Reason.IN_WINDOW


def test_a_station_that_only_measures_commands_nothing():
    # A station without relay and window only measures, at its end too.
    rig = Rig(marks=None).start().read(100, after_s=1).fails(9).read(1).stop()
    assert rig.commands == []
    assert rig.reason is Reason.MEASURE_ONLY
    assert rig.alarms == {Alarm.GAUGE_LOST}


def test_a_station_that_only_measures_still_tells_of_heat():
    # Alarms of gauge and battery need no window.
    rig = running(60, marks=None).reads(2, temp=61)
    assert rig.alarms == {Alarm.BATTERY_HOT, Alarm.BATTERY_CRITICAL_HEAT}


def test_a_window_taken_away_while_off_gives_a_last_on():
    # Settings changed to "measure only" never leave the supply off.
    rig = switched_off(65).settings(marks=None)
    assert rig.switched == ((ON, Reason.STOP),)
    assert rig.done().read().read().commands[-1].reason is Reason.STOP


def test_the_last_on_of_a_window_taken_away_is_sent_until_it_is_taken():
    # It failed: the supply is off, and nothing else would ever say on.
    rig = switched_off(65).settings(marks=None).refuse()
    assert rig.wait(10).switched == ((ON, Reason.RELAY_FAILED),)
    assert rig.refuse().wait(20).switched == ((ON, Reason.RELAY_FAILED),)
    assert rig.done().read().wait(DAY_S).switched == ()


def test_a_window_taken_away_during_a_trial_off_gives_its_on():
    # The trial of an absent supply ends after settle all the same.
    rig = Rig(obeys=True).start().read(60, after_s=1, power=NO)
    while rig.last.kind is not Kind.TRIAL:
        rig.read(after_s=10, power=NO)
        assert rig.now_s < 100_400
    assert rig.settings(marks=None).wait(60).switched == ((ON, Reason.SUPPLY_ABSENT),)


# --- settings -------------------------------------------------------------------------


def test_changed_settings_hold_at_once():
    # New marks act with the next reading, and nothing learned is lost.
    rig = running(60).settings(marks=replace(POLICY.marks, high_percent=60.0))
    assert rig.switched == ()
    assert rig.read().switched == HIGH
    assert rig.state.drive.ever_proven is False


@pytest.mark.parametrize("relay_changed", [True, False])
def test_changed_relay_settings_forget_what_was_found_of_the_relay(relay_changed):
    # Rule 7 leaves when the relay settings changed; other settings leave it be.
    rig = running(60)
    rig.state = replace(
        rig.state,
        latches=replace(rig.state.latches, relay=Reason.RELAY_REVERSED),
        drive=replace(rig.state.drive, swapped=True, ever_proven=True),
    )
    rig.wait(1).settings(relay_changed=relay_changed)
    assert (rig.state.latches.relay is None) is relay_changed
    assert rig.state.drive.swapped is not relay_changed
    assert rig.state.drive.ever_proven is not relay_changed
    assert (Alarm.RELAY_REVERSED in rig.alarms) is not relay_changed


# --- rule 11 ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("supply", "soc"), [(ON, 65.0), (ON, 99.0), (OFF, 55.0), (OFF, 25.01)]
)
def test_an_override_outranks_the_marks(supply, soc):
    # Rule 11 is over 12 and 13.
    rig = running(60).override(supply, for_s=DAY_S).read().read(soc, after_s=181)
    assert rig.reason is Reason.OVERRIDE
    assert rig.supply is supply


@pytest.mark.parametrize(("after_s", "ended"), [(599.999, False), (600, True)])
def test_an_override_ends_with_its_time(after_s, ended):
    # Its end, to the millisecond, by a timer; an ordinary end is no alarm.
    rig = running(60).override(OFF, for_s=600).wait(after_s)
    assert (rig.state.override is None) is ended
    assert rig.alarms == frozenset()


def test_the_core_asks_to_be_woken_at_the_end_of_an_override():
    # Nothing else would end an order of "on" on time.
    assert running(60).override(ON, for_s=77).wake_in_s == 77


def test_an_override_can_be_withdrawn_and_replaced():
    # Released by the operator; the last order counts.
    rig = running(60).override(OFF, for_s=900).override(ON, for_s=60)
    assert rig.state.override.supply is ON
    assert rig.release().state.override is None


def test_after_an_override_the_rules_go_on_with_dwell():
    # The dwell of the ordered off still holds after its end.
    rig = running(56).override(OFF, for_s=60).read().done().read(55, after_s=100)
    assert rig.state.override is None
    assert rig.switched == ()
    assert rig.wait(80).switched == LOW


def _lockout(rig: Rig) -> Rig:
    latches = replace(rig.state.latches, lockout=Reason.ONLY_SOURCE)
    rig.state = replace(rig.state, latches=latches)
    return rig.wait(1)


ENDINGS = {
    1: lambda rig: rig.settings(fitted=False),
    4: lambda rig: rig.reject().reject().reject(),
    5: lambda rig: rig.read(25, after_s=121),
    6: _lockout,
}


@pytest.mark.parametrize("rule", list(ENDINGS))
def test_an_on_for_safety_ends_an_override_off_with_an_alarm(rule):
    # An on of 1, 4, 5 or 6 ends an "off" override; a person must know.
    rig = running(60).override(OFF, for_s=DAY_S).read().done()
    ENDINGS[rule](rig)
    assert rig.state.override is None
    assert rig.supply is ON
    assert Alarm.OVERRIDE_ENDED in rig.alarms
    assert Alarm.OVERRIDE_ENDED not in rig.override(ON).alarms


@pytest.mark.parametrize("rule", list(ENDINGS))
def test_an_override_on_is_not_ended_by_an_on(rule):
    # It wants the same; it goes on when the fault is over.
    rig = running(60).override(ON, for_s=DAY_S)
    ENDINGS[rule](rig)
    assert rig.state.override is not None
    assert Alarm.OVERRIDE_ENDED not in rig.alarms


def test_rules_2_and_7_do_not_end_an_override_off():
    # Only an on of 1, 4, 5 or 6 does.
    rig = running(60).override(OFF, for_s=DAY_S).reads(2, temp=61)
    assert rig.reason is Reason.BATTERY_CRITICAL_HEAT
    rig = running(60).override(OFF, for_s=DAY_S)
    latches = replace(rig.state.latches, relay=Reason.RELAY_NO_EFFECT)
    rig.state = replace(rig.state, latches=latches)
    rig.wait(1)
    assert rig.reason is Reason.RELAY_NO_EFFECT
    assert rig.state.override is not None


def test_an_override_does_not_outlive_a_reboot():
    # Overrides run on the boot clock and never cross a reboot.
    rig = running(60).override(OFF, for_s=DAY_S)
    assert rig.start(same_boot=True).state.override is not None
    assert rig.reboot().state.override is None


# --- rule 10: the budget ----------------------------------------------------------------


def _spent(ages_s, *, last_off_s=None, **policy) -> Rig:
    """A rig at 60 %, on, that spent switchings this long before its next reading."""
    rig = running(60, **policy)
    at_ms = rig.state.quiet.lived_ms + 121_000 + DAY_S * 1_000
    ages = sorted((round(age * 1_000) for age in ages_s), reverse=True)
    quiet = replace(rig.state.quiet, lived_ms=at_ms - 121_000)
    drive = replace(
        rig.state.drive,
        spent_lived_ms=tuple(at_ms - age for age in ages),
        last_off_lived_ms=None
        if last_off_s is None
        else at_ms - round(last_off_s * 1_000),
    )
    rig.state = replace(rig.state, quiet=quiet, drive=drive)
    return rig


@pytest.mark.parametrize(
    ("ages_s", "free"),
    [
        ([10, 20, 30, 40], True),
        ([10, 20, 30, 40, 50], False),
        ([10, 20, 30, 40, 3_600], True),
        ([10, 20, 30, 40, 3_599.999], False),
        ([], True),
    ],
)
def test_an_off_needs_two_free_in_the_hour(ages_s, free):
    # An off that would not leave its own on free too; 6 an hour, to the millisecond.
    rig = _spent(ages_s).read(65, after_s=121)
    assert rig.switched == (HIGH if free else ())
    assert (rig.reason is Reason.RELAY_BUDGET) is not free
    assert (Alarm.RELAY_BUDGET in rig.alarms) is not free


@pytest.mark.parametrize(
    ("count", "oldest_s", "free"),
    [(46, 80_000, True), (47, 80_000, False), (47, DAY_S, True)],
)
def test_an_off_needs_two_free_in_the_day(count, oldest_s, free):
    # 48 a day; the oldest leaves the day at 24 h exactly.
    ages = [oldest_s, *(7_200 + 1_000 * n for n in range(count - 1))]
    rig = _spent(ages, last_off_s=7_200).read(65, after_s=121)
    assert rig.switched == (HIGH if free else ())


@pytest.mark.parametrize(
    ("count", "last_off_s", "free"),
    [
        (24, 0.001, True),
        (25, 3_599.999, False),
        (25, 3_600, True),
        (25, None, True),
    ],
)
def test_past_half_the_day_offs_are_spread(count, last_off_s, free):
    # More than half used and the last off younger than 2 x 24 h / per_day = 1 h.
    ages = [4_000 + 1_000 * n for n in range(count)]
    rig = _spent(ages, last_off_s=last_off_s).read(65, after_s=121)
    assert rig.switched == (HIGH if free else ())


def test_the_budget_refuses_an_override_off_too():
    # An off by 11 or 13.
    rig = _spent([10] * 5).override(OFF).read(60, after_s=121)
    assert rig.reason is Reason.RELAY_BUDGET
    assert rig.supply is ON


def test_the_budget_never_refuses_heat_cold_or_an_on():
    # Row 10 is under 8 and 9, and refuses only offs.
    rig = _spent([10] * 9).read(60, after_s=116, temp=46).read(temp=46, after_s=5)
    assert rig.switched == ((OFF, Reason.BATTERY_HOT),)
    rig = _spent([10] * 9).read(temp=0, after_s=121)
    assert rig.switched == ((OFF, Reason.BATTERY_COLD),)
    rig = switched_off(65)
    rig.state = replace(
        rig.state, drive=replace(rig.state.drive, spent_lived_ms=(1,) * 40)
    )
    assert rig.read(55, after_s=121).switched == LOW


def test_a_spent_budget_never_commands_on():
    # Unchanged: an off that stands stays off.
    rig = switched_off(65)
    now = rig.state.quiet.lived_ms
    rig.state = replace(
        rig.state, drive=replace(rig.state.drive, spent_lived_ms=(now,) * 40)
    )
    assert rig.read().switched == ()
    assert rig.reason is Reason.AT_HIGH_MARK
    assert rig.alarms == frozenset()


def test_the_alarm_ends_when_the_budget_is_free_again():
    # Row 10 leaves when free; then the off follows by itself.
    rig = _spent([10] * 5).read(65, after_s=121)
    rig.wait(HOUR_S - 20)
    assert Alarm.RELAY_BUDGET in rig.alarms
    rig.read(after_s=10)
    assert rig.switched == HIGH
    assert Alarm.RELAY_BUDGET not in rig.alarms


COUNTED = [
    (lambda rig: rig.reads(2, temp=46), Reason.BATTERY_HOT, 1),
    (lambda rig: rig.read(temp=0), Reason.BATTERY_COLD, 1),
    (lambda rig: rig.override(OFF).read(), Reason.OVERRIDE, 1),
    (lambda rig: rig.read(65, after_s=121), Reason.AT_HIGH_MARK, 1),
    (lambda rig: rig.reads(2, temp=61), Reason.BATTERY_CRITICAL_HEAT, 0),
]


@pytest.mark.parametrize(("act", "reason", "count"), COUNTED)
def test_which_offs_the_budget_counts(act, reason, count):
    # Changes of the commanded state by 8, 9 and 11 to 13 only; heat is free.
    rig = running(60, hot_c=45 if reason is Reason.BATTERY_HOT else 90)
    act(rig)
    assert rig.last.reason is reason
    assert len(rig.done().state.drive.spent_lived_ms) == count
    assert (rig.state.drive.last_off_lived_ms is not None) is bool(count)


UNCOUNTED_ONS = [
    (lambda rig: rig.settings(fitted=False), Reason.NO_BATTERY),
    (lambda rig: rig.reject().reject().reject(), Reason.GAUGE_IMPLAUSIBLE),
    (lambda rig: rig.read(25, after_s=121), Reason.BELOW_FLOOR),
    (_lockout, Reason.ONLY_SOURCE),
    (lambda rig: rig.stop(), Reason.STOP),
]


@pytest.mark.parametrize(("act", "reason"), UNCOUNTED_ONS)
def test_forced_ons_are_not_counted(act, reason):
    # The on at the low mark is counted, those for safety are not.
    rig = switched_off(65)
    before = rig.state.drive.spent_lived_ms
    act(rig)
    assert rig.last.reason is reason
    assert rig.done().state.drive.spent_lived_ms == before


def test_the_on_at_the_low_mark_and_an_ordered_on_are_counted():
    # Rules 12 and 11.
    for act in (lambda r: r.read(55, after_s=121), lambda r: r.override(ON)):
        rig = switched_off(65)
        act(rig)
        assert rig.last.supply is ON
        assert len(rig.state.drive.spent_lived_ms) == 2


def test_an_off_that_failed_costs_nothing():
    # It left the commanded state unchanged: neither budget nor "the last off".
    rig = running(60).read(65, after_s=121).refuse()
    assert rig.state.drive.spent_lived_ms == ()
    assert rig.state.drive.last_off_lived_ms is None


def test_repeats_cost_nothing():
    # An off sent again for want of an effect is no change of the commanded state.
    rig = running(60).read(65, after_s=121).done().reads(4, power=YES, status=CHARGING)
    assert len([c for c in rig.commands if c.supply is OFF]) == 2
    assert len(rig.state.drive.spent_lived_ms) == 1


def test_the_budget_survives_a_restart_and_runs_on_time_lived():
    # Boot-clock spans in the log: time between runs was not lived by the daemon.
    rig = switched_off(65)
    spent, lived_ms = rig.state.drive.spent_lived_ms, rig.state.quiet.lived_ms
    rig.reboot(was_closed=False)
    assert rig.state.drive.spent_lived_ms == spent
    assert rig.state.drive.last_off_lived_ms == spent[-1]
    assert rig.state.quiet.lived_ms == lived_ms
    rig.read(60, after_s=1)
    assert rig.state.quiet.lived_ms == lived_ms + 1_000


def test_old_switchings_are_forgotten():
    # What is older than a day is dropped when the next is spent.
    rig = _spent([DAY_S + 1, DAY_S, 100]).read(65, after_s=121)
    assert len(rig.state.drive.spent_lived_ms) == 2


# --- hold -------------------------------------------------------------------------


def test_a_hold_works_between_h_minus_two_and_h():
    # hold = 60: off at 60, on at 58; external power stays all the time.
    rig = running(59, HOLD, obeys=True).read(60).steady(600)
    assert rig.reason is Reason.AT_HIGH_MARK
    rig.read(58)
    assert [(c.supply, c.reason) for c in rig.commands[1:]] == [*HIGH, *LOW]
    assert rig.alarms == frozenset()


@pytest.mark.parametrize(
    ("soc", "hours", "proof", "alarm"),
    [
        (62.01, 24, Proof.CHARGING, True),
        (62.01, 23.99, Proof.CHARGING, False),
        (62.0, 48, Proof.CHARGING, False),
        (62.01, 48, Proof.EXTERNAL_POWER, False),
    ],
)
@pytest.mark.parametrize("hold", [True, False])
def test_a_hold_that_cannot_come_down_tells_after_a_day(soc, hours, proof, alarm, hold):
    # Above high mark + 2 for 24 h: the alarm above_window, for a relay that only stops
    # charging, whether its window is one level or two marks.
    rig = running(59, HOLD, obeys=True, hold=hold, proof=proof).read(soc, after_s=121)
    rig.read(after_s=hours * HOUR_S)
    assert (Alarm.ABOVE_WINDOW in rig.alarms) is alarm
    assert Alarm.ABOVE_WINDOW not in rig.read(60, after_s=121).alarms


def test_a_hold_is_proven_by_charging_that_stops():
    # Effect under a hold: charging stopped, whatever external power says.
    rig = running(59, HOLD).read(60, power=YES, status=CHARGING).done()
    rig.read(after_s=60, power=YES, status=NOT_CHARGING)
    assert rig.verdicts == (True,)
    rig = running(59, HOLD).read(60, power=YES, status=CHARGING).done()
    rig.read(after_s=60, power=NO, status=CHARGING)
    assert rig.verdicts == (False,)
