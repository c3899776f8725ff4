"""Rules 2, 8 and 9, and a temperature that never moves: both sides of each edge.

Hot, critical and cold are 45, 60 and 0 °C here, the defaults.
"""

import pytest

from support.core_rig import (
    CHARGING,
    HOUR_S,
    NOT_CHARGING,
    OFF,
    ON,
    Rig,
    running,
)
from tidegate.core.effects import Alarm, Reason


def _critical(rig: Rig) -> bool:
    assert (Alarm.BATTERY_CRITICAL_HEAT in rig.alarms) is rig.state.latches.critical
    return rig.state.latches.critical


def _hot(rig: Rig) -> bool:
    hot = rig.state.latches.hot_since_ms is not None
    assert (Alarm.BATTERY_HOT in rig.alarms) is hot
    return hot


def _cold(rig: Rig) -> bool:
    cold = rig.state.latches.cold_since_ms is not None
    assert (Alarm.BATTERY_COLD in rig.alarms) is cold
    return cold


# --- rule 2 -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("first", "second", "after_s", "enters"),
    [
        (60.0, 60.0, 5, True),
        (60.0, 60.0, 4.999, False),
        (59.999, 60.0, 30, False),
        (60.0, 59.999, 30, False),
        (60.0, 62.0, 5, True),
        (60.0, 62.001, 5, False),
        (62.0, 60.0, 5, True),
        (62.001, 60.0, 5, False),
    ],
)
def test_critical_heat_is_confirmed(first, second, after_s, enters):
    # At or above critical; a second reading >= 5 s later agrees within 2 °C.
    rig = running(60, hot_c=90.0).read(temp=first).read(temp=second, after_s=after_s)
    assert _critical(rig) is enters
    assert rig.switched == (((OFF, Reason.BATTERY_CRITICAL_HEAT),) if enters else ())


def test_the_core_asks_for_the_confirming_reading():
    # It asks with "read soon", 5 s after the first.
    assert running(60).read(temp=60).soon_in_s == 5


def test_a_heat_that_runs_away_from_its_mark_is_marked_anew():
    # 60, 63, 63: the third confirms the second.
    rig = running(60).read(temp=60).read(temp=63, after_s=5)
    assert rig.soon_in_s == 5
    assert _critical(rig.read(temp=63, after_s=5))


def test_an_untrusted_heat_neither_marks_nor_confirms():
    # Only trusted readings count for heat.
    rig = running(60).read(temp=61).reject(temp=61)
    assert not _critical(rig)
    assert _critical(rig.read(temp=61))


@pytest.mark.parametrize(("temp", "leaves"), [(55.001, False), (55.0, True)])
def test_critical_heat_leaves_five_under_it_at_once(temp, leaves):
    # A trusted reading 5 °C under it; no confirmation, no dwell.
    rig = running(60).reads(2, temp=60).done()
    assert _critical(rig.read(temp=temp)) is not leaves


@pytest.mark.parametrize(("after_s", "leaves"), [(1_799.999, False), (1_800, True)])
def test_critical_heat_leaves_without_temperature_for_heat_hold(after_s, leaves):
    # Or no trusted temperature for heat_hold (30 min); a timer may end it.
    rig = running(60).reads(2, temp=60).done()
    assert rig.wake_in_s is not None
    rig.reads(3, temp=None).reject(temp=60)
    rig.wait(after_s - 120)
    assert _critical(rig) is not leaves


def test_critical_heat_is_off_at_the_floor_too():
    # Rule 2 is over rule 5: the one exception to "fail to on".
    rig = running(60).reads(2, temp=60).done().read(20, temp=60, after_s=121)
    assert rig.supply is OFF
    assert rig.alarms >= {Alarm.BATTERY_CRITICAL_HEAT, Alarm.BELOW_FLOOR}
    assert rig.read(temp=55).switched == ((ON, Reason.BELOW_FLOOR),)


# --- rule 8 -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("first", "second", "after_s", "enters"),
    [
        (45.0, 45.0, 5, True),
        (45.0, 45.0, 4.999, False),
        (44.999, 45.0, 30, False),
        (45.0, 44.999, 30, False),
        (45.0, 47.0, 5, True),
        (45.0, 47.001, 5, False),
    ],
)
def test_hot_is_confirmed(first, second, after_s, enters):
    # At or above hot; a second reading >= 5 s later agrees within 2 °C.
    rig = running(60).read(temp=first)
    assert rig.soon_in_s == (5 if first >= 45 else None)
    rig.read(temp=second, after_s=after_s)
    assert _hot(rig) is enters
    assert rig.switched == (((OFF, Reason.BATTERY_HOT),) if enters else ())


def _made_hot() -> Rig:
    return running(60).reads(2, temp=45).done()


@pytest.mark.parametrize(("temp", "leaves"), [(42.0, True), (42.001, False)])
def test_hot_leaves_three_under_it(temp, leaves):
    # 3 °C under it, confirmed by a second reading 5 s later.
    rig = _made_hot().reads(60, temp=44).read(temp=temp)
    assert _hot(rig)
    assert (rig.soon_in_s == 5) is leaves
    assert _hot(rig.read(temp=temp, after_s=5)) is not leaves


@pytest.mark.parametrize(
    ("second", "after_s", "leaves"),
    [(42.0, 4.999, False), (40.0, 5, True), (39.999, 5, False), (43.0, 5, False)],
)
def test_the_cooling_is_confirmed(second, after_s, leaves):
    # The second cool reading is at least 5 s later and within 2 °C.
    rig = _made_hot().reads(60, temp=44).read(temp=42)
    assert _hot(rig.read(temp=second, after_s=after_s)) is not leaves


@pytest.mark.parametrize(("missing_s", "leaves"), [(0.001, False), (0, True)])
def test_hot_stays_half_an_hour(missing_s, leaves):
    # At least 30 min after entry, however cool it is by then.
    rig = _made_hot().reads(59, temp=25).read(temp=25, after_s=30 - missing_s)
    assert _hot(rig)
    assert _hot(rig.read(temp=25, after_s=5)) is not leaves


@pytest.mark.parametrize(("missing_s", "leaves"), [(0.001, False), (0, True)])
def test_hot_leaves_without_temperature_for_stale_after(missing_s, leaves):
    # Or no trusted temperature for stale_after (3 min), with an alarm.
    rig = _made_hot().reads(5, temp=None).wait(30 - missing_s)
    assert _hot(rig) is not leaves
    assert (Alarm.TEMPERATURE_ABSENT in rig.alarms) is leaves


def test_the_core_asks_to_be_woken_for_the_missing_temperature():
    # The leave by time needs a wake-up when the gauge is silent.
    rig = _made_hot().wait(179)
    assert rig.wake_in_s == 1


def test_a_temperature_that_comes_back_ends_its_alarm():
    # The alarm lasts as long as the temperature is away.
    rig = _made_hot().reads(6, temp=None)
    assert Alarm.TEMPERATURE_ABSENT in rig.alarms
    assert Alarm.TEMPERATURE_ABSENT not in rig.read(temp=25).alarms


def test_a_gauge_without_temperature_never_alarms():
    # A gauge that never gave a temperature is no fault; there is nothing to guard.
    assert running(60).steady(2 * HOUR_S, temp=None).alarms == frozenset()


def test_hot_gives_way_to_the_floor_and_takes_over_again():
    # Hot at the floor: on up to floor + 10, then off again for heat, with dwell.
    rig = _made_hot().read(25, temp=46, after_s=121)
    assert rig.switched == ((ON, Reason.BELOW_FLOOR),)
    rig.done().read(30, temp=46, after_s=121).read(35, temp=46, after_s=121)
    assert rig.switched == ((OFF, Reason.BATTERY_HOT),)


# --- rule 9 -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("temp", "soc", "status", "enters"),
    [
        (0.0, 60.0, CHARGING, True),
        (0.001, 60.0, CHARGING, False),
        (0.0, 60.0, NOT_CHARGING, False),
        (0.0, 60.01, NOT_CHARGING, True),
        (0.0, 59.99, NOT_CHARGING, False),
        (-5.0, 60.0, CHARGING, True),
    ],
)
def test_cold_and_charging(temp, soc, status, enters):
    # At or under cold and the battery is charging: by status, or SoC rising.
    rig = running(60).read(soc, temp=temp, status=status)
    assert _cold(rig) is enters
    assert rig.switched == (((OFF, Reason.BATTERY_COLD),) if enters else ())


def _made_cold() -> Rig:
    return running(60).read(temp=0).done()


@pytest.mark.parametrize(("temp", "leaves"), [(3.0, True), (2.999, False)])
def test_cold_leaves_three_over_it_confirmed(temp, leaves):
    # 3 °C over it, confirmed by a second reading.
    rig = _made_cold().reads(60, temp=1).read(temp=temp)
    assert _cold(rig)
    assert (rig.soon_in_s == 5) is leaves
    assert _cold(rig.read(temp=temp, after_s=5)) is not leaves


@pytest.mark.parametrize(("missing_s", "leaves"), [(0.001, False), (0, True)])
def test_cold_stays_half_an_hour(missing_s, leaves):
    # At least 30 min after entry.
    rig = _made_cold().reads(59, temp=10).read(temp=10, after_s=30 - missing_s)
    assert _cold(rig)
    assert _cold(rig.read(temp=10, after_s=5)) is not leaves


def test_cold_does_not_leave_for_want_of_a_temperature():
    # Row 9 has no such leave; the floor ends the off.
    rig = _made_cold().reads(60, temp=None)
    assert _cold(rig)
    assert rig.read(25, temp=None, after_s=121).switched == ((ON, Reason.BELOW_FLOOR),)


def test_a_charger_that_refuses_in_the_cold_is_left_alone():
    # Not charging at -10 °C: nothing to protect, the supply keeps the device up.
    rig = running(60).steady(HOUR_S, temp=-10, status=NOT_CHARGING)
    assert rig.supply is ON
    assert rig.alarms == frozenset()


# --- a sensor that sticks -----------------------------------------------------------


def _stuck(for_s, soc, temp=62.0) -> Rig:
    """Hot or critical for a while by readings that never move, then at a level."""
    rig = running(60).reads(2, temp=temp).done()
    return rig.reads(for_s // 120 - 1, every_s=120, temp=temp).read(
        soc, temp=temp, after_s=121 if soc < 60 else 120
    )


@pytest.mark.parametrize(
    ("for_s", "soc", "frozen"),
    [(3_600, 30.0, True), (3_600, 30.01, False), (3_480, 30.0, False)],
)
@pytest.mark.parametrize("temp", [62.0, 46.0])
def test_a_temperature_that_sticks_near_the_floor(for_s, soc, frozen, temp):
    # Identical for 60 min while 2 or 8 holds, and SoC at or under floor + 5.
    rig = _stuck(for_s, soc, temp)
    assert (Alarm.TEMPERATURE_FROZEN in rig.alarms) is frozen


def test_a_stuck_temperature_counts_as_absent():
    # Rule 2 leaves after heat_hold without it; the kiosk is charged again.
    rig = _stuck(3_600, 30).reads(13, 29, every_s=120, temp=62)
    assert rig.supply is OFF
    assert rig.read(temp=62, after_s=120).supply is ON
    assert Alarm.BATTERY_CRITICAL_HEAT not in rig.alarms
    assert Alarm.TEMPERATURE_FROZEN in rig.alarms


def test_a_stuck_temperature_is_believed_when_it_moves():
    # It counts as absent until it moves; then it must be confirmed like any other.
    rig = _stuck(3_600, 30).reads(20, every_s=120, temp=62)
    assert not _critical(rig)
    rig.read(temp=61.9)
    assert Alarm.TEMPERATURE_FROZEN not in rig.alarms
    assert _critical(rig.read(temp=61.9, after_s=5))


def test_a_moving_temperature_is_never_frozen():
    # One move starts the hour again.
    rig = _stuck(1_800, 30).read(temp=61.9).reads(29, every_s=120, temp=61.9)
    rig.read(30, temp=61.9, after_s=119)
    assert Alarm.TEMPERATURE_FROZEN not in rig.alarms
    rig.read(30, temp=61.9, after_s=1)
    assert Alarm.TEMPERATURE_FROZEN in rig.alarms


def test_outside_heat_a_temperature_may_rest():
    # In rules 2 and 8 alone does it matter.
    rig = running(30).steady(3 * HOUR_S, every_s=600, temp=44.0)
    assert Alarm.TEMPERATURE_FROZEN not in rig.alarms
