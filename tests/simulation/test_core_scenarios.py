"""The window, heat, cold, the floor and the mains: each a world of a few days.

All worlds are invented; their numbers are choices. What must hold in every one is
asked by ``kept``; each test adds the sentence that it stands for.
"""

from __future__ import annotations

import pytest

from support.core_promises import kept
from support.core_world import Site, World, cut, policy
from tidegate.core.events import (
    OverridePlaced,
    OverrideReleased,
    PlanChanged,
    Stopping,
)
from tidegate.core.policy import HOUR_MS, Marks, Proof
from tidegate.core.reading import BatteryStatus, Supply


def in_window(world: World, start: float, end: float) -> float:
    levels = world.levels(start, end)
    return sum(54.0 <= level <= 66.0 for level in levels) / len(levels)


# --- the window -------------------------------------------------------------------------


def test_a_full_day_stays_in_the_window_and_in_the_budget() -> None:
    world = World(Site(load=12.0, net_charge=20.0), policy()).run(30)
    kept(world.steps)
    assert in_window(world, 1, 30) == 1.0
    # 9 points (whole percents are rounded) down at 12 %/h and up at 20 %/h: 72 minutes
    # a cycle, two switchings in each; reading every 30 s makes a cycle a little longer.
    a_day = [hour for hour, _ in world.commands() if 4 <= hour < 28]
    assert 38 <= len(a_day) <= 40
    assert "relay_budget" not in world.raised()
    assert world.raised() == []


@pytest.mark.parametrize(("load", "net_charge"), [(60.0, 60.0), (120.0, 40.0)])
def test_a_load_that_asks_for_more_switchings_meets_the_budget(
    load: float, net_charge: float
) -> None:
    world = World(Site(load=load, net_charge=net_charge), policy()).run(36)
    kept(world.steps)
    assert not world.deaths
    assert "relay_budget" in world.raised()
    ordinary = world.commands("at_high_mark", "at_low_mark")
    assert len([hour for hour, _ in ordinary if 12 <= hour < 36]) <= 48
    # It refuses offs only: the level rises above the window, never under it.
    assert min(world.levels(1, 36)) > 45.0
    # The refusal ends: the last hours hold offs again.
    assert [hour for hour, _ in world.commands("at_high_mark") if hour > 33]


def test_a_start_above_the_window_comes_down_into_it() -> None:
    world = World(Site(soc_percent=100.0), policy()).run(8)
    kept(world.steps)
    # 35 points at 12 %/h are under three hours.
    assert in_window(world, 3.1, 8) == 1.0


def test_a_planned_rise_lifts_the_window_and_ends() -> None:
    world = World(Site(), policy())
    rise = Marks(low_percent=80.0, high_percent=90.0)
    world.at(2, PlanChanged(marks=rise))
    world.at(8, PlanChanged(marks=None))
    world.run(14)
    kept(world.steps)
    assert all(79.0 <= level <= 91.0 for level in world.levels(4.5, 8))
    assert in_window(world, 11, 14) == 1.0


def test_an_override_on_charges_and_its_end_brings_the_window_back() -> None:
    world = World(Site(), policy())
    until_ms = world.now_ms + 6 * HOUR_MS
    world.at(
        1,
        OverridePlaced(supply=Supply.ON, until_ms=until_ms, because="visit", by="test"),
    )
    world.run(14)
    kept(world.steps)
    assert max(world.levels(5, 6)) == 100.0
    assert in_window(world, 9.5, 14) == 1.0


def test_an_override_off_ends_at_the_floor_and_says_so() -> None:
    world = World(Site(), policy())
    order = OverridePlaced(
        supply=Supply.OFF, until_ms=world.now_ms + 24 * HOUR_MS, because="x", by="test"
    )
    world.at(0.5, order)
    world.run(12)
    kept(world.steps)
    assert min(world.levels(0, 12)) > 24.0
    assert "override_ended" in world.raised()
    assert world.state.override is None
    # From the floor at 20 %/h the low mark is 1.5 h away; an old order stays ended.
    assert in_window(world, 6, 12) == 1.0


def test_overrides_back_and_forth_cannot_wear_the_relay_out() -> None:
    world = World(Site(load=2.0, net_charge=2.0), policy())
    for number in range(140):
        hour = 0.2 + number * 0.1
        until_ms = world.now_ms + 24 * HOUR_MS
        event: OverridePlaced | OverrideReleased
        if number % 7 == 6:
            event = OverrideReleased(by="test")
        else:
            wanted = Supply.OFF if number % 2 else Supply.ON
            event = OverridePlaced(
                supply=wanted, until_ms=until_ms, because="x", by="test"
            )
        world.at(hour, event)
    world.run(15)
    kept(world.steps)
    assert len(world.commands("override")) <= 48


def test_a_hold_keeps_one_level_without_cycling() -> None:
    rules = policy(
        marks=Marks(low_percent=58.0, high_percent=60.0),
        hold=True,
        proof=Proof.CHARGING,
        host_is_device=True,
    )
    world = World(Site(soc_percent=50.0), rules).run(48)
    kept(world.steps)
    assert not world.deaths
    assert all(59.0 <= level <= 61.0 for level in world.levels(1, 48))
    assert len(world.commands()) <= 3
    assert world.raised() == []


def test_a_hold_cannot_lower_a_level_and_says_so_after_a_day() -> None:
    rules = policy(
        marks=Marks(low_percent=58.0, high_percent=60.0),
        hold=True,
        proof=Proof.CHARGING,
    )
    world = World(Site(soc_percent=90.0), rules).run(26)
    kept(world.steps)
    assert world.raised() == ["above_window"]


def test_a_firmware_that_lifts_the_inhibit_is_met_at_every_reading() -> None:
    rules = policy(
        marks=Marks(low_percent=58.0, high_percent=60.0),
        hold=True,
        proof=Proof.CHARGING,
    )
    # Ten seconds after each poll from the first hour on the firmware charges again.
    hand = tuple((1 + number * 30 / 3600 + 11 / 3600, True) for number in range(240))
    world = World(Site(soc_percent=59.6, net_charge=6.0, hand=hand), rules).run(5)
    met = world.commands("relay_external_change")
    # One off for each reading that shows it charging, not two an hour.
    assert len(met) >= 200
    assert max(world.levels(0, 5)) < 70.0
    assert "relay_external_change" in world.raised()
    assert "relay_no_effect" not in world.raised()


# --- heat and cold ------------------------------------------------------------------------


def test_hot_at_the_floor_lives_between_floor_and_ten_above() -> None:
    site = Site(temperature_c=lambda hour: 48.0 if 1 <= hour < 12 else 25.0)
    world = World(site, policy()).run(18)
    kept(world.steps)
    assert not world.deaths
    assert min(world.levels(0, 18)) > 24.0
    assert max(world.levels(6, 12)) < 37.0
    assert "battery_hot" in world.raised()
    assert in_window(world, 14.5, 18) == 1.0


def test_heat_at_the_mark_of_hot_does_not_chatter() -> None:
    # One degree about the mark, back and forth within minutes.
    site = Site(temperature_c=lambda hour: 45.0 + (1.5 if int(hour * 10) % 2 else -1.5))
    world = World(site, policy()).run(12)
    kept(world.steps)
    assert not world.deaths
    assert len(world.commands()) <= 24


def test_critical_heat_is_off_even_at_the_floor_and_ends() -> None:
    site = Site(
        soc_percent=30.0,
        temperature_c=lambda hour: 61.0 + hour if 0.2 <= hour < 0.8 else 30.0,
    )
    world = World(site, policy()).run(6)
    kept(world.steps)
    offs = world.commands("battery_critical_heat")
    assert offs
    assert offs[0][0] < 0.25
    assert min(world.levels(0, 6)) > 20.0
    assert in_window(world, 3.2, 6) == 1.0


def test_a_stuck_sensor_at_62_degrees_does_not_kill() -> None:
    def stuck(hour: float, sample):  # type: ignore[no-untyped-def]
        return cut(sample, temperature_c=62.0) if hour >= 1 else sample

    world = World(Site(gauge=stuck), policy()).run(24)
    kept(world.steps)
    assert not world.deaths
    assert "temperature_frozen" in world.raised()
    assert min(world.levels(0, 24)) > 15.0
    assert in_window(world, 9, 24) == 1.0


def test_a_sensor_that_vanishes_in_heat_is_no_reason_to_stay_off() -> None:
    def vanishes(hour: float, sample):  # type: ignore[no-untyped-def]
        return cut(sample, temperature_c=None) if hour >= 1 else sample

    site = Site(temperature_c=lambda _: 63.0, gauge=vanishes)
    world = World(site, policy()).run(12)
    kept(world.steps)
    assert not world.deaths
    assert in_window(world, 4, 12) == 1.0


def test_cold_with_a_charger_that_refuses_stays_alive_on_the_supply() -> None:
    def frost(hour: float) -> bool:
        return 1 <= hour < 20

    site = Site(
        temperature_c=lambda hour: -6.0 if frost(hour) else 15.0,
        charger_refuses=frost,
    )
    world = World(site, policy()).run(26)
    kept(world.steps)
    assert not world.deaths
    assert min(world.levels(0, 26)) > 24.0
    assert in_window(world, 22, 26) == 1.0
    assert len(world.commands()) <= 30


def test_cold_with_a_charger_that_charges_all_the_same_is_switched_off() -> None:
    site = Site(temperature_c=lambda hour: -6.0 if 1 <= hour < 10 else 15.0)
    world = World(site, policy()).run(16)
    kept(world.steps)
    assert not world.deaths
    assert world.commands("battery_cold")
    assert max(world.levels(5, 10)) < 37.0
    assert in_window(world, 12.5, 16) == 1.0


# --- mains ----------------------------------------------------------------------------


def test_mains_out_at_the_low_mark_is_told_and_ends_by_itself() -> None:
    # The level meets the low mark 25 minutes in; the mains went a minute before.
    site = Site(mains=lambda hour: not 0.4 <= hour < 1.9)
    world = World(site, policy()).run(6)
    kept(world.steps)
    assert not world.deaths
    assert "supply_absent" in world.raised()
    assert in_window(world, 4, 6) == 1.0
    assert "supply_absent" not in {alarm.value for alarm in world.state.alarms}


@pytest.mark.parametrize("host_is_device", [True, False])
def test_mains_out_until_flat_comes_back_with_the_mains(host_is_device: bool) -> None:
    site = Site(mains=lambda hour: not 1 <= hour < 9)
    world = World(site, policy(host_is_device=host_is_device)).run(16)
    kept(world.steps)
    assert len(world.deaths) == 1
    assert "device_will_die" in world.raised()
    assert in_window(world, 12.5, 16) == 1.0


def test_an_off_in_an_outage_with_a_stuck_contact_does_not_float_for_ever() -> None:
    # At the high mark while the mains is out: no proof is possible. The contact is
    # stuck, so the supply is there again with the mains although off is commanded.
    site = Site(
        soc_percent=66.0,
        load=3.0,
        mains=lambda hour: hour >= 0.5,
        relay=lambda hour, _: "lies" if hour < 3 else "ok",
    )
    world = World(site, policy()).run(30)
    kept(world.steps)
    assert {"relay_external_change", "relay_no_effect"} & set(world.raised())
    assert in_window(world, 22, 30) == 1.0


def test_a_supply_that_comes_and_goes_does_not_wear_the_relay() -> None:
    site = Site(mains=lambda hour: int(hour * 20) % 3 != 0)
    world = World(site, policy()).run(24)
    kept(world.steps)
    assert not world.deaths
    assert world.operations <= 96


# --- people and the clock -----------------------------------------------------------------


def test_a_wall_clock_set_back_300_days_changes_nothing() -> None:
    steps = ((2.0, -300 * 24 * HOUR_MS), (5.0, 300 * 24 * HOUR_MS))
    calm = World(Site(), policy()).run(8)
    stepped = World(Site(wall_steps=steps), policy()).run(8)
    kept(stepped.steps)
    walls = [
        one.event.reading.wall_ms
        for one in stepped.steps
        if hasattr(one.event, "reading")
    ]
    assert min(walls) < walls[0] - 299 * 24 * HOUR_MS
    assert stepped.commands() == calm.commands()


def test_after_a_stop_the_supply_is_on() -> None:
    world = World(Site(soc_percent=80.0), policy())
    world.at(1, Stopping())
    world.run(1.5)
    kept(world.steps)
    last = world.commands()[-1][1]
    assert (last.supply, last.reason.value) == (Supply.ON, "stop")


def test_a_stop_in_critical_heat_is_on_too() -> None:
    world = World(Site(temperature_c=lambda hour: 63 + hour / 10), policy())
    world.at(1, Stopping())
    world.run(1.2)
    kept(world.steps)
    assert world.commands("battery_critical_heat")
    assert world.closed


def test_suspend_makes_nothing_stale_and_no_leap_a_jump() -> None:
    site = Site(suspends=((1.0, 1.5), (5.0, 0.5)))
    world = World(site, policy()).run(12)
    kept(world.steps)
    assert not {"gauge_lost", "gauge_implausible"} & set(world.raised())
    assert in_window(world, 8, 12) == 1.0


@pytest.mark.parametrize("temperature_c", [48.0, 63.0])
def test_suspend_in_heat_is_no_reason_for_an_on(temperature_c: float) -> None:
    # Asleep for two hours at a wall in the sun: awake, it is as hot as before.
    site = Site(
        soc_percent=55.4,
        load=3.0,
        net_charge=2.0,
        temperature_c=lambda hour: temperature_c,
        suspends=((0.5, 2.0),),
    )
    world = World(site, policy()).run(2.6)
    kept(world.steps)
    assert not [
        call
        for hour, call in world.commands()
        if hour > 0.2 and call.supply is Supply.ON
    ]


def test_no_battery_keeps_the_supply_on() -> None:
    def taken_out(hour: float, sample):  # type: ignore[no-untyped-def]
        if not 1 <= hour < 3:
            return sample
        return cut(sample, present=False, battery_status=BatteryStatus.UNKNOWN)

    world = World(Site(soc_percent=80.0, gauge=taken_out), policy()).run(8)
    kept(world.steps)
    assert "no_battery" in world.raised()
    assert all(one.closed for one in world.between(1.1, 3.1))
    assert in_window(world, 6.5, 8) == 1.0


def test_a_station_without_a_battery_by_its_settings_is_never_off() -> None:
    world = World(Site(soc_percent=90.0), policy(fitted=False)).run(4)
    kept(world.steps)
    assert all(one.closed for one in world.steps)
