"""What a supply gives and a load takes where the battery shows only their difference.

Kirchhoff's current law at the battery: net charge = what comes in - load. So what falls
while fed has a load of at least as much, and what comes in is never less than nothing.
All devices are invented.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC
from statistics import fmean

import pytest

from support.tuned_device import candidate, device, policy
from support.tuned_series import Weak, kept, moved, read
from tidegate.core.policy import Marks
from tidegate.tuning.charging import Piece, limits_and_slowing
from tidegate.tuning.compare import compare
from tidegate.tuning.course import course
from tidegate.tuning.device import Capacity, Device, Rate, Source
from tidegate.tuning.fit import fit
from tidegate.tuning.heavier import heavier_of
from tidegate.tuning.neighbours import bridged
from tidegate.tuning.reach import lasts_h
from tidegate.tuning.resupplied import beyond_of, resupplied
from tidegate.tuning.site import YEAR_H, Site
from tidegate.tuning.weekly import Step, Way, Weekly, fitted

VISITED = range(10, 17)
SEVEN_AH = Capacity(ah=7.0, sigma_ah=None, source=Source.MEASURED)


def rates(of: tuple[Rate, ...], hours: range = VISITED) -> list[float]:
    return [of[24 * day + hour].percent_per_h for day in range(7) for hour in hours]


def weekly(seen: dict[int, float], *, unseen: float, hours: float = 2.0) -> Weekly:
    """Return rates by hour of the week; those not named were not seen."""
    return Weekly(
        rates=[seen.get(hour, unseen) for hour in range(168)],
        sigmas=[0.1 if hour in seen else 1.0 for hour in range(168)],
        hours=[hours if hour in seen else 0.0 for hour in range(168)],
        mean=unseen,
        mean_sigma=0.2,
        noise=0.01,
    )


def daily(rates: dict[int, float], *, days: range = range(7)) -> dict[int, float]:
    return {24 * day + hour: rate for day in days for hour, rate in rates.items()}


# --- loads that only show while fed ---------------------------------------------------


def measured_only() -> Device:
    """A station that only measures: unplugged on four evenings of two weeks."""
    weak = Weak()

    def way(hour: float) -> tuple[float, bool]:
        day, of_day = divmod(hour, 24)
        is_fed = not (day in (3, 6, 9, 12) and of_day >= 20)
        return (weak.net(hour) if is_fed else -weak.load(hour)), is_fed

    return fit(read(moved(14, way, start=100.0)), UTC)


def test_a_battery_that_falls_while_fed_tells_a_load() -> None:
    found = measured_only()
    pairs = zip(found.load, found.rise, strict=True)
    assert all(load.percent_per_h >= -rise.percent_per_h for load, rise in pairs)
    assert fmean(rates(found.rise)) == pytest.approx(-3.0, abs=0.1)
    # Visitors take 12 beside a supply of 9, though never seen on the battery.
    assert all(found.load[each].hours == 0 for each in range(10, 17))
    assert fmean(rates(found.load)) == pytest.approx(12.0, rel=0.1)
    assert found.load[23].percent_per_h == pytest.approx(2.0, rel=0.05)
    site = Site(found)
    lasts = [lasts_h(site, each, from_percent=55, to_percent=25) for each in range(168)]
    assert min(lasts) == pytest.approx(30 / 12, rel=0.1)


def test_what_falls_while_fed_is_no_charger() -> None:
    found = measured_only()
    assert found.charger_percent_per_h is None
    assert found.supply_percent_per_h == pytest.approx(9.0, rel=0.1)
    # So a stronger supply brings something: at night all that it brought before.
    stronger = resupplied(replace(found, capacity=SEVEN_AH), 20.0 * 0.07)
    assert stronger.rise[23].percent_per_h == pytest.approx(7.0, rel=0.05)
    assert min(rates(stronger.rise)) > 5.0


def test_no_load_is_less_than_what_falls_while_fed() -> None:
    """Even in an hour that was seen on the battery, with less."""
    load = weekly(daily({3: 2.0, 12: 4.0}), unseen=3.0)
    rise = weekly(daily({12: -5.0}), unseen=6.0)
    heavier = heavier_of(load, rise)
    assert heavier.rates[12] == 5.0
    assert heavier.rates[3] == 2.0
    assert heavier.mean == pytest.approx(sum(heavier.rates) / 168)


@pytest.mark.parametrize(
    ("load", "rise", "at_noon"),
    [
        # Hours of the week that show both: 2 + 7.
        pytest.param(daily({3: 2.0}), daily({3: 7.0, 12: -3.0}), 12.0, id="both"),
        # The hour of day does, on other days.
        pytest.param(
            daily({3: 2.0}, days=range(3)),
            daily({12: -3.0}) | daily({3: 7.0}, days=range(3, 7)),
            12.0,
            id="other days",
        ),
        # None does: the least load that was seen, where charging was the quickest.
        pytest.param(
            daily({3: 2.0, 4: 2.5}), daily({12: -3.0, 20: 7.0}), 12.0, id="none"
        ),
    ],
)
def test_what_a_weak_supply_does_not_bring_the_load_takes(
    load: dict[int, float], rise: dict[int, float], at_noon: float
) -> None:
    heavier = heavier_of(weekly(load, unseen=2.0), weekly(rise, unseen=0.0))
    assert heavier.rates[12] == pytest.approx(at_noon)
    assert heavier.rates[3] == pytest.approx(2.0)
    assert heavier.sigmas[12] >= 0.2


def test_a_supply_that_carries_all_raises_no_load() -> None:
    load = weekly(daily({3: 2.0, 12: 6.0}), unseen=4.0)
    assert heavier_of(load, weekly(daily({3: 8.0, 20: 8.0}), unseen=8.0)) is load
    assert heavier_of(load, weekly({}, unseen=8.0)) is load


# --- limits and slowing ---------------------------------------------------------------


def test_a_sag_above_half_is_no_slowing() -> None:
    """On its battery from 0 to 2, then +5 for six hours and -2 for ten, fed."""

    def way(hour: float) -> tuple[float, bool]:
        of_day = hour % 24
        for until, rate, is_fed in ((2, -5.0, False), (8, 5.0, True), (18, -2.0, True)):
            if of_day < until:
                return rate, is_fed
        return 0.0, True

    found = fit(read(moved(7, way, start=60.0)), UTC)
    assert found.slowing == {}
    assert fmean(rates(found.rise)) == pytest.approx(-2.0, abs=0.1)
    assert fmean(rates(found.rise, range(3, 8))) == pytest.approx(5.0, rel=0.03)
    assert found.charger_percent_per_h is None
    # 5 and 5 make a supply of 10 at least; beside -2 that is 12.
    assert fmean(rates(found.load)) == pytest.approx(12.0, rel=0.03)


def test_slowing_beside_sags_is_that_of_what_rises() -> None:
    """A charger of 20, a share of 0.4 of it from 80 %; by day 26 outrun a supply of 24."""
    pieces = [
        Piece(1.0, rate, load, level)
        for level in range(52, 98)
        for load, rate in (
            (2.0, 20.0 if level < 80 else 8.0),
            (3.0, 20.0 if level < 80 else 8.0),
            (26.0, -2.0),
        )
    ]
    limits, slowing = limits_and_slowing(pieces, [])
    assert limits.charger == pytest.approx(20.0, rel=0.01)
    assert limits.supply == pytest.approx(24.0, rel=0.01)
    assert slowing == pytest.approx(dict.fromkeys((80.0, 85.0, 90.0, 95.0), 0.4))


@pytest.mark.parametrize(
    "rises",
    [
        pytest.param({2.0: -1.0, 5.0: -1.0}, id="always falling"),
        pytest.param({2.0: 0.0, 5.0: 0.0}, id="never moving"),
        pytest.param({2.0: 0.0, 3.0: 0.0, 5.0: -4.0}, id="not moving, then falling"),
        pytest.param({2.0: -2.0, 5.0: 7.0}, id="falling where the load seemed light"),
    ],
)
def test_what_falls_or_stands_while_fed_is_no_charger(
    rises: dict[float, float],
) -> None:
    """Even where one pace for all fits best, as before the loads are known."""
    pieces = [Piece(1.0, rise, load, 40.0) for load, rise in rises.items()] * 40
    limits, slowing = limits_and_slowing(pieces, [])
    assert limits.charger is None
    assert limits.supply is not None
    assert slowing == {}


# --- another supply -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("supply_a", "share"),
    [
        # A charger of 40 that takes 10 from 70 % on. 3 are left: it never slows.
        (0.56, 1.0),
        # 15 are left, of which it takes 10.
        (1.4, 10 / 15),
        # Stronger than the charger: as it was seen.
        (7.0, 0.25),
    ],
)
def test_near_full_a_charger_takes_what_it_took(supply_a: float, share: float) -> None:
    slow = device(
        5.0,
        40.0,
        capacity=SEVEN_AH,
        charger_percent_per_h=40.0,
        slowing={70.0: 0.25},
    )
    assert resupplied(slow, supply_a).slowing == {70.0: pytest.approx(share)}


@pytest.mark.parametrize(("low", "high"), [(50.0, 60.0), (70.0, 80.0)])
def test_a_weak_supply_below_a_slow_charger(low: float, high: float) -> None:
    """The closed form of a limit cycle (elementary kinematics): EFC and switchings.

    8 points an hour beside a load of 5 leave 3, less than the 10 that the charger takes
    even where it is slow.
    """
    slow = device(
        5.0,
        40.0,
        capacity=SEVEN_AH,
        charger_percent_per_h=40.0,
        slowing={70.0: 0.25},
    )
    found = course(
        Site(resupplied(slow, 8 * 0.07)), candidate(low, high), policy(low, high)
    )
    assert found.efc_per_year == pytest.approx(5 / 100 * YEAR_H * 3 / 8, rel=0.005)
    assert found.switchings_per_year == pytest.approx(
        2 * YEAR_H / (10 / 5 + 10 / 3), rel=0.005
    )


def test_a_stronger_supply_than_the_one_that_slowed_is_beyond_what_was_seen() -> None:
    """The charger takes the same 5 from 80 % on, of 40 instead of 10."""
    weak = device(
        5.0, 10.0, capacity=SEVEN_AH, charger_percent_per_h=40.0, slowing={80.0: 0.5}
    )
    stronger = resupplied(weak, 45 * 0.07)
    assert stronger.rise[0].percent_per_h == pytest.approx(40.0)
    assert stronger.slowing == {80.0: pytest.approx(0.125)}
    assert any("slows down sooner" in each for each in beyond_of(weak, 45 * 0.07))
    assert not any("sooner" in each for each in beyond_of(weak, 12 * 0.07))


def test_a_supply_that_brings_nothing_keeps_what_was_seen() -> None:
    slow = device(5.0, 40.0, capacity=SEVEN_AH, slowing={70.0: 0.25})
    assert resupplied(slow, 0.2).slowing == {70.0: 0.25}


@pytest.mark.parametrize("lag_s", [0, 60])
@pytest.mark.parametrize("is_told", [True, False])
@pytest.mark.parametrize("width", [5.0, 10.0])
def test_a_delay_counts_once_at_another_supply(
    lag_s: int, is_told: bool, width: float
) -> None:
    """The closed form: the delay moves the level by both paces, whatever they are."""
    delay_h = (60 + lag_s) / 3600
    late = device(
        5.0,
        40.0,
        capacity=SEVEN_AH,
        charger_percent_per_h=40.0,
        delay_h=delay_h,
        swing_extra_percent=delay_h * 45,
        rest_percent=0.0 if is_told else None,
    )
    weaker = resupplied(late, 8 * 0.07)
    swing = width + delay_h * 8
    assert weaker.swing_extra_percent == pytest.approx(delay_h * 8)
    found = course(Site(weaker), candidate(55, 55 + width), policy(55, 55 + width))
    assert found.switchings_per_year == pytest.approx(
        2 * YEAR_H / (swing / 5 + swing / 3), rel=0.003
    )


def test_what_no_delay_explains_stays_with_a_supply_that_brings_less_than_all() -> None:
    sagging = device(
        5.0, -1.0, delay_h=0.02, step_percent=1.0, swing_extra_percent=-0.9
    )
    # 0.1 by the load alone: nothing rises.
    assert sagging.unexplained_percent == pytest.approx(0.0)
    assert Site(sagging).rest_percent == pytest.approx(0.0)


# --- rates by hour of the week --------------------------------------------------------


def test_ups_and_downs_that_cancel_are_rates_like_any_other() -> None:
    ways = [Way(0.0, [Step(12.0, {2: 2.0}, 0.01), Step(-12.0, {14: 2.0}, 0.01)])] * 4
    found = fitted(ways)
    assert found.rates[2] == pytest.approx(6.0, rel=0.03)
    assert found.rates[14] == pytest.approx(-6.0, rel=0.03)


def test_a_battery_that_never_moves_has_a_rate_of_nothing() -> None:
    found = fitted([Way(0.0, [Step(0.0, {hour: 1.0}, 0.01)]) for hour in range(168)])
    assert max(map(abs, found.rates)) < 0.01


def test_a_week_that_ends_where_it_began_is_learned() -> None:
    """Fed for two days: +5 from 2 to 6, -2 from 6 to 16; then 8 h on the battery."""

    def way(hour: float) -> tuple[float, bool]:
        of_day = hour % 24
        if hour >= 48:
            return -1.0, False
        if 2 <= of_day < 6:
            return 5.0, True
        return (-2.0 if 6 <= of_day < 16 else 0.0), True

    found = fit(read(moved(2 + 8 / 24, way, start=30.0)), UTC)
    up = [found.rise[each].percent_per_h for each in (3, 4, 5)]
    down = [found.rise[each].percent_per_h for each in range(8, 15)]
    assert fmean(up) == pytest.approx(5.0, rel=0.03)
    assert fmean(down) == pytest.approx(-2.0, rel=0.03)


def test_an_hour_beside_a_step_of_the_load_is_not_sure_to_lie_half_way() -> None:
    """Hour 8 was hardly seen, 2 before it and 12 after; elsewhere all are alike."""
    step = daily({7: 2.0, 9: 12.0}) | daily({6: 2.0, 5: 2.0, 10: 12.0, 11: 12.0})
    shown = weekly(step, unseen=2.1)
    found = bridged(
        Weekly(
            rates=shown.rates,
            sigmas=[0.3 if each % 24 == 8 else 0.03 for each in range(168)],
            hours=shown.hours,
            mean=5.0,
            mean_sigma=0.1,
            noise=0.01,
        )
    )
    assert found.rates[8] == pytest.approx(2.1, abs=0.15)
    assert found.sigmas[8] == pytest.approx(0.3, rel=0.05)


@pytest.mark.slow
@pytest.mark.parametrize(("low", "high"), [(35, 45), (65, 75), (70, 80)])
def test_a_supply_that_visitors_outrun_keeps_its_window(low: int, high: int) -> None:
    """Beside the same weeks added up minute by minute, which is another way to know."""
    weak = Weak()
    points, switchings, efc = kept(14, weak.net, weak.load, low=low, high=high)
    marks = Marks(low_percent=low, high_percent=high)
    series = read(points, policy={"marks": marks})
    (told,) = compare(fit(series, UTC), series.given.policy, [candidate(low, high)])
    assert told.switchings_per_year == pytest.approx(switchings, rel=0.03)
    assert told.efc_per_year == pytest.approx(efc, rel=0.02)
