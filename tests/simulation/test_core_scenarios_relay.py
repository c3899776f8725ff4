"""Relays that stick, fail, are wired wrong, or have a stranger's hand on them.

All worlds are invented. ``kept`` asks what must hold in each; each test adds the
sentence that it stands for.
"""

from __future__ import annotations

import pytest

from support.core_promises import kept
from support.core_world import Site, World, cut, policy
from tidegate.core.events import Proved
from tidegate.core.policy import HOUR_MS
from tidegate.core.reading import ExternalPower, Sample, Supply

pytestmark = pytest.mark.slow


def in_window(world: World, start: float, end: float) -> float:
    levels = world.levels(start, end)
    return sum(54.0 <= level <= 66.0 for level in levels) / len(levels)


def alarms(world: World) -> set[str]:
    return {alarm.value for alarm in world.state.alarms}


# --- stuck and failing ----------------------------------------------------------------------


def test_a_relay_stuck_for_an_hour_is_told_tried_and_comes_back() -> None:
    site = Site(soc_percent=64.0, relay=lambda hour, _: "lies" if hour < 1.2 else "ok")
    world = World(site, policy()).run(8)
    kept(world.steps)
    assert sorted(world.raised()) == ["overcharge_risk", "relay_no_effect"]
    assert not alarms(world)
    # Three offs, then nothing but the trial an hour later, which proves itself.
    offs = [hour for hour, call in world.commands() if call.supply is Supply.OFF]
    assert len([hour for hour in offs if hour < 1.3]) == 4
    # 24 % of charge in that time, and down again at 12 %/h.
    assert max(world.levels(0, 8)) < 90.0
    assert in_window(world, 3.3, 8) == 1.0


def test_a_relay_stuck_for_ever_is_tried_ever_less_often() -> None:
    world = World(Site(relay=lambda *_: "lies"), policy()).run(96)
    kept(world.steps)
    offs = [hour for hour, call in world.commands() if call.supply is Supply.OFF]
    # Three at first, then after 1, 2, 4, 8, 16, 24 and 24 hours.
    assert 8 <= len(offs) <= 11
    assert "overcharge_risk" in alarms(world)


def test_a_relay_stuck_open_for_half_an_hour_is_told_on_again_and_again() -> None:
    def stuck(hour: float, _: Supply) -> str:
        return "lies" if 1.2 <= hour < 2.4 else "ok"

    world = World(Site(relay=stuck), policy()).run(8)
    kept(world.steps)
    assert not world.deaths
    assert in_window(world, 5, 8) == 1.0


@pytest.mark.parametrize("does", ["fail", "moves"])
def test_a_relay_whose_calls_fail_for_hours_comes_back_into_the_window(
    does: str,
) -> None:
    site = Site(relay=lambda hour, _: does if 1 <= hour < 6 else "ok")
    world = World(site, policy()).run(14)
    kept(world.steps)
    assert not world.deaths
    assert "relay_failed" in world.raised()
    assert not alarms(world)
    assert in_window(world, 10, 14) == 1.0


def test_a_relay_that_fails_at_every_second_off_is_bounded() -> None:
    calls = [0]

    def second(_: float, supply: Supply) -> str:
        calls[0] += supply is Supply.OFF
        return "fail" if supply is Supply.OFF and calls[0] % 2 else "ok"

    world = World(Site(relay=second), policy()).run(24)
    kept(world.steps)
    assert in_window(world, 2, 24) > 0.9


def test_a_trial_in_an_outage_gives_no_licence_to_drain() -> None:
    # Stuck for the first hour; when the trial is due the mains is out, so the trial
    # can prove nothing. The low mark must still bring the supply back.
    site = Site(
        soc_percent=75.0,
        load=8.0,
        mains=lambda hour: not 1.0 <= hour < 1.6,
        relay=lambda hour, _: "lies" if hour < 0.9 else "ok",
    )
    world = World(site, policy()).run(16)
    kept(world.steps)
    assert not world.deaths
    assert min(world.levels(0, 16)) > 50.0
    assert in_window(world, 10, 16) == 1.0


def test_in_critical_heat_a_stuck_relay_is_no_reason_to_stop_being_told() -> None:
    site = Site(temperature_c=lambda hour: 62 + hour / 10, relay=lambda *_: "lies")
    world = World(site, policy()).run(0.5)
    kept(world.steps)
    assert len(world.commands("battery_critical_heat")) >= 3


# --- wiring ---------------------------------------------------------------------------------


@pytest.mark.parametrize("phase_ms", [0, 400, 7_300, 13_900])
def test_reversed_wiring_at_start_is_found_and_kept(phase_ms: int) -> None:
    site = Site(soc_percent=60.0, reversed_wiring=True, phase_ms=phase_ms)
    world = World(site, policy()).run(10)
    kept(world.steps)
    assert not world.deaths
    assert "relay_reversed" in world.raised()
    found = next(hour for hour, call in world.commands() if call.swapped)
    assert found < 0.25
    # A proven effect of a trial ends the rule, the polarity stays.
    assert not alarms(world)
    assert in_window(world, 4, 10) == 1.0
    assert world.state.drive.swapped


def test_reversed_wiring_outlives_a_restart_and_a_stop_uses_it() -> None:
    world = World(Site(reversed_wiring=True, phase_ms=400), policy()).run(6)
    world.start()
    world.run(4)
    kept(world.steps)
    assert all(call.swapped for hour, call in world.commands() if hour > 6)
    assert in_window(world, 7, 10) == 1.0


def test_reversed_wiring_during_an_outage_alternates_until_power_shows() -> None:
    site = Site(
        soc_percent=60.0,
        load=4.0,
        reversed_wiring=True,
        phase_ms=400,
        mains=lambda hour: not 3 <= hour < 6,
    )
    world = World(site, policy()).run(14)
    kept(world.steps)
    assert not world.deaths
    assert in_window(world, 11, 14) == 1.0


def test_wires_swapped_while_running_are_found_before_it_dies() -> None:
    def swap(hour: float, _: Supply) -> str:
        world.site.reversed_wiring = hour >= 2
        return "ok"

    world = World(Site(relay=swap, load=6.0), policy())
    world.run(20)
    kept(world.steps)
    assert not world.deaths
    assert "relay_reversed" in world.raised()
    assert in_window(world, 8, 20) == 1.0


def test_an_outage_at_start_is_not_taken_for_reversed_wiring() -> None:
    site = Site(soc_percent=90.0, mains=lambda hour: hour >= 4, phase_ms=400)
    world = World(site, policy()).run(10)
    kept(world.steps)
    assert not world.deaths
    assert "relay_reversed" not in world.raised()
    trials = [hour for hour, call in world.commands() if call.kind.value == "trial"]
    # After the third on, then 30 min and 2 h later.
    assert len(trials) == 3
    assert in_window(world, 7, 10) == 1.0


def test_dead_lock_wiring_is_never_told_off() -> None:
    rules = policy(host_is_device=True, fails_on=False)
    site = Site(
        soc_percent=90.0,
        normally_closed=False,
        temperature_c=lambda hour: 64 + hour / 10,
    )
    world = World(site, rules).run(3)
    kept(world.steps)
    assert [call.supply for _, call in world.commands()] == [Supply.ON]
    assert "dead_lock" in alarms(world)


def test_the_same_wiring_on_a_separate_host_is_an_alarm_only() -> None:
    world = World(Site(normally_closed=False), policy(fails_on=False)).run(4)
    kept(world.steps)
    assert alarms(world) == {"not_fail_on"}
    assert in_window(world, 1, 4) == 1.0


def test_a_relay_fed_by_its_own_supply_is_locked_out_after_two() -> None:
    site = Site(fed_by_supply=True)
    world = World(site, policy(can_read_back=True)).run(48)
    kept(world.steps)
    assert not world.deaths
    assert "relay_fed_by_supply" in alarms(world)
    offs = [hour for hour, call in world.commands() if call.supply is Supply.OFF]
    assert len(offs) <= 4


def test_a_lockout_ends_when_it_was_proved() -> None:
    world = World(Site(fed_by_supply=True), policy(can_read_back=True)).run(6)
    world.site.fed_by_supply = False
    world.relay_awake = True
    world.at(8, Proved())
    world.run(10)
    kept(world.steps)
    assert not alarms(world)
    assert in_window(world, 13, 16) == 1.0


def test_a_lockout_ends_after_its_time_lived() -> None:
    rules = policy(can_read_back=True, lockout_for_ms=10 * HOUR_MS)
    world = World(Site(fed_by_supply=True), rules).run(4)
    world.site.fed_by_supply = False
    world.relay_awake = True
    world.run(20)
    kept(world.steps)
    assert not alarms(world)
    assert in_window(world, 19, 24) == 1.0


# --- hands ----------------------------------------------------------------------------------


def test_a_brown_out_that_opens_the_contact_is_met_with_on() -> None:
    site = Site(hand=((0.1, False),), phase_ms=400)
    world = World(site, policy()).run(6)
    kept(world.steps)
    assert not world.deaths
    again = world.commands("supply_absent")
    assert again
    assert again[0][0] < 0.16
    assert in_window(world, 1, 6) == 1.0


@pytest.mark.parametrize("readback", [False, True])
def test_a_stranger_who_opens_it_six_times_an_hour_cannot_kill(readback: bool) -> None:
    hand = tuple((0.3 + number / 6, False) for number in range(24 * 6))
    world = World(Site(hand=hand), policy(can_read_back=readback)).run(26)
    kept(world.steps)
    assert not world.deaths
    assert min(world.levels(0, 26)) > 50.0
    assert not alarms(world) - {"relay_external_change"}


def test_a_stranger_who_closes_it_is_met_at_most_twice_an_hour() -> None:
    hand = tuple((0.3 + number / 6, True) for number in range(24 * 6))
    world = World(Site(hand=hand), policy()).run(32)
    kept(world.steps)
    met = [hour for hour, _ in world.commands("relay_external_change")]
    assert met
    for start in range(26):
        assert len([hour for hour in met if start <= hour < start + 1]) <= 3
    assert in_window(world, 29, 32) == 1.0


def test_a_relay_that_always_reports_off_is_told_on_with_a_back_off() -> None:
    # The contact is welded shut, the sensed contact reports open: nothing moves.
    class Reports(World):
        def _drive_is_on(self) -> bool:
            return False

    world = Reports(Site(relay=lambda *_: "lies"), policy(can_read_back=True)).run(6)
    kept(world.steps)
    again = [hour for hour, _ in world.commands("relay_external_change")]
    assert again
    last = [hour for hour in again if hour >= 4]
    # Once in five minutes in the end, not at every report.
    assert len(last) <= 26


# --- devices that die, and restarts ---------------------------------------------------------


@pytest.mark.parametrize("host_is_device", [True, False])
def test_a_worn_pack_that_dies_while_off_locks_out_after_two(
    host_is_device: bool,
) -> None:
    site = Site(dies_at_percent=58.0)
    world = World(site, policy(host_is_device=host_is_device)).run(30)
    kept(world.steps)
    assert len(world.deaths) == 2
    assert "only_source" in alarms(world)
    assert world.closed


def test_a_worn_pack_behind_the_switched_cable_locks_out_after_two() -> None:
    rules = policy(gauge_needs_supply=True)
    world = World(Site(dies_at_percent=58.0), rules).run(30)
    kept(world.steps, max_off_ms=2 * HOUR_MS)
    assert len(world.deaths) == 2
    assert "only_source" in alarms(world)


def test_a_device_that_is_restarted_by_people_is_not_locked_out() -> None:
    rules = policy(gauge_needs_supply=True)
    world = World(Site(), rules)
    for _ in range(3):
        world.run(20)
        while world.closed:
            world.run(0.05)
        # Somebody restarts the wall guide while it coasts, once a day.
        world.up_since_ms = world.true_ms + 1
        world.run(4)
    kept(world.steps, max_off_ms=2 * HOUR_MS)
    assert "only_source" not in world.raised()


def test_a_crash_of_the_daemon_alone_is_no_evidence() -> None:
    world = World(Site(), policy(host_is_device=True))
    for _ in range(6):
        world.run(1.3)
        world.start(was_closed=False)
    world.run(2)
    kept(world.steps)
    assert "only_source" not in world.raised()
    assert in_window(world, 1, 9) == 1.0


class Latched(World):
    """A relay that reads back its latch: whether the contact follows is unknown."""

    def _drive_is_on(self) -> bool:
        return self.state.drive.commanded is not Supply.OFF


@pytest.mark.parametrize("stuck", [False, True])
def test_a_restart_that_keeps_the_off_still_sees_whether_it_works(stuck: bool) -> None:
    site = Site(
        soc_percent=64.9,
        relay=lambda hour, supply: "lies" if stuck and hour < 4 else "ok",
    )
    world = Latched(site, policy(can_read_back=True))
    while not world.commands("at_high_mark"):
        world.run(0.01)
    world.run(0.004)
    world.start(was_closed=False)
    assert len(world.run(0.01).commands("start")) == 1
    assert world.state.drive.commanded is Supply.OFF
    world.run(28)
    kept(world.steps)
    assert ("relay_no_effect" in world.raised()) is stuck
    assert in_window(world, 24 if stuck else 1, 28) == 1.0


def test_a_stranger_is_seen_after_a_restart_that_kept_the_off() -> None:
    world = Latched(Site(soc_percent=64.9), policy(can_read_back=True))
    while world.closed:
        world.run(0.05)
    world.start(was_closed=False)
    world.run(0.05)
    assert world.state.drive.commanded is Supply.OFF
    world.closed = True
    world.run(8)
    kept(world.steps)
    assert "relay_external_change" in world.raised()
    assert in_window(world, 1, 8) == 1.0


def test_a_gauge_without_external_power_proves_by_the_status() -> None:
    def no_word(_: float, sample: Sample) -> Sample:
        return cut(sample, external_power=ExternalPower.UNKNOWN)

    world = World(Site(gauge=no_word), policy()).run(8)
    kept(world.steps)
    assert world.raised() == []
    assert in_window(world, 1, 8) == 1.0
