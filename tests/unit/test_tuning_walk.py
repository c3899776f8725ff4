"""Walks that end badly or not at all: weak supplies, holds, kernel relays, frozen gauges.

Times and levels are worked out by hand beside each case; all devices are invented.
"""

from __future__ import annotations

from dataclasses import replace
from math import inf

import pytest

from support.tuned_device import candidate, device, hold, museum_load, policy
from tidegate.core.policy import MINUTE_MS, Proof
from tidegate.tuning.compare import compare, with_sigma
from tidegate.tuning.constraints import Constraints, Rule, missed
from tidegate.tuning.course import course
from tidegate.tuning.device import Capacity, Source
from tidegate.tuning.paths import Line
from tidegate.tuning.reach import autonomy_h, fed_levels, recovery_h
from tidegate.tuning.site import LAID_H, Site
from tidegate.tuning.week import week

KERNEL = policy(proof=Proof.CHARGING)
# 12 points an hour from 9 to 17 o'clock, 2 else; a supply of 7.14 lacks 4.86 then.
DAY = [12.0 if 9 <= hour % 24 < 17 else 2.0 for hour in range(168)]
WEAK = [7.14 - each for each in DAY]


def one(known, way, rules=None, **more):
    (found,) = compare(known, rules or policy(), [way], can_hold=True, **more)
    return found


# --- what never comes -----------------------------------------------------------------


def test_what_has_gone_by_at_the_end_of_all_times():
    line = Line([1.0] * 168, 168)
    assert line.at(inf) == line.at(168) == 168


@pytest.mark.parametrize("lacks", [0.3, 0.005])
def test_a_hold_whose_off_outlasts_the_year_is_walked(lacks):
    """One hour a week falls by 0.3 or 0.005 points: 2 points take 7 weeks, or years."""
    rise = [8.0] * 168
    rise[10] = -lacks
    found = one(device(5.0, rise), hold(60))
    assert found.switchings_per_year == 0
    # It never settles, so the first charge from 58 to 60 % counts too.
    assert found.efc_per_year < 52.2 * lacks / 100 + 0.01
    assert 58 < found.mean_soc_percent <= 60
    assert found.lowest_percent == pytest.approx(58 - lacks)


def test_a_window_whose_load_is_next_to_nothing_is_walked():
    found = one(device(0.0001, 20.0), candidate(40, 80))
    assert found.mean_soc_percent == pytest.approx(80, abs=1)


def test_a_way_back_of_most_of_the_year():
    """30 points at 0.0032 an hour are 9,375 h, of 9,408 that are laid out."""
    site = Site(device(5.0, 0.0032))
    back_h = recovery_h(site, from_percent=25, to_percent=55)
    assert back_h == inf, "begun on a Sunday it ends beyond"
    quicker = Site(device(5.0, 30 / (LAID_H - 168.5)))
    assert recovery_h(quicker, from_percent=25, to_percent=55) == pytest.approx(
        LAID_H - 168.5
    )


# --- a supply that some hours outrun --------------------------------------------------


def test_how_low_it_may_be_while_fed():
    """Eight hours at 4.86 take 38.9 points, from wherever it is at 9 o'clock."""
    site = Site(device(DAY, WEAK))
    levels = fed_levels(site, 70.0)
    assert min(levels) == pytest.approx(70 - 8 * 4.86)
    assert levels[9] == levels[168 - 15] == 70
    assert levels[17] == pytest.approx(min(levels))
    # Up again by 5.14 an hour.
    assert levels[20] == pytest.approx(min(levels) + 3 * 5.14)
    assert min(fed_levels(site, 30.0)) == 0
    assert fed_levels(Site(device(5.0, 10.0)), 55.0) == [55.0] * 169


def test_it_never_lies_lower_than_told():
    """Whatever the window, no point of a walk lies under what is told of it."""
    known = device(DAY, WEAK)
    for low, high in ((66, 71), (66, 80), (55, 75), (40, 60)):
        found = one(known, candidate(low, high))
        walked = course(Site(known), candidate(low, high), policy())
        assert found.lowest_percent <= min(walked.stays.turns) + 1e-9


def test_a_charge_under_the_floor_while_fed_excludes_a_candidate():
    known = device(DAY, WEAK)
    asked = Constraints(autonomy_h=0, relay_life_years=0)
    low, lower, enough = (
        one(known, candidate(*each)) for each in ((50, 55), (63, 75), (64, 75))
    )
    assert low.is_carried
    assert list(missed(low, asked)) == [Rule.FLOOR_WHILE_FED]
    assert list(missed(lower, asked)) == [Rule.FLOOR_WHILE_FED]
    # 64 - 38.9 are 25.1 %.
    assert list(missed(enough, asked)) == []
    held = one(known, hold(60))
    assert list(missed(held, Constraints(autonomy_h=0, can_hold=True))) == [
        Rule.FLOOR_WHILE_FED
    ]
    assert low.autonomy_h == 0


def test_autonomy_begins_where_the_battery_is_by_that_hour():
    """From 9 to 17 o'clock it falls from 70 to 31.1 % fed, and 12 an hour without.

    From 31.1 % on 6.1 points last 3 h at 2 an hour; mains that fail a while before do
    the harm, as going by minutes shows.
    """
    known = device(DAY, WEAK)
    found = one(known, candidate(70, 80))
    stepped = []
    for start in range(24 * 60):
        hour, level = start / 60, 70.0
        if 9 <= hour < 17:
            level -= 4.86 * (hour - 9)
        elif hour >= 17:
            level = min(70.0, 70 - 38.88 + 5.14 * (hour - 17))
        minute = start
        while level > 25:
            level -= DAY[minute // 60 % 24] / 60
            minute += 1
        stepped.append((minute - start) / 60)
    assert found.autonomy_h == pytest.approx(min(stepped), abs=0.03)
    assert found.autonomy_mean_h == pytest.approx(sum(stepped) / len(stepped), rel=0.02)
    # From the low mark alone it would be 45 points at 12 an hour.
    plain, _ = autonomy_h(Site(device(DAY, 10.0)), from_percent=70, to_percent=25)
    assert plain == pytest.approx(45 / 12)


def test_how_sure_autonomy_is_counts_what_falls_while_fed():
    """Half a point an hour more or less fed, for hours, and as much without supply."""
    known = device(DAY, WEAK, sigma=0.5)
    found = with_sigma(one(known, candidate(70, 80)), known, policy())
    only_load = device(DAY, WEAK, sigma=0.5)
    steady = device(DAY, WEAK)
    only_load = replace(only_load, rise=steady.rise, rise_mean=steady.rise_mean)
    less = with_sigma(one(only_load, candidate(70, 80)), only_load, policy())
    assert found.sigma["autonomy_h"] > 3 * less.sigma["autonomy_h"]


def test_a_dwell_that_leads_under_the_low_mark_costs_autonomy():
    """Half an hour at 12 points takes 6 of a window that is 5 wide."""
    known = device(12.0, 20.0)
    slow = candidate(40, 45, dwell_off_ms=60 * MINUTE_MS)
    found = one(known, slow)
    assert found.lowest_percent == pytest.approx(45 - 12)
    assert found.autonomy_h == pytest.approx((45 - 12 - 25) / 12)
    quick = one(known, candidate(40, 45))
    assert quick.autonomy_h == pytest.approx(15 / 12)


def test_the_rule_of_supplies_in_ampere():
    """7 Ah: 0.5 A are 7.14 points an hour, 2 A more than the charger takes."""
    known = device(
        DAY,
        [30.0] * 168,
        capacity=Capacity(ah=7.0, sigma_ah=None, source=Source.MEASURED),
        charger_percent_per_h=30.0,
    )
    asked = Constraints(autonomy_h=0, relay_life_years=0)
    for supply_a, rules in ((0.5, [Rule.FLOOR_WHILE_FED]), (3.0, [])):
        found = one(known, candidate(50, 60, supply_a=supply_a))
        assert list(missed(found, asked)) == rules


# --- relays that only stop charging ---------------------------------------------------


def test_a_window_of_a_kernel_relay_is_not_cycled():
    """The supply carries the load in an off, so nothing falls; no contact wears."""
    known = device(museum_load(), 15.0)
    found = one(known, candidate(55, 65), KERNEL)
    assert found.efc_per_year == found.switchings_per_year == 0
    assert found.mean_soc_percent == pytest.approx(65)
    assert found.relay_life_years == inf
    assert found.outside_h == 0
    # After an outage it may well be at the low mark.
    cycled = one(known, candidate(55, 65))
    assert found.autonomy_h == cycled.autonomy_h
    assert cycled.efc_per_year > 200


def test_a_kernel_relay_gives_what_its_supply_cannot_carry():
    """Six hours a day lack 2 points an hour: 12 points a day, or 43.8 EFC a year."""
    rise = [-2.0 if 9 <= hour % 24 < 15 else 8.0 for hour in range(168)]
    found = one(device(10.0, rise), candidate(55, 65), KERNEL)
    assert found.efc_per_year == pytest.approx(12 * 365 / 100, rel=0.02)
    cycled = one(device(10.0, rise), candidate(55, 65))
    assert cycled.efc_per_year > 5 * found.efc_per_year


def test_a_hold_that_is_found_late_lies_not_above_itself():
    """A minute at 30 points an hour leaves half a point above for ever."""
    late = device(5.0, 30.0, delay_h=1 / 60, rest_percent=0.0)
    found = one(late, hold(60))
    assert found.mean_soc_percent == pytest.approx(60.5)
    assert found.outside_h == 0


# --- temperatures ---------------------------------------------------------------------


def test_a_hold_costs_the_same_wherever_it_is_told():
    """Charging warms to 36 °C; what is held is not charged: 30, or as it was seen."""
    for seen, warm in (((), 30), ((28.0,) * 168, 28)):
        known = device(
            5.0, 20.0, fed_c=(36.0,) * 168, unfed_c=(30.0,) * 168, held_c=seen
        )
        window, held = compare(
            known, policy(), [candidate(55, 65), hold(60)], can_hold=True
        )
        assert held.losses[3].mean_c == pytest.approx(warm)
        assert held.losses[3].hold_percent == window.losses[3].hold_percent == 60
        for cycled, still in zip(
            window.losses[3].models, held.losses[3].models, strict=True
        ):
            assert still.loss_percent == pytest.approx(still.hold_loss_percent)
            assert still.loss_percent == pytest.approx(cycled.hold_loss_percent)
            assert still.float_loss_percent == pytest.approx(cycled.float_loss_percent)
        assert window.losses[3].mean_c > 30


# --- frozen gauges --------------------------------------------------------------------


@pytest.mark.parametrize("load", [0.05, 0.1])
def test_a_gauge_that_cannot_move_thaws_after_a_day(load):
    """At 100 % no step comes; rule 4 lets go after 24 h (DESIGN 3.2, "Frozen").

    The box there is 2.5 h: half of 75 points over 15 an hour. So a pair of switchings
    takes 26.5 h and some polls.
    """
    known = device(load, 20.0, step_percent=1.0, swing_extra_percent=-1.0)
    found = one(known, candidate(55, 65))
    assert found.switchings_per_year == pytest.approx(2 * 8760 / 26.5, rel=0.01)
    assert found.mean_soc_percent > 99


# --- the picture of a week ------------------------------------------------------------


def test_the_week_of_a_hold_that_its_supply_does_not_carry():
    """Eight hours a day lack 4 points an hour: from 60 down to 28 and back."""
    rise = [-4.0 if 9 <= hour % 24 < 17 else 8.0 for hour in range(168)]
    for way, rules in ((hold(60), policy()), (candidate(58, 60), KERNEL)):
        found = week(device(DAY, rise), way, rules)
        levels = dict(found.levels)
        assert (min(levels.values()), max(levels.values())) == pytest.approx((28, 60))
        assert levels[17.0] == pytest.approx(28)
        assert found.on == ((0.0, 168.0),)
        walked = one(device(DAY, rise), way, rules)
        assert walked.mean_soc_percent == pytest.approx(52, abs=0.1)


def test_the_week_of_a_kernel_relays_window_is_level():
    found = week(device(museum_load(), 15.0), candidate(55, 65), KERNEL)
    assert {level for _, level in found.levels} == {65.0}


# --- hours of the week that are not known ---------------------------------------------


def test_autonomy_at_the_steepest_load_that_was_seen():
    """All hours alike at 3.3; 30 points at the 6 that were seen last 5 h."""
    known = device(3.3, 20.0, is_calendar=False, steepest_percent_per_h=6.0, sigma=0.2)
    found = one(known, candidate(55, 65))
    assert found.autonomy_h == pytest.approx(5)
    assert found.autonomy_mean_h == pytest.approx(30 / 3.3)
    sure = with_sigma(found, known, policy())
    assert "autonomy_h" not in sure.sigma, "nothing tells the sigma of one hour"
    unseen = one(device(3.3, 20.0, is_calendar=False), candidate(55, 65))
    assert unseen.autonomy_h == pytest.approx(unseen.autonomy_mean_h)
