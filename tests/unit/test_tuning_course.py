"""A year from switching to switching against closed forms and a stepping in minutes."""

from __future__ import annotations

from collections.abc import Sequence
from math import exp
from typing import Any

import pytest

from support.stepped_tune import Rules, stepped
from support.tuned_device import candidate, device, hold, museum_load, policy
from tidegate.core.policy import HOUR_MS, MINUTE_MS
from tidegate.tuning.course import course
from tidegate.tuning.device import Device
from tidegate.tuning.paths import Stretch
from tidegate.tuning.site import Site

STEP_S = 20.0


def late(load: Sequence[float], rise: Sequence[float], **fields: Any) -> Device:
    """Return a device that finds each mark half a step of ``stepped`` late."""
    delay_h = STEP_S / 2 / 3600
    rates = (sum(load) + sum(rise)) / 168
    return device(
        load, rise, delay_h=delay_h, swing_extra_percent=delay_h * rates, **fields
    )


# The project's fact file on wear, section 0.2: a load of .067 C, and the equivalent
# full cycles a year at three supplies. The formula beside it is elementary (common
# practice, no source): EFC a year = load x 8760 h x share of the time without supply.
WEAKER_SUPPLIES = [(6.7, 293.0), (20.0, 440.0), (1.0, 76.0)]


@pytest.mark.parametrize(("net_charge", "efc"), WEAKER_SUPPLIES)
def test_equivalent_full_cycles_of_the_fact_file(net_charge: float, efc: float) -> None:
    year = course(Site(device(6.7, net_charge)), candidate(55, 65), policy())
    assert year.efc_per_year == pytest.approx(efc, abs=0.7)
    formula = 0.067 * 8760 * net_charge / (net_charge + 6.7)
    assert year.efc_per_year == pytest.approx(formula, rel=1e-6)


def test_a_window_of_ten_points_in_three_hours() -> None:
    """2920 cycles and 292 EFC a year: the fact file, section 11, row 9."""
    year = course(Site(device(20 / 3, 20 / 3)), candidate(55, 65), policy())
    assert year.switchings_per_year / 2 == pytest.approx(2920, rel=1e-6)
    assert year.efc_per_year == pytest.approx(292, rel=1e-6)
    assert sum(year.duty.cycles.values()) == pytest.approx(2920, rel=1e-6)
    assert set(year.duty.cycles) == {(10.0, 60.0)}
    assert year.duty.rate_per_h == pytest.approx(0.067)  # 10 points in 1.5 h
    assert year.duty.days == pytest.approx(365)
    assert max(year.outside_h, year.under_h) < 1e-6


@pytest.mark.parametrize(
    "case",
    [
        pytest.param({"low": 50, "high": 60}, id="plain"),
        pytest.param({"low": 35, "high": 75}, id="wide"),
        pytest.param(
            {"low": 55, "high": 57, "per_hour": 4, "per_day": 24}, id="budget"
        ),
        pytest.param({"low": 55, "high": 61, "dwell_on_h": 1.0}, id="dwell-on"),
        pytest.param({"low": 40, "high": 46, "dwell_off_h": 1.5}, id="dwell-off"),
        pytest.param(
            {"low": 35, "high": 43, "dwell_off_h": 3.0, "floor": 30}, id="floor"
        ),
    ],
)
def test_a_museums_week_against_minutes(case: dict[str, float]) -> None:
    """A step finds a mark half a step late in the mean, so the walk is told that.

    It is not little: regular weeks and cycles lock into one another, and seconds
    decide whether a week has 92 or 94 of them.
    """
    load = museum_load()
    rise = [min(18.0, 22.0 - each) for each in load]
    rules = Rules(**case)  # type: ignore[arg-type]
    truth = stepped(load, rise, rules, weeks=2, step_s=STEP_S)
    year = course(
        Site(late(load, rise)),
        candidate(
            rules.low,
            rules.high,
            dwell_on_ms=round(rules.dwell_on_h * HOUR_MS),
            dwell_off_ms=round(rules.dwell_off_h * HOUR_MS),
        ),
        policy(
            rules.low,
            rules.high,
            floor_percent=rules.floor,
            per_hour=rules.per_hour,
            per_day=rules.per_day,
            poll_ms=round(1000 * STEP_S),
        ),
    )
    assert year.efc_per_year == pytest.approx(truth.efc_per_year, rel=0.008)
    assert year.switchings_per_year == pytest.approx(
        truth.switchings_per_year, rel=0.025
    )
    assert year.mean_percent == pytest.approx(truth.mean_percent, abs=0.3)
    for hours, true_h in (
        (year.outside_h, truth.above_h),
        (year.under_h, truth.under_h),
    ):
        assert hours == pytest.approx(true_h * 8760 / truth.hours, rel=0.08, abs=60)


def test_a_supply_that_cannot_carry_some_hours() -> None:
    """Visitors take more than it gives, so the battery falls while it is fed."""
    load = museum_load()
    rise = [7.0 - each for each in load]
    assert min(rise) < -3
    truth = stepped(load, rise, Rules(low=50, high=60), weeks=2, step_s=STEP_S)
    year = course(Site(late(load, rise)), candidate(50, 60), policy(50, 60))
    assert year.efc_per_year == pytest.approx(truth.efc_per_year, rel=0.02)
    assert year.switchings_per_year == pytest.approx(
        truth.switchings_per_year, rel=0.04
    )
    assert year.under_h == pytest.approx(truth.under_h * 8760 / truth.hours, rel=0.02)
    assert year.duty.efc == pytest.approx(year.efc_per_year, rel=1e-9)


def test_a_charger_that_slows_down_near_full() -> None:
    shares = {70.0: 0.6, 75.0: 0.4, 80.0: 0.2}

    def share(level: float) -> float:
        return next((shares[each] for each in (80.0, 75.0, 70.0) if level >= each), 1.0)

    truth = stepped(
        [5.0] * 168, [15.0] * 168, Rules(low=60, high=84), weeks=2, share=share
    )
    year = course(Site(device(5.0, 15.0, slowing=shares)), candidate(60, 84), policy())
    assert year.efc_per_year == pytest.approx(truth.efc_per_year, rel=0.005)
    assert year.switchings_per_year == pytest.approx(
        truth.switchings_per_year, rel=0.02
    )
    # By hand: up 10 points at 15, then 5 each at 9 and 6, 4 at 3; down 24 at 5.
    period = 10 / 15 + 5 / 9 + 5 / 6 + 4 / 3 + 24 / 5
    assert year.switchings_per_year == pytest.approx(2 * 8760 / period, rel=1e-6)


def test_where_the_time_was_spent_against_minutes() -> None:
    load = museum_load()
    rise = [18.0] * 168
    fed = [27 + (10 <= hour % 24 < 18) for hour in range(168)]
    unfed = [each - 2 for each in fed]
    truth = stepped(
        load, rise, Rules(low=45, high=60), weeks=2, warm=(fed, unfed), step_s=STEP_S
    )
    year = course(
        Site(
            late(
                load,
                rise,
                fed_c=tuple(float(each) for each in fed),
                unfed_c=tuple(float(each) for each in unfed),
            )
        ),
        candidate(45, 60),
        policy(45, 60),
        is_whole=True,
    )
    rests = year.duty.rests

    # An Arrhenius-like weight that is steep in both, as paces at rest are: how it is
    # spread is right where such a mean is.
    def weighed(times: dict[tuple[float, float], float]) -> float:
        weights = sum(
            seconds * exp(0.05 * level + 0.08 * warm)
            for (level, warm), seconds in times.items()
        )
        return weights / sum(times.values())

    true_rests = {(float(a), float(b)): each for (a, b), each in truth.seconds.items()}
    assert weighed(dict(rests)) == pytest.approx(weighed(true_rests), rel=0.01)
    assert sum(rests.values()) == pytest.approx(365 * 86_400)
    for warm in {key[1] for key in true_rests}:
        share = sum(each for key, each in rests.items() if key[1] == warm)
        true = sum(each for key, each in true_rests.items() if key[1] == warm)
        assert share / (365 * 86_400) == pytest.approx(
            true / (truth.hours * 3600), abs=0.01
        )


def test_the_short_walk_stands_for_the_year() -> None:
    load = museum_load(3)
    site = Site(device(load, [20.0 - each for each in load]))
    for low, high in ((50, 55), (45, 60), (30, 70)):
        short = course(site, candidate(low, high), policy())
        whole = course(site, candidate(low, high), policy(), is_whole=True)
        assert short.walked_h < 8760 <= whole.walked_h
        assert short.efc_per_year == pytest.approx(whole.efc_per_year, rel=0.004)
        assert short.switchings_per_year == pytest.approx(
            whole.switchings_per_year, rel=0.006
        )


def test_whole_percents_narrow_the_swing_and_delays_widen_it() -> None:
    """Both marks show half a point early, and each is found late."""
    late_h = 1 / 60
    site = Site(
        device(
            6.0,
            12.0,
            step_percent=1.0,
            delay_h=late_h,
            swing_extra_percent=-1 + late_h * 18,
        )
    )
    year = course(site, candidate(55, 65), policy())
    swing = 9 + late_h * 18
    assert year.switchings_per_year == pytest.approx(
        2 * 8760 / (swing / 6 + swing / 12), rel=1e-6
    )
    # Half the time is lost at neither end: the throughput is as without.
    assert year.efc_per_year == pytest.approx(0.06 * 8760 * 12 / 18, rel=1e-6)


def test_a_light_load_looks_frozen_to_rule_4() -> None:
    """A step takes 2 h at half a point an hour; the box at 60 % is 70 min there.

    Half of (60 - 25) over 15 points an hour, DESIGN 3.2, "Frozen"; read once a minute.
    """
    site = Site(device(0.5, 30.0, step_percent=1.0, swing_extra_percent=-1.0))
    year = course(site, candidate(55, 65), policy())
    plain = course(Site(device(0.5, 30.0)), candidate(55, 65), policy())
    # Ten points would take 20 h. The supply goes on every hour or so instead, each time
    # for more than falls until the next, up to where the box is as long as that takes.
    assert plain.switchings_per_year == pytest.approx(2 * 8760 / (20 + 1 / 3), rel=1e-6)
    assert year.switchings_per_year > 5 * plain.switchings_per_year
    assert year.mean_percent > 65
    noisy = device(
        0.5, 30.0, step_percent=1.0, swing_extra_percent=-1.0, flicker_percent=0.5
    )
    moves = course(Site(noisy), candidate(55, 65), policy())
    assert moves.switchings_per_year < 1.2 * plain.switchings_per_year


def test_a_hold_moves_nothing_and_no_contact() -> None:
    year = course(Site(device(museum_load(), 15.0)), hold(60), policy())
    assert year.efc_per_year == year.switchings_per_year == 0
    assert year.mean_percent == pytest.approx(60)
    assert dict(year.duty.cycles) == {}


def test_a_hold_gives_what_the_supply_cannot_carry() -> None:
    """Six hours a day lack 2 points an hour: 12 points a day, or 43.8 EFC a year."""
    rise = [-2.0 if 9 <= hour % 24 < 15 else 8.0 for hour in range(168)]
    year = course(Site(device(10.0, rise)), hold(60), policy())
    assert year.switchings_per_year == 0
    assert year.efc_per_year == pytest.approx(12 * 365 / 100, rel=0.02)
    assert 50 < year.mean_percent < 60


def test_a_supply_that_never_carries_leaves_it_dark() -> None:
    year = course(Site(device(10.0, -1.0)), candidate(50, 60), policy())
    # Fifty hours from 50 % down to nothing, and nothing from then on.
    assert year.mean_percent == pytest.approx(25 * 50 / year.walked_h, rel=0.02)
    assert year.under_h == pytest.approx(8760, rel=0.01)
    assert year.switchings_per_year == 0


def test_the_dwell_of_an_off_ends_at_the_floor() -> None:
    site = Site(device(10.0, 20.0))
    asked = candidate(30, 40, dwell_off_ms=300 * MINUTE_MS)
    year = course(site, asked, policy(30, 40, floor_percent=25.0))
    # Down 15 points to the floor at 10, up again at 20.
    assert year.switchings_per_year == pytest.approx(2 * 8760 / (1.5 + 0.75), rel=1e-6)


def test_a_stretch_and_back() -> None:
    stretch = Stretch({80.0: 0.5, 90.0: 0.25})
    assert stretch.place(70) == 70
    assert stretch.place(85) == 90
    assert stretch.place(92) == pytest.approx(108)
    for level in (0.0, 79.9, 80.0, 87.0, 95.0, 100.0):
        assert stretch.level(stretch.place(level)) == pytest.approx(level)
    assert stretch.level(1e6) == 100
