"""What each candidate comes to: losses, autonomy, supplies, sigmas, the grid itself."""

from __future__ import annotations

from dataclasses import replace
from math import inf

import pytest

from support.tuned_device import candidate, device, hold, museum_load, policy
from tidegate.core.policy import Policy
from tidegate.errors import LogUnreadable
from tidegate.tuning.candidates import ABOUT, grid, present
from tidegate.tuning.compare import compare, with_sigma
from tidegate.tuning.course import course
from tidegate.tuning.device import Capacity, Source
from tidegate.tuning.outcome import YEARS
from tidegate.tuning.reach import autonomy_h, lasts_h, recovery_h
from tidegate.tuning.site import Site
from tidegate.wear.account import account
from tidegate.wear.duty import Duty
from tidegate.wear.models import MODELS

LOAD = museum_load()
RISE = [min(18.0, 22.0 - each) for each in LOAD]
WARM = {
    "fed_c": tuple(27.0 + (10 <= hour % 24 < 18) for hour in range(168)),
    "unfed_c": tuple(25.0 + (10 <= hour % 24 < 18) for hour in range(168)),
}


def at_rest() -> Duty:
    """A year as warm as what is not fed: nothing charges it, so no charging warms it."""
    hours = [float(round(each)) for each in WARM["unfed_c"]]
    return Duty(
        rests={
            (50.0, warm): 365 * 86_400 * hours.count(warm) / 168 for warm in set(hours)
        }
    )


@pytest.mark.parametrize("chemistry", ["unknown", "lfp", "nmc"])
def test_losses_are_those_of_the_account(chemistry: str) -> None:
    """The quick way beside ``wear.account.account``, which the models' papers check."""
    known = device(LOAD, RISE, **WARM)
    asked = [candidate(50, 60), hold(60), candidate(30, 70)]
    outcomes = compare(known, policy(), asked, chemistry=chemistry, can_hold=True)
    for outcome, way in zip(outcomes, asked, strict=True):
        duty = course(Site(known), way, policy()).duty
        middle = (way.low_percent + way.high_percent) / 2
        level = way.hold_percent or middle
        for years in YEARS:
            true, rest = (
                account(each.times(years), hold_percent=level, chemistry=chemistry)
                for each in (duty, at_rest())
            )
            found = outcome.losses[years]
            assert [each.name for each in found.models] == list(MODELS)
            for one, other, still in zip(
                found.models, true.models, rest.models, strict=True
            ):
                assert one.outside == other.outside
                assert one.float_outside == still.float_outside
                assert one.hold_outside == still.hold_outside
                assert one.counts == other.counts
                for name, like in (
                    ("loss", other),
                    ("float_loss", still),
                    ("hold_loss", still),
                    ("rest_loss", other),
                ):
                    assert getattr(one, f"{name}_percent") == pytest.approx(
                        getattr(like, f"{name}_percent"), rel=1e-9
                    )
            assert found.better == sum(
                one.counts and one.loss_percent < 0.99 * still.float_loss_percent
                for one, still in zip(found.models, rest.models, strict=True)
            )
            assert found.efc_per_year == pytest.approx(true.efc_per_year)
            assert (found.lowest_c, found.highest_c) == (true.lowest_c, true.highest_c)
            assert found.mean_c == pytest.approx(true.mean_c)


def test_three_hours_a_cycle_cost_what_the_fact_file_says() -> None:
    """Case b of its section 3 (55-65 %, 3 h, 25 °C): what is left after 1, 3, 5 years.

    Three as blast-lite has them, whose depth of discharge is that of whole days and
    whose steps lose some time; the last exact.
    """
    warm = {"fed_c": (25.0,) * 168, "unfed_c": (25.0,) * 168}
    (outcome,) = compare(device(20 / 3, 20 / 3, **warm), policy(), [candidate(55, 65)])
    left = {
        "nca_keil_preger": (95.5, 92.0, 89.6),
        "kokam_nmc": (98.3, 97.0, 96.1),
        "schmalstieg2014": (92.9, 86.4, 81.5),
        "xu2016": (92.25, 87.55, 83.35),
    }
    for years, place in ((1, 0), (3, 1), (5, 2)):
        losses = {each.name: each.loss_percent for each in outcome.losses[years].models}
        for name, remaining in left.items():
            assert 100 - losses[name] == pytest.approx(remaining[place], abs=0.6)


def test_without_a_thermometer_no_temperature_is_told() -> None:
    (outcome,) = compare(device(5.0, 15.0), policy(), [candidate(50, 60)])
    losses = outcome.losses[1]
    assert losses.mean_c is losses.lowest_c is losses.highest_c is None


def test_rounding_level_and_temperature_is_worth_little() -> None:
    """The docstring of ``losses``: 3 % and 5 % where all lies at one place."""
    for model in MODELS.values():
        for level, warm in ((60.0, 25.0), (80.0, 35.0)):
            worth = []
            for more, warmer in ((0.0, 0.0), (0.5, 0.0), (0.0, 0.5)):
                duty = Duty.hold(level + more, temperature_c=warm + warmer, days=365)
                worth.append(model.loss(model.lived(duty)))
            assert abs(worth[1] / worth[0] - 1) < 0.03
            assert abs(worth[2] / worth[0] - 1) < 0.05


def test_autonomy_against_going_by_minutes() -> None:
    site = Site(device(LOAD, RISE))
    worst, mean = autonomy_h(site, from_percent=55, to_percent=25)
    stepped = []
    for start in range(0, 168 * 60, 20):
        left, minute = 30.0, start
        while left > 0:
            left -= LOAD[minute // 60 % 168] / 60
            minute += 1
        stepped.append((minute - start) / 60)
    assert worst == pytest.approx(min(stepped), abs=0.06)
    assert mean == pytest.approx(sum(stepped) / len(stepped), rel=0.01)
    assert lasts_h(site, 34, from_percent=55, to_percent=25) == pytest.approx(
        stepped[34 * 3], abs=0.03
    )


def test_autonomy_and_recovery_of_constant_rates() -> None:
    site = Site(device(6.0, 12.0))
    assert autonomy_h(site, from_percent=55, to_percent=25) == pytest.approx((5, 5))
    assert recovery_h(site, from_percent=25, to_percent=55) == pytest.approx(2.5)
    assert autonomy_h(site, from_percent=20, to_percent=25) == (0, 0)
    assert recovery_h(site, from_percent=30, to_percent=25) == 0


def test_recovery_where_visitors_take_more_than_there_is() -> None:
    """By hand: 8 points up an hour at night, 2 down from 9 to 15 o'clock.

    The worst begins at 9: 12 points down, then 42 up at 8: 6 h + 5.25 h.
    """
    rise = [-2.0 if 9 <= hour % 24 < 15 else 8.0 for hour in range(168)]
    site = Site(device(10.0, rise))
    assert recovery_h(site, from_percent=25, to_percent=55) == pytest.approx(11.25)
    assert recovery_h(
        Site(device(10.0, -0.1)), from_percent=25, to_percent=30
    ) == pytest.approx(inf)


def test_relay_life_and_holds() -> None:
    known = device(20 / 3, 20 / 3)
    asked = [candidate(55, 65), hold(60)]
    cycled, held = compare(known, policy(), asked, life=100_000, can_hold=True)
    assert cycled.relay_life_years == pytest.approx(100_000 / 5840)
    assert held.relay_life_years == inf
    assert held.autonomy_h == pytest.approx((58 - 25) / (20 / 3))
    (alone,) = compare(known, policy(), asked)
    assert alone.candidate == asked[0]
    assert alone.relay_life_years is None


def test_progress_is_told_to_the_end() -> None:
    told: list[tuple[int, int]] = []
    compare(
        device(5.0, 15.0),
        policy(),
        [candidate(50, 60), candidate(40, 60)],
        progress=lambda done, of: told.append((done, of)),
    )
    assert told == [(1, 2), (2, 2)]


CAPACITY = Capacity(ah=5.0, sigma_ah=None, source=Source.SETTINGS)


def test_weaker_supplies_of_the_fact_file() -> None:
    """A load of .067 C; net charge .20 C: 440 EFC a year, .01 C: 76 (section 0.2).

    In ampere at 5 Ah: the supply gives load and net charge together.
    """
    known = device(
        6.7,
        6.7,
        capacity=CAPACITY,
        charger_percent_per_h=30.0,
        supply_percent_per_h=13.4,
    )
    supplies = {5 * 0.267: 440, 5 * 0.134: 293, 5 * 0.077: 76}
    for supply_a, efc in supplies.items():
        (outcome,) = compare(known, policy(), [candidate(55, 65, supply_a=supply_a)])
        assert outcome.efc_per_year == pytest.approx(efc, abs=0.8)
        assert outcome.is_carried
        assert any("switching" in each for each in outcome.beyond)
    (dark,) = compare(known, policy(), [candidate(55, 65, supply_a=0.3)])
    assert not dark.is_carried
    assert dark.recovery_h == inf


def test_what_a_stronger_supply_brings_is_not_known_without_the_charger() -> None:
    known = device(6.7, 6.7, capacity=CAPACITY, supply_percent_per_h=13.4)
    ways = [candidate(55, 65, supply_a=each) for each in (0.5, 2.0)]
    weaker, stronger = compare(known, policy(), ways)
    assert not any("stronger" in each for each in weaker.beyond)
    assert any("stronger" in each for each in stronger.beyond)
    assert stronger.efc_per_year == pytest.approx(293, abs=0.7)


def test_a_supply_in_ampere_needs_a_capacity() -> None:
    with pytest.raises(LogUnreadable, match="capacity") as no:
        compare(device(6.0, 12.0), policy(), [candidate(50, 60, supply_a=1.0)])
    assert "design_ah" in no.value.remedy


def test_charging_never_seen_so_high_is_said() -> None:
    known = device(6.0, 12.0, seen_percent=(40.0, 66.0))
    inside, above = compare(known, policy(), [candidate(50, 66), candidate(60, 75)])
    assert inside.beyond == ()
    assert "66 %" in above.beyond[0]


def test_sigmas_follow_from_those_of_the_rates() -> None:
    """By derivatives of the closed form, for constant rates l and c."""
    load, charge, sigma = 6.0, 12.0, 0.3
    known = device(load, charge, sigma=sigma)
    rules = policy()
    (plain,) = compare(known, rules, [candidate(55, 65)])
    outcome = with_sigma(plain, known, rules)
    assert outcome.sigma is not None
    # EFC = 87.6 l c / (l + c): its slopes are 87.6 c²/(l+c)² and 87.6 l²/(l+c)².
    slopes = [87.6 * each**2 / (load + charge) ** 2 for each in (charge, load)]
    efc = sigma * (slopes[0] ** 2 + slopes[1] ** 2) ** 0.5
    assert outcome.sigma["efc_per_year"] == pytest.approx(efc, rel=0.02)
    # Autonomy is 30 / l.
    assert outcome.sigma["autonomy_h"] == pytest.approx(30 * sigma / load**2, rel=0.02)
    per_efc = plain.switchings_per_year / plain.efc_per_year
    assert outcome.sigma["switchings_per_year"] == pytest.approx(
        per_efc * efc, rel=0.02
    )
    assert replace(outcome, sigma=None) == plain


def test_the_grid_is_as_promised() -> None:
    rules = policy(50, 60)
    ways = grid(rules, can_hold=True)
    assert ways[0] == present(rules) == candidate(50, 60)
    assert len(ways) == len(set(ways)) <= ABOUT
    for each in ways[1:]:
        assert each.low_percent >= 30  # the floor and five
        assert each.high_percent <= 80
        if each.hold_percent is None:
            assert 5 <= each.high_percent - each.low_percent <= 40
        else:
            assert each.low_percent == each.hold_percent - 2
    assert any(each.hold_percent == 60 for each in ways)
    assert not any(each.hold_percent for each in grid(rules))
    more = grid(rules, supplies_a=[0.5, 1.0], most_percent=90)
    assert {each.supply_a for each in more} == {None, 0.5, 1.0}
    assert max(each.high_percent for each in more) == 90
    assert len(more) <= ABOUT
    assert candidate(50, 60, supply_a=0.5) in more


def test_a_station_that_only_measures_has_no_present() -> None:
    assert present(Policy()) is None
    assert grid(Policy())
    held = policy(58, 60, hold=True)
    assert present(held) == hold(60)
    assert grid(held, can_hold=True)[0] == hold(60)
