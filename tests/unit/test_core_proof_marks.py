"""What proves an off and what does not, and which commands wait for a reading.

Rules are re-typed from the design (3.2, 3.3). Each test is here because no other one
told the sound rule from a wrong one.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from support.core_rig import (
    CHARGING,
    DISCHARGING,
    HOLD,
    HOUR_S,
    NO,
    NOT_CHARGING,
    OFF,
    ON,
    REMOTE,
    YES,
    Rig,
    running,
    switched_off,
)
from tidegate.core.effects import Alarm, Kind, Reason

STUCK = {"power": YES, "status": CHARGING}


def test_two_points_more_are_no_proof_of_an_off():
    # SoC *down* 2 points; a level that rises shows that the supply is still there.
    rig = running(63).read(65, after_s=121).done().read(67, after_s=60, **STUCK)
    assert rig.verdicts == (False,)


def test_a_hold_on_a_battery_that_did_not_charge_is_unconfirmed():
    # It counts only where the fact could change: charging stopped, and it was charging.
    rig = running(59, HOLD).read(60, power=YES, status=NOT_CHARGING).done()
    rig.read(after_s=60, power=YES, status=NOT_CHARGING)
    assert rig.verdicts == (None,)


def _without_effect(soc: float) -> Rig:
    """Rule 7 in force, its trial due in an hour."""
    rig = running(soc)
    due_lived_ms = rig.state.quiet.lived_ms + HOUR_S * 1_000
    rig.state = replace(
        rig.state,
        latches=replace(rig.state.latches, relay=Reason.RELAY_NO_EFFECT),
        drive=replace(rig.state.drive, trial_at_lived_ms=due_lived_ms),
    )
    return rig


def test_heat_is_a_lower_row_that_wants_a_trial():
    # A trial off when a lower row wants off: 8 is the first of them.
    rig = _without_effect(60).reads(2, temp=46)
    assert rig.read(after_s=HOUR_S - 61, temp=46).switched == ()
    assert rig.read(after_s=1, temp=46).switched == ((OFF, Reason.RELAY_NO_EFFECT),)
    assert rig.last.kind is Kind.TRIAL


def test_an_off_of_critical_heat_that_failed_is_tried_again_by_a_timer():
    # No timer causes an off of 8, 9, 11 or 13; rule 2 waits for no reading.
    rig = running(60).reads(2, temp=61).refuse()
    assert rig.wait(59.999).switched == ()
    assert rig.wait(0.001).switched == ((OFF, Reason.BATTERY_CRITICAL_HEAT),)


def test_an_off_for_another_relay_waits_for_a_reading():
    # The new contact was never told; no event but a trusted reading says an off again.
    rig = switched_off(65).settings(relay_changed=True)
    assert rig.switched == ()
    assert rig.wait(30).fail().reject().switched == ()
    assert rig.read().switched == ((OFF, Reason.AT_HIGH_MARK),)


@pytest.mark.parametrize("needs_supply", [True, False])
def test_an_on_is_said_again_while_a_gauge_elsewhere_stays_away(needs_supply):
    # Its loss may be that of the supply, or of a device that is flat for want of it:
    # 10 s after it is lost, then doubling.
    rig = running(60, REMOTE, gauge_needs_supply=needs_supply, obeys=True).fails(6)
    assert rig.reason is Reason.GAUGE_LOST
    assert rig.last.kind is Kind.REPEAT
    told = len(rig.commands)
    assert len(rig.wait(9.999).commands) == told
    assert rig.wait(0.001).switched == ((ON, Reason.GAUGE_LOST),)
    assert rig.wait(19.999).switched == ()
    assert rig.wait(0.001).switched == ((ON, Reason.GAUGE_LOST),)


@pytest.mark.parametrize(
    ("needs_supply", "most_s"), [(True, 300), (False, 1800)], ids=["cable", "elsewhere"]
)
def test_the_wait_for_a_gauge_that_stays_away_has_an_end(needs_supply, most_s):
    # It may stay away for weeks, and each repeat costs the log's disk two commits.
    rig = running(60, REMOTE, gauge_needs_supply=needs_supply, obeys=True).fails(6)
    for _ in range(12):
        rig.wait(most_s)
    told = len(rig.commands)
    assert len(rig.wait(most_s - 0.001).commands) == told
    assert len(rig.wait(0.001).commands) == told + 1


def test_a_supply_that_is_absent_does_not_wait_as_long_as_a_gauge_that_was_away():
    # 30 min for the gauge, 5 min for the supply, counted from the last on.
    rig = running(60, REMOTE, gauge_needs_supply=False, obeys=True).fails(6)
    for _ in range(12):
        rig.wait(1800)
    while not rig.wait(1).switched:
        pass
    rig.wait(60)
    rig.reads(8, power=NO, status=DISCHARGING)
    assert Alarm.SUPPLY_ABSENT in rig.alarms
    said = [each for each in rig.commands if each.reason is Reason.SUPPLY_ABSENT]
    rig.wait(300)
    after = [each for each in rig.commands if each.reason is Reason.SUPPLY_ABSENT]
    assert len(after) > len(said)


def test_an_on_is_not_said_again_where_the_gauge_is_of_this_very_machine():
    # It runs, so it has its supply or its charge.
    rig = running(60, obeys=True).fails(6)
    assert rig.reason is Reason.GAUGE_LOST
    assert rig.wait(600).switched == ()


def test_an_off_said_again_is_no_observation_of_the_polarity():
    # A stranger's on by the relay's own word, unseen by the gauge; the power that comes
    # after the repeated off came by that hand, not by the wrong way round.
    rig = switched_off(65).said("on").read()
    assert rig.switched == ((OFF, Reason.RELAY_EXTERNAL_CHANGE),)
    rig.done().read(after_s=60, **STUCK)
    assert rig.verdicts == (None,)
    assert rig.state.drive.wrong_ways == 0


def test_power_that_does_not_feed_the_battery_is_no_strangers_hand():
    # External power yes with a battery that discharges: nothing came.
    rig = switched_off(65).read(power=YES, status=DISCHARGING)
    assert rig.alarms == frozenset()
    assert rig.read(power=NO, status=DISCHARGING).alarms == frozenset()
    assert Alarm.RELAY_EXTERNAL_CHANGE in rig.read(**STUCK).alarms
