"""Gauges that lie, jump, freeze, go blind or hang on the switched cable.

All worlds are invented. ``kept`` asks what must hold in each; each test adds the
sentence that it stands for.
"""

from __future__ import annotations

import pytest

from support.core_promises import kept
from support.core_world import Site, World, cut, policy
from tidegate.core.effects import Kind
from tidegate.core.events import OverridePlaced
from tidegate.core.policy import HOUR_MS
from tidegate.core.reading import BatteryStatus, ExternalPower, Sample, Supply, WhyNot

pytestmark = pytest.mark.slow


def in_window(world: World, start: float, end: float) -> float:
    levels = world.levels(start, end)
    return sum(54.0 <= level <= 66.0 for level in levels) / len(levels)


def polls(hour: float) -> int:
    return round(hour * 120)


# --- jumps and rejections -----------------------------------------------------------------


def test_60_70_60_70_is_implausible_and_charges_until_it_ends() -> None:
    reads = [0]

    def jumps(hour: float, sample: Sample) -> Sample:
        if not 2 <= hour < 4:
            return sample
        reads[0] += 1
        return cut(sample, soc_percent=70.0 if reads[0] % 2 else 60.0)

    world = World(Site(gauge=jumps), policy()).run(12)
    kept(world.steps)
    assert not world.deaths
    assert world.raised().count("gauge_implausible") == 1
    assert all(one.closed for one in world.between(2.3, 4))
    # At most full by then, and 35 points at 12 %/h down: the window within 3 hours.
    assert in_window(world, 7.1, 12) == 1.0


def test_one_jump_is_set_aside_and_changes_nothing() -> None:
    def glitch(hour: float, sample: Sample) -> Sample:
        once = 100 <= polls(hour) < 101
        return cut(sample, soc_percent=99.0) if once else sample

    world = World(Site(gauge=glitch), policy()).run(3)
    calm = World(Site(), policy()).run(3)
    kept(world.steps)
    assert world.raised() == []
    assert world.commands() == calm.commands()


def test_a_jump_to_the_floor_is_believed_at_once_and_costs_a_charge_only() -> None:
    def glitch(hour: float, sample: Sample) -> Sample:
        once = 60 <= polls(hour) < 61
        return cut(sample, soc_percent=11.0) if once else sample

    world = World(Site(soc_percent=64.0, gauge=glitch), policy()).run(8)
    kept(world.steps)
    assert world.commands("below_floor")
    assert "below_floor" not in {alarm.value for alarm in world.state.alarms}
    assert in_window(world, 1.5, 8) == 1.0


def test_alternate_failed_and_rejected_reads_are_a_lost_gauge() -> None:
    def both(hour: float, sample: Sample) -> Sample | None:
        if not 1 <= hour < 6:
            return sample
        return None if polls(hour) % 2 else cut(sample, soc_percent=180.0)

    world = World(Site(soc_percent=70.0, gauge=both), policy()).run(12)
    kept(world.steps)
    assert not world.deaths
    assert "gauge_lost" in world.raised()
    assert "gauge_implausible" not in world.raised()
    assert all(one.closed for one in world.between(1.1, 6))
    assert in_window(world, 9.1, 12) == 1.0


def test_a_gauge_that_knows_that_its_updates_stopped_is_not_trusted() -> None:
    def stopped(hour: float, sample: Sample) -> Sample:
        return cut(sample, claims=WhyNot.UPDATES_STOPPED) if 1 <= hour < 3 else sample

    world = World(Site(soc_percent=70.0, gauge=stopped), policy()).run(8)
    kept(world.steps)
    assert "gauge_implausible" in world.raised()
    assert in_window(world, 6.2, 8) == 1.0


# --- blind --------------------------------------------------------------------------------


@pytest.mark.parametrize("goes_blind_at", [0.0, 1.0])
def test_a_blind_gauge_that_never_returns_leaves_the_supply_on(
    goes_blind_at: float,
) -> None:
    def blind(hour: float, sample: Sample) -> Sample | None:
        return sample if hour < goes_blind_at else None

    world = World(Site(soc_percent=70.0, gauge=blind), policy()).run(30)
    kept(world.steps)
    assert not world.deaths
    assert all(one.closed for one in world.between(goes_blind_at + 0.2, 30))
    assert "gauge_lost" in world.raised()
    assert len([each for _, each in world.commands() if each.kind is Kind.CHANGE]) <= 3
    # The device may be flat: on is said again, every half an hour at last.
    assert 60 <= len(world.commands()) <= 75


def test_a_gauge_that_comes_and_goes_stays_in_the_budget() -> None:
    def flaps(hour: float, sample: Sample) -> Sample | None:
        # Six minutes there, five minutes gone.
        return sample if (hour * 60) % 11 < 6 else None

    world = World(Site(soc_percent=80.0, gauge=flaps), policy()).run(30)
    kept(world.steps)
    assert not world.deaths
    assert world.operations <= 100


def test_a_short_loss_of_the_gauge_is_no_fault() -> None:
    def gap(hour: float, sample: Sample) -> Sample | None:
        return None if 1.0 <= hour < 1.03 else sample

    world = World(Site(gauge=gap), policy()).run(4)
    kept(world.steps)
    assert world.raised() == []


# --- frozen -------------------------------------------------------------------------------


def test_a_frozen_level_after_a_quiet_weekend_is_found_before_it_kills() -> None:
    # A quiet day at 1 %/h teaches a small slope; then, with the supply off, the level
    # freezes and the load is sixteen times as much.
    frozen: list[float] = []

    def freezes(hour: float, sample: Sample) -> Sample:
        off = sample.battery_status is BatteryStatus.DISCHARGING
        if hour >= 24 and off and not frozen:
            frozen.append(sample.soc_percent or 0.0)
        if not frozen:
            return sample
        world.site.load = 16.0
        return cut(sample, soc_percent=frozen[0]) if hour < 30 else sample

    world = World(Site(soc_percent=64.0, load=1.0, gauge=freezes), policy())
    world.run(40)
    kept(world.steps)
    assert not world.deaths
    assert "gauge_frozen" in world.raised()
    assert min(world.levels(24, 40)) > 25.0
    assert in_window(world, 34, 40) == 1.0


def test_a_quiet_weekend_is_taken_for_frozen_and_monday_ends_it() -> None:
    # Asleep at 0.3 %/h the level stands still for hours, which nobody can tell from
    # a gauge that froze: each forced charge lifts the level by a point or two.
    world = World(Site(soc_percent=64.0, load=0.3), policy()).run(48)
    kept(world.steps)
    assert "gauge_frozen" in world.raised()
    assert len(world.commands()) <= 48
    world.site.load = 12.0
    world.run(8)
    assert in_window(world, 52, 56) == 1.0


def test_at_one_percent_an_hour_nothing_is_taken_for_frozen() -> None:
    world = World(Site(soc_percent=64.0, load=1.0), policy()).run(24)
    kept(world.steps)
    assert world.raised() == []


def test_a_gauge_that_freezes_whole_while_charging_is_found() -> None:
    held: list[Sample] = []

    def freezes(hour: float, sample: Sample) -> Sample:
        if not 2 <= hour < 10:
            return sample
        if not held:
            held.append(
                cut(
                    sample,
                    soc_percent=60.0,
                    battery_status=BatteryStatus.CHARGING,
                    external_power=ExternalPower.YES,
                )
            )
        return held[0]

    world = World(Site(gauge=freezes), policy()).run(16)
    kept(world.steps)
    assert not world.deaths
    assert "gauge_frozen" in world.raised()
    assert in_window(world, 13.2, 16) == 1.0


def test_a_gauge_frozen_for_ever_does_not_kill() -> None:
    def freezes(hour: float, sample: Sample) -> Sample:
        if hour < 1:
            return sample
        power, status = ExternalPower.NO, BatteryStatus.DISCHARGING
        if sample.external_power is ExternalPower.YES:
            power, status = ExternalPower.YES, BatteryStatus.NOT_CHARGING
        return cut(
            sample,
            soc_percent=66.0,
            voltage_v=3.94,
            external_power=power,
            battery_status=status,
        )

    world = World(Site(gauge=freezes, load=16.0), policy()).run(80)
    kept(world.steps)
    assert not world.deaths
    assert min(world.levels(1, 80)) > 25.0


def test_external_power_that_always_reads_yes_is_no_stranger_and_no_stuck_relay() -> (
    None
):
    def sticky(_: float, sample: Sample) -> Sample:
        return cut(sample, external_power=ExternalPower.YES)

    world = World(Site(gauge=sticky), policy()).run(12)
    kept(world.steps)
    assert world.raised() == []
    assert in_window(world, 1, 12) == 1.0


def test_external_power_that_always_reads_no_keeps_the_window() -> None:
    def sticky(_: float, sample: Sample) -> Sample:
        return cut(sample, external_power=ExternalPower.NO)

    world = World(Site(gauge=sticky, phase_ms=700), policy()).run(12)
    kept(world.steps)
    assert in_window(world, 1, 12) == 1.0
    assert world.raised().count("supply_absent") >= 1
    assert "relay_reversed" not in world.raised()


def test_a_gauge_that_tells_neither_power_nor_status_still_keeps_the_window() -> None:
    def mute(_: float, sample: Sample) -> Sample:
        return cut(
            sample,
            external_power=ExternalPower.UNKNOWN,
            battery_status=BatteryStatus.UNKNOWN,
        )

    world = World(Site(gauge=mute), policy()).run(12)
    kept(world.steps)
    assert in_window(world, 1, 12) == 1.0
    assert world.raised().count("effect_unprovable") <= 1


# --- a gauge behind the switched cable ----------------------------------------------------


@pytest.mark.parametrize("load", [5.0, 12.0, 25.0])
def test_coasting_for_days_learns_how_long_an_off_may_be(load: float) -> None:
    rules = policy(gauge_needs_supply=True)
    world = World(Site(load=load), rules).run(72)
    kept(world.steps, max_off_ms=2 * HOUR_MS)
    assert not world.deaths
    assert not {"gauge_lost", "relay_no_effect"} & set(world.raised())
    assert world.commands("coast_over")
    # The first coast is blind to the load; the later ones know it.
    assert min(world.levels(12, 72)) > 52.0
    # Three minutes of dwell on a charger that is fast for its load.
    assert max(world.levels(12, 72)) < 69.0


def test_a_gauge_that_wakes_up_with_nonsense_teaches_nothing() -> None:
    # For half a minute after each coast it says 0 or 99 %: neither a steep slope nor
    # a long box may come of it, else it floats for two weeks, or dies.
    seen = {"hour": 0.0}

    def wakes(hour: float, sample: Sample) -> Sample:
        gap, seen["hour"] = hour - seen["hour"], hour
        if gap > 0.1 and hour < 24:
            return cut(sample, soc_percent=99.0 if int(hour) % 2 else 30.0)
        return sample

    rules = policy(gauge_needs_supply=True)
    world = World(Site(gauge=wakes), rules).run(48)
    kept(world.steps, max_off_ms=2 * HOUR_MS)
    assert not world.deaths
    assert max(rate for _, rate in world.state.watch.slope_days) < 16.0
    assert min(world.levels(26, 48)) > 52.0
    assert max(world.levels(26, 48)) < 69.0


def test_a_level_that_leaps_before_a_coast_gives_no_long_box() -> None:
    # Twice the same nonsense is believed, and the supply goes off at 30 %.
    def leaps(hour: float, sample: Sample) -> Sample:
        return cut(sample, soc_percent=99.0) if 0.10 <= hour < 0.115 else sample

    rules = policy(gauge_needs_supply=True)
    world = World(Site(soc_percent=30.0, load=18.0, gauge=leaps), rules).run(10)
    kept(world.steps, max_off_ms=2 * HOUR_MS)
    assert not world.deaths
    assert min(world.levels(0, 10)) > 15.0


def test_a_contact_that_sticks_at_the_end_of_a_coast_is_told_on_again() -> None:
    def stuck(hour: float, supply: Supply) -> str:
        return "lies" if supply is Supply.ON and 1 <= hour < 3 else "ok"

    rules = policy(gauge_needs_supply=True)
    world = World(Site(relay=stuck, load=8.0), rules).run(12)
    kept(world.steps, max_off_ms=2 * HOUR_MS)
    assert not world.deaths
    assert min(world.levels(0, 12)) > 35.0
    assert max(world.levels(9, 12)) < 69.0


def test_an_override_off_with_a_coasting_gauge_cannot_kill() -> None:
    rules = policy(gauge_needs_supply=True)
    world = World(Site(load=18.0), rules)
    until_ms = world.now_ms + 24 * HOUR_MS
    order = OverridePlaced(supply=Supply.OFF, until_ms=until_ms, because="x", by="test")
    world.at(1, order)
    world.run(32)
    kept(world.steps, max_off_ms=2 * HOUR_MS)
    assert not world.deaths
    # Half of the day's budget is used: an off may come two points late.
    assert min(world.levels(28.5, 32)) > 54.0
    assert max(world.levels(28.5, 32)) < 69.0


def test_critical_heat_with_a_coasting_gauge_ends_by_its_hold() -> None:
    site = Site(temperature_c=lambda hour: 62 + hour if 0.08 <= hour < 0.2 else 40)
    world = World(site, policy(gauge_needs_supply=True)).run(6)
    kept(world.steps, max_off_ms=2 * HOUR_MS)
    assert world.commands("battery_critical_heat")
    assert not world.deaths
    assert max(world.levels(3, 6)) < 67.0


def test_a_coasting_gauge_that_stays_away_is_lost_after_the_on() -> None:
    def away(hour: float, sample: Sample) -> Sample | None:
        return None if 2 <= hour < 9 else sample

    world = World(Site(gauge=away), policy(gauge_needs_supply=True)).run(16)
    kept(world.steps, max_off_ms=2 * HOUR_MS)
    assert not world.deaths
    assert "gauge_lost" in world.raised()
    assert "gauge_lost" not in {alarm.value for alarm in world.state.alarms}
    assert max(world.levels(14, 16)) < 67.0
