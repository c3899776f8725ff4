"""Levels of the rules at their numbers, one unit of the log to either side.

Numbers are re-typed from the design: floor 25 %, window 55 to 65 %, hot 45 °C, critical
60 °C. Each test is here because no other one told the two sides apart.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from support.core_rig import (
    DISCHARGING,
    HOUR_S,
    NO,
    OFF,
    ON,
    REMOTE,
    running,
    switched_off,
)
from tidegate.core.effects import Alarm, Kind, Reason


@pytest.mark.parametrize(("soc", "on"), [(30.0, True), (30.01, False)])
def test_the_low_mark_of_a_plan_is_five_over_the_floor_at_least(soc, on):
    # floor + 5 <= its low mark; a plan that asks for 20 to 60 % works from 30 %.
    rig = (
        switched_off(65)
        .plan((20.0, 60.0))
        .slide(31, over_s=8 * HOUR_S, every_s=120)
        .read(soc)
    )
    assert (rig.reason is Reason.AT_LOW_MARK) is on
    assert (rig.supply is ON) is on


@pytest.mark.parametrize(("first", "second"), [(62.4, 64.4), (64.4, 62.4)])
def test_two_degrees_apart_agree_whatever_binary_makes_of_them(first, second):
    # 64.4 - 62.4 is more than 2 in binary; "within 2 °C" is meant in decimal.
    assert 64.4 - 62.4 > 2
    rig = running(60).read(temp=first).read(temp=second, after_s=5)
    assert Alarm.BATTERY_CRITICAL_HEAT in rig.alarms


@pytest.mark.parametrize(("soc", "absent"), [(30.0, True), (30.01, False)])
def test_a_stuck_sensor_counts_as_absent_at_floor_and_five_only(soc, absent):
    # Identical for 60 min while 8 holds, and SoC at or under floor + 5.
    rig = running(60, obeys=True).reads(2, temp=46.0)
    rig.slide(soc, over_s=2 * HOUR_S, every_s=120, temp=46.0)
    assert (Alarm.TEMPERATURE_FROZEN in rig.alarms) is absent


def test_a_coast_begins_once_however_many_reads_fail():
    # With the first failed read after the off; its box is not moved by the next ones.
    rig = switched_off(65, REMOTE)
    box_s = rig.fail().state.latches.coast_box_ms / 1_000
    rig.fails(10, every_s=box_s / 11)
    assert rig.supply is OFF
    rig.fail(after_s=box_s / 11 + 1)
    assert rig.switched == ((ON, Reason.COAST_OVER),)


def test_a_trial_off_does_not_wait_for_dwell():
    # Row 7 obeys no dwell: its trial comes after the hour under a dwell of two, too.
    rig = running(65, dwell_on_ms=2 * HOUR_S * 1_000)
    due_lived_ms = rig.state.quiet.lived_ms + HOUR_S * 1_000
    rig.state = replace(
        rig.state,
        latches=replace(rig.state.latches, relay=Reason.RELAY_NO_EFFECT),
        drive=replace(rig.state.drive, trial_at_lived_ms=due_lived_ms),
    )
    assert rig.read(after_s=HOUR_S - 1).switched == ()
    assert rig.read(after_s=1).switched == ((OFF, Reason.RELAY_NO_EFFECT),)
    assert rig.last.kind is Kind.TRIAL


def test_an_on_that_is_said_again_does_not_restart_dwell():
    # Dwell restarts only when the commanded state changes.
    rig = running(60, dwell_on_ms=HOUR_S * 1_000)
    rig.read(60, after_s=HOUR_S / 2, power=NO, status=DISCHARGING)
    rig.wait(60)
    assert rig.switched == ((ON, Reason.SUPPLY_ABSENT),)
    rig.done().read(60).read(65, after_s=HOUR_S / 2)
    assert rig.switched == ((OFF, Reason.AT_HIGH_MARK),)
