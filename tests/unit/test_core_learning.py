"""What a station learns over days, and what it tells: slope, pack, health, times."""

from dataclasses import replace

import pytest

from support.core_rig import (
    CHARGING,
    DAY_S,
    DISCHARGING,
    HOUR_S,
    NO,
    OFF,
    ON,
    POLICY,
    REMOTE,
    UNKNOWN,
    YES,
    Rig,
    running,
    switched_off,
)
from tidegate.core.controller import RULES_VERSION, step
from tidegate.core.effects import (
    Alarm,
    Kind,
    RaiseAlarm,
    Reason,
    SwitchSupply,
    WakeAt,
)
from tidegate.core.events import LogBack, LogLost, ReadingArrived, Resumed, TimePassed
from tidegate.core.policy import Marks
from tidegate.core.reading import Supply, WhyNot
from tidegate.core.state import learned_slope

# --- slope --------------------------------------------------------------------------


WIDE = Marks(low_percent=30.0, high_percent=95.0)


def _off_at(soc: float, **learned) -> Rig:
    """Off by an order at this level, read once since."""
    rig = running(soc, marks=WIDE)
    rig.state = replace(rig.state, **learned)
    rig.override(OFF, for_s=DAY_S).read().done()
    assert rig.supply is OFF
    return rig.read(after_s=1)


def _rates(rig: Rig) -> list[float]:
    return [rate for _, rate in rig.state.watch.slope_days]


@pytest.mark.parametrize(
    ("minutes", "points", "rates"),
    [(60, 12, [12.0]), (30, 6, [12.0]), (29.5, 6, []), (120, 24, [12.0])],
)
def test_the_slope_is_learned_over_half_an_hour_to_an_hour(minutes, points, rates):
    # The steepest hour with the supply off; shorter looks teach nothing.
    rig = _off_at(85).slide(85 - points, over_s=minutes * 60)
    assert _rates(rig) == pytest.approx(rates)


def test_the_steepest_hour_of_a_day_counts():
    # 6 %/h, then 18 %/h for an hour, then 6 again.
    rig = (
        _off_at(90)
        .slide(84, over_s=HOUR_S)
        .slide(66, over_s=HOUR_S)
        .slide(60, over_s=HOUR_S)
    )
    assert _rates(rig) == [pytest.approx(18.0, abs=0.2)]


@pytest.mark.parametrize("case", ["on", "power"])
def test_nothing_is_learned_while_the_supply_feeds(case):
    # With the supply on, or power there though off is commanded.
    rig = running(85, marks=WIDE) if case == "on" else _off_at(85)
    says = {"power": NO, "status": DISCHARGING}
    if case == "power":
        says = {"power": YES, "status": CHARGING}
    rig.slide(65.5, over_s=HOUR_S, **says)
    assert _rates(rig) == []
    assert rig.state.quiet.slope_points == ()


def test_a_level_that_stands_still_teaches_nothing():
    # No loss, no slope: the day stays without one.
    assert _rates(_off_at(85).read(84.9).read(85, after_s=3_000)) == []


def test_power_in_between_starts_the_look_anew():
    # The points of before are dropped.
    rig = _off_at(85).read(84.9)
    assert rig.state.quiet.slope_points != ()
    assert rig.read(84.8, power=YES).state.quiet.slope_points == ()


def test_a_level_that_rises_teaches_no_slope():
    # Only a loss is a slope.
    rig = switched_off(65, obeys=True).slide(70, over_s=HOUR_S, power=UNKNOWN)
    assert _rates(rig) == []


def test_slopes_are_kept_for_fourteen_days():
    # The last 14 days of time lived.
    before = running(85, marks=WIDE).state
    quiet = replace(before.quiet, lived_ms=20 * DAY_S * 1_000)
    watch = replace(before.watch, slope_days=((6, 30.0), (7, 20.0)))
    rig = _off_at(85, quiet=quiet, watch=watch).slide(75, over_s=HOUR_S)
    assert dict(rig.state.watch.slope_days) == {
        7: 20.0,
        20: pytest.approx(10, abs=0.02),
    }


@pytest.mark.parametrize(("days", "slope"), [(13.9, 30.0), (14, 5.0)])
def test_a_slope_older_than_fourteen_days_is_forgotten_without_a_new_one(days, slope):
    # The last 14 days, though nothing was learned in them.
    state = running(60).state
    quiet = replace(state.quiet, lived_ms=round(days * DAY_S * 1_000))
    watch = replace(state.watch, slope_days=((0, 30.0),))
    state = replace(state, quiet=quiet, watch=watch)
    assert learned_slope(state, least=5.0) == slope


@pytest.mark.parametrize(
    ("blind_s", "rates"), [(2_000, [14.4]), (1_800, [16.0]), (300, [96.0]), (299, [])]
)
def test_a_coast_teaches_by_its_two_ends(blind_s, rates):
    # Nothing is read in between: the loss over the time off counts, from 5 min on.
    rig = running(60, REMOTE, dwell_off_ms=1).read(65, after_s=121).done()
    rig.fail(after_s=1).override(ON, after_s=blind_s - 1)
    assert rig.switched == ((ON, Reason.OVERRIDE),)
    rig.done().read(57, after_s=20)
    assert _rates(rig) == rates
    assert _rates(rig.read(50, after_s=121)) == rates


def test_a_gauge_with_its_own_supply_learns_from_what_it_read():
    # Only a coast is judged by its ends, and each only once.
    rig = running(65, obeys=True).read(57, after_s=121).override(ON).wait(180)
    assert rig.supply is ON
    assert _rates(rig.read(56, after_s=121)) == []


def test_what_is_learned_never_goes_under_the_least():
    # At least 5 %/h for the coast, 15 %/h for frozen; these also serve at first.
    state = running(60).state
    assert learned_slope(state, least=5.0) == 5.0
    state = replace(state, watch=replace(state.watch, slope_days=((0, 9.0),)))
    assert learned_slope(state, least=5.0) == 9.0
    assert learned_slope(state, least=15.0) == 15.0


def test_slopes_outlive_a_restart_and_end_with_the_pack():
    # They are about the pack and its load.
    rig = running(60).read(pack="A")
    watch = replace(rig.state.watch, slope_days=((0, 9.0),))
    rig.state = replace(rig.state, watch=watch)
    rig.reboot().read(60, after_s=1, pack="A")
    assert _rates(rig) == [9.0]
    assert _rates(rig.read(pack="B")) == []


# --- health and log --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("health", "alarm"),
    [
        ("Overheat", True),
        ("Dead", True),
        ("Over voltage", True),
        ("Unspecified failure", True),
        ("Hot", True),
        ("Good", False),
        ("Unknown", False),
        ("Cold", False),
        (None, False),
    ],
)
def test_the_health_words_that_alarm(health, alarm):
    # Values of the kernel's power-supply class that say the pack is unsound.
    rig = running(60).read(health=health)
    assert (Alarm.BATTERY_HEALTH in rig.alarms) is alarm
    assert rig.read(health="Good").alarms == frozenset()


def test_a_gauge_that_will_soon_refuse_us_is_told_before_it_does():
    # A debug key is forgotten after 7 days without contact; the alarm comes after 3.
    rig = running(60, silence_alarm_ms=3 * DAY_S * 1_000)
    rig.fails(10).fail(after_s=3 * DAY_S - 301)
    assert Alarm.GAUGE_SILENT not in rig.alarms
    assert Alarm.GAUGE_SILENT in rig.fail(after_s=1).alarms
    # Any answer is contact, even one that is not believed.
    assert Alarm.GAUGE_SILENT not in rig.read(None).alarms


def test_a_silence_is_counted_over_restarts_and_only_from_the_last_answer():
    rig = running(60, silence_alarm_ms=3 * DAY_S * 1_000).read(after_s=9 * DAY_S)
    rig.start(same_boot=True)
    assert Alarm.GAUGE_SILENT not in rig.alarms
    rig.fails(10).fail(after_s=2 * DAY_S).start(same_boot=True)
    rig.fail(after_s=DAY_S - 301)
    assert Alarm.GAUGE_SILENT not in rig.alarms
    assert Alarm.GAUGE_SILENT in rig.fail(after_s=1).alarms


def test_a_log_that_does_not_know_the_last_answer_raises_no_alarm():
    # A state of before that was kept: the silence counts from the start.
    rig = running(60, silence_alarm_ms=3 * DAY_S * 1_000).read(after_s=9 * DAY_S)
    quiet = replace(rig.state.quiet, answered_lived_ms=0)
    rig.state = replace(rig.state, quiet=quiet)
    assert Alarm.GAUGE_SILENT not in rig.start(same_boot=True).alarms
    assert Alarm.GAUGE_SILENT in rig.fail(after_s=3 * DAY_S).alarms


def test_a_silent_gauge_without_a_key_is_only_lost():
    rig = running(60).fails(10).fail(after_s=9 * DAY_S)
    assert Alarm.GAUGE_SILENT not in rig.alarms


def test_a_lost_log_is_one_alarm_and_control_goes_on():
    # Raised once, cleared once; offs and ons go on.
    rig = running(60).send(LogLost())
    assert rig.alarms == {Alarm.LOG_LOST}
    assert rig.send(LogLost()).effects[:1] != (RaiseAlarm(alarm=Alarm.LOG_LOST),)
    assert rig.read(65, after_s=121).switched == ((OFF, Reason.AT_HIGH_MARK),)
    assert rig.send(LogBack()).alarms == frozenset()


def test_a_lost_log_is_not_remembered_over_a_restart():
    # The new run opens the log anew and says so itself.
    rig = running(60).send(LogLost()).start(same_boot=True)
    assert rig.alarms == frozenset()


def test_each_alarm_is_raised_once_and_cleared_once():
    # Over ups and downs of a fault, each episode tells people twice.
    rig = running(60, obeys=True)
    for _ in range(3):
        rig.fails(10).reads(5)
    told = [(type(t).__name__, t.alarm) for t in rig.told]
    assert (
        told
        == [
            ("RaiseAlarm", Alarm.GAUGE_LOST),
            ("ClearAlarm", Alarm.GAUGE_LOST),
        ]
        * 3
    )


# --- times ----------------------------------------------------------------------------


def test_the_dead_man_timer_is_refreshed_while_off_is_under_control():
    # At each look at the gauge with off commanded; never with on, never by a timer.
    rig = running(60)
    assert not rig.read().refreshed
    rig = switched_off(65).read()
    assert rig.refreshed
    assert rig.fail().refreshed
    assert not rig.wait(1).refreshed
    assert not rig.fails(6).refreshed


def test_the_dead_man_timer_is_refreshed_through_a_coast():
    # Else the relay's own timer would end each coast before its box.
    rig = running(60, REMOTE).taught().read(65, after_s=121).done()
    for _ in range(100):
        assert rig.fail().refreshed


@pytest.mark.parametrize(
    ("act", "in_s"),
    [
        (lambda: running(60).read(65, after_s=121), 180),
        (lambda: switched_off(65).read(after_s=0).fails(3, every_s=1), 177),
        (lambda: running(60).reads(2, temp=61).wait(179), 1),
        (lambda: running(60, hot_c=90).reads(2, temp=61).wait(200), 1_600),
        (lambda: running(60, REMOTE).read(65, after_s=121).fail(after_s=1), 179),
        (lambda: running(60).read(power=NO), 60),
    ],
)
def test_the_core_asks_for_the_next_time_that_matters(act, in_s):
    # Dwell, staleness, heat, heat_hold, coast (its dwell first), absence.
    assert act().wake_in_s == in_s


def test_the_end_of_a_coast_box_and_of_its_minute_are_asked_for():
    # (65 - 55) / 5 %/h, then 60 s.
    rig = running(60, REMOTE).taught().read(65, after_s=121).done()
    rig.fail(after_s=1).wait(300)
    assert rig.wake_in_s == 2 * HOUR_S - 300
    rig.wait(2 * HOUR_S - 300)
    assert rig.wake_in_s == 60


def test_a_quiet_station_asks_for_nothing():
    # In the window, dwell over: the next reading is the next event.
    assert running(60).read().wake_in_s is None


def test_time_alone_asked_for_is_enough():
    # Waking exactly when asked finds every timed on: nothing is missed.
    rig = switched_off(65, obeys=True).fails(3, every_s=1)
    for _ in range(20):
        if rig.wake_in_s is None or rig.supply is ON:
            break
        rig.wait(rig.wake_in_s)
    assert rig.last.reason is Reason.GAUGE_LOST


def test_a_resume_forgets_a_half_confirmed_jump():
    # The mark of before the suspend is no evidence after it.
    rig = running(60).read(70).send(Resumed(), after_s=600)
    assert rig.state.watch.jump is None
    assert rig.read(60, after_s=1).state.soc_percent == 60


def test_a_reading_of_the_moment_of_the_resume_is_of_after_it():
    # It is a reference for jumps, and its temperature may grow stale.
    rig = running(60).send(Resumed())
    assert rig.read(70, after_s=1).state.soc_percent == 60
    rig = running(60).reads(2, temp=46).done().send(Resumed())
    assert Alarm.TEMPERATURE_ABSENT in rig.wait(180).alarms


def test_the_clock_never_runs_backwards_in_a_run():
    # The boot clock only grows; anything else is a fault of the shell.
    rig = running(60)
    with pytest.raises(AssertionError):
        step(rig.state, TimePassed(), rig.now_ms - 1)


def test_a_step_is_a_pure_function():
    # The same state and event give equal results, twice.
    rig = running(60)
    rig.now_ms += 121_000
    event = ReadingArrived(reading=rig.reading(65.0))
    assert step(rig.state, event, rig.now_ms) == step(rig.state, event, rig.now_ms)


def test_a_run_of_equal_readings_may_stand_for_many():
    # A row of the cycle log carries its counts: the 60th identical read is frozen.
    rig = running(60).read(volts=3.81).read(volts=3.8, status=DISCHARGING, power=YES)
    since_ms = rig.now_ms
    rig.now_ms += 1_800_000
    reading = rig.reading(60, volts=3.8, status=DISCHARGING, power=YES)
    event = ReadingArrived(
        reading=reading, reads=59, same_reads=60, same_since_ms=since_ms
    )
    rig.send(event)
    assert Alarm.GAUGE_FROZEN in rig.alarms


def test_a_run_of_rejections_may_stand_for_many():
    # Equal rejections run together in the log too.
    rig = switched_off(65)
    reading = rig.reading(65, why_not=WhyNot.ALL_ZERO)
    rig.send(ReadingArrived(reading=reading, reads=3), after_s=90)
    assert rig.switched == ((ON, Reason.GAUGE_IMPLAUSIBLE),)


def test_urgent_commands_do_not_wait_for_a_reading():
    # An on of rules 1 and 3 to 7, start, stop and repeats; offs and 11 to 12 may wait.
    rig = switched_off(65)
    urgent = {c.reason: c.urgent for c in rig.commands}
    assert urgent == {Reason.START: True, Reason.AT_HIGH_MARK: False}
    assert not rig.read(55, after_s=121).last.urgent
    assert switched_off(65).read(25, after_s=121).last.urgent
    assert switched_off(65).fails(6).last.urgent
    assert not running(60).reads(2, temp=61).last.urgent
    assert not running(60).override(OFF).read().last.urgent
    # An off is never in a hurry, a trial or one said against a stranger neither.
    assert switched_off(65).read(power=YES, status=CHARGING).last.supply is OFF
    assert not switched_off(65).read(power=YES, status=CHARGING).last.urgent
    rig = running(60)
    latches = replace(rig.state.latches, relay=Reason.RELAY_NO_EFFECT)
    drive = replace(rig.state.drive, trial_at_lived_ms=0)
    rig.state = replace(rig.state, latches=latches, drive=drive)
    assert rig.read(66, after_s=121).last.kind is Kind.TRIAL
    assert not rig.last.urgent


def test_a_command_is_told_with_everything_the_shell_needs():
    # Supply, reason, kind, polarity, urgency: nothing else is asked of the state.
    rig = running(60).read(65, after_s=121)
    (switch,) = [e for e in rig.effects if isinstance(e, SwitchSupply)]
    assert switch.supply is Supply.OFF
    assert not switch.swapped
    assert isinstance(rig.effects[-1], WakeAt)


def test_the_reason_keeps_its_time():
    # `since` in the status is when the reason last changed.
    rig = running(60)
    since_ms = rig.state.reason_since_ms
    rig.steady(300)
    assert rig.state.reason_since_ms == since_ms
    rig.read(65, after_s=121)
    assert rig.state.reason_since_ms == rig.now_ms


def test_the_rules_have_a_version():
    # A log of another rules version replays as unproven.
    assert RULES_VERSION >= 1
    assert POLICY.marks is not None
