"""Did the supply follow? Proofs, verdicts, repeats, trials; each with its times.

``settle`` is 60 s and ``poll`` 30 s here, the defaults.
"""

from dataclasses import replace

import pytest

from support.core_rig import (
    CHARGING,
    DAY_S,
    DISCHARGING,
    FULL,
    HOLD,
    HOUR_S,
    NO,
    NOT_CHARGING,
    OFF,
    ON,
    REMOTE,
    STATUS_UNKNOWN,
    UNKNOWN,
    YES,
    Rig,
    running,
    switched_off,
)
from tidegate.core.effects import Alarm, Kind, Reason
from tidegate.core.events import SwitchingFailed, SwitchingSucceeded

STUCK = {"power": YES, "status": CHARGING}  # the contact does not move the supply
HIGH = ((OFF, Reason.AT_HIGH_MARK),)


def _told_off(power=YES, status=CHARGING, **fields) -> Rig:
    """Off by rule 13 carried out just now, with these facts before it."""
    rig = running(60, **fields).read(65, after_s=121, power=power, status=status)
    assert rig.switched == HIGH
    return rig.done()


# --- the proofs of an off -----------------------------------------------------------


PROOFS = [
    # before: power, status; after: SoC, power, status; verdict
    (YES, CHARGING, 65.0, NO, CHARGING, True),
    (YES, STATUS_UNKNOWN, 65.0, NO, STATUS_UNKNOWN, True),
    (YES, CHARGING, 65.0, YES, DISCHARGING, True),
    (YES, FULL, 65.0, YES, DISCHARGING, True),
    (UNKNOWN, CHARGING, 65.0, UNKNOWN, DISCHARGING, True),
    (UNKNOWN, NOT_CHARGING, 65.0, UNKNOWN, DISCHARGING, True),
    (YES, CHARGING, 63.0, YES, CHARGING, True),
    (UNKNOWN, STATUS_UNKNOWN, 63.0, UNKNOWN, STATUS_UNKNOWN, True),
    (YES, CHARGING, 63.01, YES, CHARGING, False),
    (YES, CHARGING, 65.0, UNKNOWN, NOT_CHARGING, False),
    (YES, DISCHARGING, 65.0, YES, DISCHARGING, False),
    (UNKNOWN, CHARGING, 65.0, UNKNOWN, CHARGING, False),
    (NO, DISCHARGING, 65.0, NO, DISCHARGING, None),
    (NO, DISCHARGING, 63.0, NO, DISCHARGING, None),
    (UNKNOWN, DISCHARGING, 65.0, UNKNOWN, DISCHARGING, None),
    (UNKNOWN, STATUS_UNKNOWN, 65.0, UNKNOWN, STATUS_UNKNOWN, None),
    (UNKNOWN, STATUS_UNKNOWN, 63.01, UNKNOWN, STATUS_UNKNOWN, None),
]


@pytest.mark.parametrize(
    ("power", "status", "soc", "power_2", "status_2", "seen"), PROOFS
)
def test_the_proofs_of_an_off(power, status, soc, power_2, status_2, seen):
    # Any one of: power no, status discharging, SoC down 2; where it could change.
    rig = _told_off(power, status)
    rig.read(soc, after_s=60, power=power_2, status=status_2)
    assert rig.verdicts == (seen,)


def test_a_proof_counts_at_once():
    # A proof needs no waiting; only its absence is judged after settle.
    rig = _told_off().read(after_s=1)
    assert rig.verdicts == (True,)
    assert rig.state.drive.ever_proven


def test_a_reading_of_before_the_outcome_proves_nothing():
    # The evidence must be younger than the outcome.
    rig = running(60).read(65, after_s=121)
    assert rig.read(after_s=30, power=NO).verdicts == ()
    assert rig.done().read(after_s=0, power=NO).verdicts == ()
    assert rig.read(after_s=0.001, power=NO).verdicts == (True,)


@pytest.mark.parametrize(("after_s", "verdicts"), [(59.999, ()), (60, (False,))])
def test_a_missing_effect_is_judged_settle_after_the_outcome(after_s, verdicts):
    # The verdict comes from the first trusted reading at least settle after it.
    rig = running(60).read(65, after_s=121).done(after_s=7)
    assert rig.soon_in_s == 60
    assert rig.read(after_s=after_s, **STUCK).verdicts == verdicts


def test_only_a_trusted_reading_judges():
    # Neither a miss nor a rejection is a verdict.
    rig = _told_off().fail(after_s=60).reject()
    assert rig.verdicts == ()
    assert rig.read(**STUCK).verdicts == (False,)


@pytest.mark.parametrize("late", [{"soc": 63.0, "power": UNKNOWN}])
def test_a_later_proof_while_off_still_counts(late):
    # Unconfirmed at settle, two points down an hour later.
    rig = _told_off(UNKNOWN, STATUS_UNKNOWN)
    rig.read(after_s=60, power=UNKNOWN, status=STATUS_UNKNOWN)
    assert rig.verdicts == (None,)
    rig.read(after_s=60, power=UNKNOWN, status=STATUS_UNKNOWN)
    assert rig.verdicts == ()
    rig.read(after_s=HOUR_S, status=STATUS_UNKNOWN, **late)
    assert rig.verdicts == (True,)


def test_an_off_with_the_mains_out_is_unconfirmed_and_no_fault():
    # It counts only where the fact could change; else no alarm, no repeat.
    rig = _told_off(NO, DISCHARGING).steady(HOUR_S, power=NO, status=DISCHARGING)
    assert rig.supply is OFF
    assert [c.supply for c in rig.commands].count(OFF) == 1
    assert rig.alarms == frozenset()


# --- a gauge fed by the supply ----------------------------------------------------------


@pytest.mark.parametrize(
    ("after_s", "verdicts"), [(120, (True,)), (120.001, ()), (1, (True,))]
)
def test_a_gauge_lost_with_its_supply_is_a_proof(after_s, verdicts):
    # Lost within settle + 2 polls of the outcome.
    rig = _told_off(policy=REMOTE).fail(after_s=after_s)
    assert rig.verdicts == verdicts


def test_the_loss_of_a_gauge_with_its_own_supply_proves_nothing():
    # Only for a gauge fed by the supply.
    assert _told_off().fail(after_s=30).verdicts == ()


def test_a_gauge_lost_while_the_mains_are_out_proves_nothing():
    # It counts only where the fact could change; else unconfirmed, no fault.
    rig = _told_off(NO, DISCHARGING, policy=REMOTE).fail()
    assert rig.verdicts == (None,)
    assert rig.alarms == frozenset()
    assert not rig.state.drive.ever_proven
    assert rig.fail().verdicts == ()


@pytest.mark.parametrize("case", ["on", "not done", "judged"])
def test_other_losses_of_the_gauge_prove_nothing(case):
    # No off carried out, or its verdict fell already.
    if case == "on":
        rig = running(60, REMOTE)
    elif case == "not done":
        rig = running(60, REMOTE).read(65, after_s=121)
    else:
        rig = _told_off(NO, DISCHARGING, policy=REMOTE)
        rig.read(after_s=60, power=NO, status=DISCHARGING)
        assert rig.verdicts == (None,)
    assert rig.fail().verdicts == ()


# --- offs without effect --------------------------------------------------------------


def test_an_off_without_effect_is_sent_three_times_in_all():
    # Judged after 1, 2 and 6 settle; then rule 7.
    rig = _told_off()
    for settles in (1, 2):
        rig.read(after_s=settles * 60 - 0.001, **STUCK)
        assert rig.verdicts == ()
        rig.read(after_s=0.001, **STUCK)
        assert rig.verdicts == (False,)
        assert rig.switched == HIGH
        assert rig.last.kind is Kind.REPEAT
        assert rig.done().soon_in_s == (120 if settles == 1 else 360)
    rig.read(after_s=359.999, **STUCK)
    assert rig.verdicts == ()
    rig.read(after_s=0.001, **STUCK)
    assert rig.verdicts == (False,)
    assert rig.switched == ((ON, Reason.RELAY_NO_EFFECT),)
    assert Alarm.RELAY_NO_EFFECT in rig.alarms


def test_a_second_try_that_works_ends_the_matter():
    # The second off is proven: no rule 7, the count starts anew.
    rig = _told_off().read(after_s=60, **STUCK).done().read(after_s=30)
    assert rig.verdicts == (True,)
    assert rig.alarms == frozenset()
    assert rig.supply is OFF


def test_no_repeat_of_an_off_when_the_table_wants_on():
    # The verdict falls while the on of the low mark waits for dwell: no second off.
    rig = running(64, dwell_off_ms=600_000).read(65, after_s=121).done()
    rig.plan((64, 90)).read(64, after_s=60, **STUCK)
    assert rig.verdicts == (False,)
    assert rig.switched == ()
    rig.wait(540)
    assert rig.switched == ((ON, Reason.AT_LOW_MARK),)


def test_an_off_by_another_rule_repeats_with_its_own_reason():
    # The repeat carries the reason of the off that it repeats.
    rig = running(60).reads(2, temp=46).done().read(after_s=60, temp=46, **STUCK)
    assert rig.switched == ((OFF, Reason.BATTERY_HOT),)


def test_a_repeat_that_failed_is_judged_like_one_without_effect():
    # The relay refuses the repeat: its verdict falls 2 settle later.
    rig = _told_off().read(after_s=60, **STUCK).refuse()
    assert rig.supply is OFF
    assert rig.read(after_s=120, **STUCK).verdicts == (False,)


def test_overcharge_is_told_while_rule_7_keeps_on():
    # Rule 7 floats the battery: above the high mark that is an alarm of its own.
    rig = _without_effect().read(65, **STUCK)
    assert Alarm.OVERCHARGE_RISK not in rig.alarms
    assert Alarm.OVERCHARGE_RISK in rig.read(65.01, **STUCK).alarms


# --- rule 7 and its trials ------------------------------------------------------------


def _without_effect(**fields) -> Rig:
    """Rule 7 in force: three offs without effect, on said again and carried out."""
    rig = _told_off(**fields)
    for settles in (1, 2, 6):
        rig.read(after_s=settles * 60, **STUCK).done()
    assert rig.reason is Reason.RELAY_NO_EFFECT
    assert rig.supply is ON
    return rig


def test_the_first_trial_comes_after_an_hour_when_a_lower_row_wants_off():
    # Rule 7: a trial off after 1 h, at a trusted reading, outside the budget.
    rig = _without_effect()
    spent = rig.state.drive.spent_lived_ms
    assert rig.read(after_s=HOUR_S - 0.001, **STUCK).switched == ()
    assert rig.wait(0.001).switched == ()
    assert rig.read(after_s=0, **STUCK).switched == ((OFF, Reason.RELAY_NO_EFFECT),)
    assert rig.last.kind is Kind.TRIAL
    assert rig.state.drive.spent_lived_ms == spent


def test_no_trial_while_no_lower_row_wants_off():
    # In the window there is nothing to try for.
    rig = _without_effect().read(60, after_s=121, **STUCK)
    assert rig.read(after_s=5 * HOUR_S, **STUCK).switched == ()


def test_no_trial_while_the_budget_refuses_the_off_that_it_is_for():
    # Row 10 is a lower row too.
    rig = _without_effect(per_hour=2).read(after_s=HOUR_S - 60, **STUCK)
    lived_ms = rig.state.quiet.lived_ms
    spent = replace(rig.state.drive, spent_lived_ms=(lived_ms,))
    rig.state = replace(rig.state, drive=spent)
    assert rig.read(after_s=HOUR_S - 0.001, **STUCK).switched == ()
    assert rig.read(after_s=0.001, **STUCK).last.kind is Kind.TRIAL


def test_the_wait_for_a_trial_counts_time_lived():
    # Half of the hour before a reboot, the rest of it after; not what lay between.
    rig = _without_effect().read(after_s=HOUR_S / 2, **STUCK)
    rig.now_ms += 9 * DAY_S * 1_000
    rig.start(same_boot=True).read(65, after_s=1, **STUCK).done()
    rig.read(after_s=HOUR_S / 2 - 1.001, **STUCK)
    assert rig.switched == ()
    assert rig.read(after_s=0.001, **STUCK).last.kind is Kind.TRIAL


def _trial(rig: Rig, wait_s: float) -> Rig:
    rig.read(after_s=wait_s - 0.001, **STUCK)
    assert rig.switched == ()
    rig.read(after_s=0.001, **STUCK)
    assert rig.last.kind is Kind.TRIAL
    assert rig.supply is OFF
    rig.done()
    assert rig.soon_in_s == 600
    assert rig.read(after_s=599.999, **STUCK).verdicts == ()
    assert rig.read(after_s=0.001, **STUCK).verdicts == (False,)
    assert rig.switched == ((ON, Reason.RELAY_NO_EFFECT),)
    return rig.done()


def test_trials_are_judged_for_ten_settle_and_double_up_to_a_day():
    # 1 h, 2 h, 4 h, 8 h, 16 h, 24 h, 24 h; the wait counts from the verdict.
    rig = _without_effect()
    for hours in (1, 2, 4, 8, 16, 24, 24):
        _trial(rig, hours * HOUR_S)
    assert Alarm.RELAY_NO_EFFECT in rig.alarms


def test_a_proven_trial_leaves_rule_7():
    # An effect seen: the alarm ends, the off stands, the waits start anew.
    rig = _without_effect().read(after_s=HOUR_S, **STUCK).done().read(after_s=30)
    assert rig.verdicts == (True,)
    assert rig.reason is Reason.AT_HIGH_MARK
    assert rig.supply is OFF
    assert rig.alarms == frozenset()
    assert rig.state.drive.trial_wait_ms == 0


def test_a_trial_that_can_show_nothing_ends():
    # Mains out during a trial: unconfirmed, on again, and tried after the same wait.
    away = {"power": NO, "status": DISCHARGING}
    rig = _without_effect().read(after_s=HOUR_S, **away)
    assert rig.last.kind is Kind.TRIAL
    rig.done().read(after_s=600, **away)
    assert rig.verdicts == (None,)
    assert rig.switched == ((ON, Reason.RELAY_NO_EFFECT),)
    rig.done().read(after_s=HOUR_S - 0.001, **STUCK)
    assert rig.supply is ON
    assert rig.read(after_s=0.001, **STUCK).last.kind is Kind.TRIAL


def test_a_trial_cut_short_comes_again_after_the_same_wait():
    # A rule above 7 ends a trial before its verdict.
    rig = _without_effect().read(after_s=HOUR_S, **STUCK).done()
    rig.reject(after_s=1).reject(after_s=1).reject(after_s=1)
    assert rig.switched == ((ON, Reason.GAUGE_IMPLAUSIBLE),)
    rig.done().reads(4, **STUCK)
    assert rig.reason is Reason.RELAY_NO_EFFECT
    rig.read(after_s=HOUR_S - 121, **STUCK)
    assert rig.supply is ON
    assert rig.read(after_s=10, **STUCK).last.kind is Kind.TRIAL


def test_critical_heat_switches_off_over_rule_7():
    # Rule 2 is above 7: its off is sent three times too.
    rig = _without_effect().read(temp=61, **STUCK).read(temp=61, **STUCK)
    assert rig.switched == ((OFF, Reason.BATTERY_CRITICAL_HEAT),)
    for settles in (1, 2, 6):
        rig.done().read(after_s=settles * 60, temp=61.0 + settles / 10, **STUCK)
        assert rig.verdicts == (False,)
    assert rig.supply is OFF


def test_rule_7_outlives_a_restart():
    # The latch is in the log; the waits of trials run on time lived.
    rig = _without_effect().reboot().read(65, after_s=1, **STUCK).done()
    rig.read(**STUCK)
    assert rig.reason is Reason.RELAY_NO_EFFECT
    assert rig.state.drive.trial_wait_ms == HOUR_S * 1_000


def test_where_no_proof_is_ever_possible_one_alarm_and_control_goes_on():
    # A gauge without power and status: unconfirmed offs, one alarm for all of them.
    blind = {"power": UNKNOWN, "status": STATUS_UNKNOWN}
    rig = Rig(obeys=True).start().read(60, after_s=1, **blind).steady(180, **blind)
    for _ in range(2):
        rig.read(65, after_s=121, **blind).reads(6, 64.9, **blind)
        assert rig.supply is OFF
        assert Alarm.EFFECT_UNPROVABLE in rig.alarms
        rig.state = _at(rig, 55.2)
        rig.read(55, after_s=121, **blind).reads(6, 55.1, **blind)
        assert rig.supply is ON
    assert len([t for t in rig.told if t.alarm is Alarm.EFFECT_UNPROVABLE]) == 1


def _at(rig: Rig, soc: float):
    """Put the level aside: the drop itself would be a proof."""
    pending = rig.state.drive.pending
    drive = replace(rig.state.drive, pending=replace(pending, soc_before_percent=soc))
    return replace(rig.state, drive=drive)


def test_a_proof_after_all_ends_the_alarm():
    # Two points down: now an effect is seen, and the alarm is over for good.
    blind = {"power": UNKNOWN, "status": STATUS_UNKNOWN}
    rig = Rig(obeys=True).start().read(60, after_s=1, **blind).steady(180, **blind)
    rig.read(65, after_s=121, **blind).reads(2, **blind)
    assert rig.alarms == {Alarm.EFFECT_UNPROVABLE}
    assert rig.read(63, **blind).alarms == frozenset()


# --- offs that failed -----------------------------------------------------------------


def test_an_off_that_failed_leaves_the_commanded_state_unchanged():
    # Commanded on, its dwell too; the alarm says that the relay failed.
    rig = running(60)
    since_ms = rig.state.drive.commanded_at_ms
    rig.read(65, after_s=121).refuse(after_s=2)
    assert rig.supply is ON
    assert rig.state.drive.commanded_at_ms == since_ms
    assert rig.alarms == {Alarm.RELAY_FAILED}


def test_a_failed_off_comes_again_after_one_minute_doubling_to_fifteen():
    # As DEVELOPERS.md reads it: 1, 2, 4, 8, 15, 15 min, each at a trusted reading.
    rig = running(60).read(65, after_s=121)
    for minutes in (1, 2, 4, 8, 15, 15):
        rig.refuse()
        assert rig.read(after_s=minutes * 60 - 0.001).switched == ()
        assert rig.wait(0.001).switched == ()
        assert rig.read(after_s=0).switched == HIGH
    rig.done().read()
    assert rig.alarms == frozenset()
    assert rig.state.drive.failed_offs == 0


def test_a_failure_of_an_older_off_changes_nothing():
    # The floor ordered on before the off was answered.
    rig = running(60).read(65, after_s=121).read(25, after_s=121)
    before = rig.state.drive
    off = rig.commands[-2]
    assert off.supply is OFF
    rig.send(SwitchingFailed(supply=OFF, kind="unavailable"))
    assert rig.state.drive == before


def test_an_off_that_was_dropped_for_another_off_does_not_fail_that_one():
    # An off that waits yields to what comes after it: an on, and an off again.
    rig = running(60).override(OFF).read(60)
    dropped_ms = rig.now_ms
    rig.override(ON, after_s=2).override(OFF, after_s=2).read(60, after_s=2)
    assert [command.supply for command in rig.commands[-3:]] == [OFF, ON, OFF]
    before = rig.state.drive
    rig.send(SwitchingFailed(supply=OFF, kind="dropped", told_at_ms=dropped_ms))
    assert rig.state.drive == before
    rig.send(SwitchingSucceeded(supply=OFF, told_at_ms=rig.now_ms))
    assert rig.state.drive.pending.done_at_ms == rig.now_ms


def test_a_gauge_that_went_with_its_data_line_proves_nothing():
    # A hub may drop the data and leave the supply on: one alarm, control goes on.
    rig = running(60, REMOTE, loss_is_proof=False).read(65, after_s=121).done().fail()
    assert rig.verdicts == (None,)
    assert rig.alarms == {Alarm.EFFECT_UNPROVABLE}
    assert not rig.state.drive.ever_proven


def test_a_success_of_an_older_command_judges_nothing():
    # Only the command under way gets a verdict.
    rig = running(60).read(65, after_s=121).read(25, after_s=121)
    rig.send(SwitchingSucceeded(supply=OFF))
    assert rig.soon_in_s is None
    assert rig.state.drive.pending.done_at_ms is None


# --- ons --------------------------------------------------------------------------


def _back_on() -> Rig:
    return switched_off(65).read(55, after_s=121).done()


@pytest.mark.parametrize(
    ("after_s", "says", "verdicts"),
    [
        (1, {"power": YES}, (True,)),
        (59.999, {"power": NO}, ()),
        (60, {"power": NO}, (False,)),
        (60, {"power": UNKNOWN, "status": CHARGING}, (True,)),
        (60, {"power": UNKNOWN, "status": FULL}, (True,)),
        (60, {"power": UNKNOWN, "status": DISCHARGING}, (False,)),
        (60, {"power": UNKNOWN, "status": STATUS_UNKNOWN}, (None,)),
    ],
)
def test_the_effect_of_an_on(after_s, says, verdicts):
    # Power comes back: at once; what is missing is judged settle after the outcome.
    assert _back_on().read(after_s=after_s, **says).verdicts == verdicts


def _away(rig: Rig, for_s: float = 60, **says) -> Rig:
    """The supply goes away while on is commanded, for a while."""
    says = says or {"power": NO, "status": DISCHARGING}
    rig.read(**says)
    return rig.wait(for_s)


@pytest.mark.parametrize(
    ("says", "absent"),
    [
        ({"power": NO, "status": DISCHARGING}, True),
        ({"power": NO, "status": NOT_CHARGING}, True),
        ({"power": UNKNOWN, "status": DISCHARGING}, True),
        ({"power": UNKNOWN, "status": STATUS_UNKNOWN}, False),
        ({"power": YES, "status": DISCHARGING}, False),
    ],
)
def test_what_an_absent_supply_looks_like(says, absent):
    # External power no, or unknown with status discharging.
    rig = _away(running(60), 60, **says)
    assert (Alarm.SUPPLY_ABSENT in rig.alarms) is absent
    assert rig.switched == (((ON, Reason.SUPPLY_ABSENT),) if absent else ())


@pytest.mark.parametrize(("for_s", "absent"), [(59.999, False), (60, True)])
def test_a_supply_is_absent_after_settle(for_s, absent):
    # For settle, whenever it begins; the core asked to be woken then.
    rig = running(60).read(power=NO, status=DISCHARGING)
    assert rig.wake_in_s == 60
    assert (Alarm.SUPPLY_ABSENT in rig.wait(for_s).alarms) is absent


def test_a_supply_is_absent_under_a_hold_too():
    # External power no for settle while on is commanded, whatever proves an off.
    rig = _away(running(59, HOLD), power=NO, status=DISCHARGING)
    assert rig.switched == ((ON, Reason.SUPPLY_ABSENT),)


def test_a_gap_shorter_than_settle_is_no_absence():
    # Power seen in between: the time starts again.
    rig = running(60).read(power=NO).read(power=YES).read(power=NO).wait(59)
    assert Alarm.SUPPLY_ABSENT not in rig.alarms


def test_on_is_sent_again_ten_seconds_doubling_to_five_minutes_for_ever():
    # At once, then after 10, 20, 40, 80, 160, 300, 300 s; outside the budget.
    rig = _away(running(60))
    times = []
    for _ in range(9):
        assert rig.switched == ((ON, Reason.SUPPLY_ABSENT),)
        assert rig.last.kind is Kind.REPEAT
        rig.done()
        times.append(rig.wake_in_s)
        rig.wait(rig.wake_in_s - 0.001)
        assert rig.switched == ()
        rig.wait(0.001)
    assert times == [10, 20, 40, 80, 160, 300, 300, 300, 300]
    assert rig.state.drive.spent_lived_ms == ()


def test_power_that_comes_back_ends_the_repeats():
    # The alarm ends by itself, and the next absence starts with short waits.
    rig = _away(running(60)).done().wait(10).done().read(power=YES)
    assert rig.alarms == frozenset()
    assert rig.wait(HOUR_S).switched == ()
    rig = _away(rig).done()
    assert rig.wake_in_s == 10


def test_no_repeat_while_the_last_on_is_not_answered():
    # Relay calls are serialised: one on at a time.
    rig = _away(running(60))
    assert rig.wait(600).switched == ()
    assert rig.done().switched == ((ON, Reason.SUPPLY_ABSENT),)


def test_an_absent_supply_at_the_floor_will_kill_the_device():
    # Nothing more can be done than to say so.
    rig = running(60).read(25, after_s=121, power=NO, status=DISCHARGING).wait(60)
    assert rig.alarms >= {Alarm.DEVICE_WILL_DIE, Alarm.SUPPLY_ABSENT, Alarm.BELOW_FLOOR}


def test_mains_out_at_the_low_mark_comes_back_by_itself():
    # The on at the low mark brings nothing until the mains are back.
    rig = switched_off(65, obeys=True).read(55, after_s=121)
    rig.slide(54, over_s=600, power=NO, status=DISCHARGING)
    assert Alarm.SUPPLY_ABSENT in rig.alarms
    rig.read(power=YES, status=CHARGING)
    assert rig.alarms == frozenset()
    assert rig.supply is ON


def test_an_on_that_failed_is_sent_again_with_an_alarm():
    # Fail to on: 10 s doubling to 5 min, for ever.
    rig = switched_off(65).read(55, after_s=121)
    times = []
    for _ in range(8):
        rig.refuse()
        assert Alarm.RELAY_FAILED in rig.alarms
        wait_s = (rig.state.drive.repeat_at_ms - rig.now_ms) / 1_000
        times.append(wait_s)
        assert rig.wake_in_s <= wait_s
        rig.wait(wait_s - 0.001)
        assert rig.switched == ()
        rig.wait(0.001)
        assert rig.switched == ((ON, Reason.RELAY_FAILED),)
    assert times == [10, 20, 40, 80, 160, 300, 300, 300]
    assert Alarm.RELAY_FAILED not in rig.done().alarms
    assert rig.read().wait(DAY_S).switched == ()


def test_a_failed_on_that_is_not_the_last_command_still_repeats():
    # The first on failed, another is under way: its answer ends the matter.
    rig = running(60).read(65, after_s=121)
    rig.send(SwitchingFailed(supply=ON, kind="unavailable"))
    assert rig.state.drive.pending.supply is OFF
    assert Alarm.RELAY_FAILED in rig.alarms


def test_an_off_that_is_carried_out_ends_the_alarm_of_a_failed_on():
    # The relay takes commands again, whichever it took.
    rig = running(60).read(64, status=DISCHARGING, power=NO, after_s=1)
    rig.read(after_s=61).refuse()
    assert Alarm.RELAY_FAILED in rig.alarms
    rig.read(65, power=YES, status=CHARGING, after_s=600)
    assert rig.last.supply is OFF
    assert Alarm.RELAY_FAILED not in rig.done().alarms
