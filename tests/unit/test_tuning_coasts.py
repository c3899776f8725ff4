"""Stations whose gauge needs the switched supply: nothing is read while that is off.

What such a device does is elementary kinematics (common practice, no source): a charge
falls by load x time and rises by net charge x time. How the daemon ends its offs is the
project's DESIGN.md, 3.2 (coast, slope); numbers are worked out by hand beside each case.
All devices are invented.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC
from statistics import fmean
from typing import Any

import pytest

from support.tuned_coasts import Kept, coasted
from support.tuned_device import candidate, device, hold, policy
from support.tuned_series import kept, read
from support.tuning_cases import outcome, several
from tidegate.core.policy import HOUR_MS, MINUTE_MS, Policy, Proof
from tidegate.tuning.advice import advise
from tidegate.tuning.choice import choose
from tidegate.tuning.coasting import Coasts
from tidegate.tuning.compare import compare
from tidegate.tuning.constraints import Constraints, Rule, missed
from tidegate.tuning.course import Course, course
from tidegate.tuning.device import Device
from tidegate.tuning.document import as_document
from tidegate.tuning.enough import TooShort
from tidegate.tuning.fit import fit
from tidegate.tuning.offs import offs_of, sentence
from tidegate.tuning.site import Site
from tidegate.tuning.week import week

YEAR_H = 8760.0


def busy(hour: float) -> float:
    """Visitors from 9 to 17 o'clock take 9 points an hour, the night 2."""
    return 9.0 if 9 <= hour % 24 < 17 else 2.0


def steady(rate: float) -> Any:
    return lambda _: rate


# --- what is learned of what nobody saw -----------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("is_whole", [True, False])
@pytest.mark.parametrize(
    ("load", "net", "off_h"), [(4, 16, 1.7), (7, 9, 0.6), (2, 30, 2)]
)
def test_a_load_is_learned_across_offs_without_a_reading(
    load: float, net: float, off_h: float, is_whole: bool
) -> None:
    given = Kept(load=steady(load), net=steady(net), off_h=off_h, is_whole=is_whole)
    found = fit(coasted(given), UTC)
    assert found.load_mean.percent_per_h == pytest.approx(load, rel=0.02)
    assert found.rise_mean.percent_per_h == pytest.approx(net, rel=0.02)
    assert found.back_h == pytest.approx(30 / 3600)
    assert found.days == pytest.approx(14, abs=0.3)
    assert any("Nothing was read in" in note for note in found.notes)


def test_busy_hours_are_told_from_nights() -> None:
    found = fit(coasted(Kept(load=busy, net=steady(20), off_h=0.8, days=28)), UTC)
    by_hour = [each.percent_per_h for each in found.load]
    day = fmean(by_hour[hour] for hour in range(168) if 9 <= hour % 24 < 17)
    night = fmean(by_hour[hour] for hour in range(168) if not 8 <= hour % 24 < 18)
    assert day == pytest.approx(9, rel=0.02)
    assert night == pytest.approx(2, rel=0.03)


@pytest.mark.slow
def test_a_gauge_that_lags_shifts_nothing() -> None:
    """Both ends are met on the way up, each as late as the other."""
    given = Kept(load=steady(5), net=steady(20), off_h=1.3)
    plain, late = (fit(coasted(replace(given, lag_s=each)), UTC) for each in (0, 40))
    assert late.load_mean.percent_per_h == pytest.approx(5, rel=0.02)
    assert late.load_mean.percent_per_h == pytest.approx(
        plain.load_mean.percent_per_h, rel=0.02
    )


def test_charges_that_show_no_step_are_looked_across() -> None:
    """Of 0.3 points an hour by night an off takes 0.24, within a step of the gauge."""

    def load(hour: float) -> float:
        return 9.0 if 9 <= hour % 24 < 17 else 0.3

    found = fit(coasted(Kept(load=load, net=steady(6), off_h=0.8, days=28)), UTC)
    by_hour = [each.percent_per_h for each in found.load]
    night = fmean(by_hour[hour] for hour in range(168) if not 8 <= hour % 24 < 18)
    assert night == pytest.approx(0.3, rel=0.05)


def test_charges_of_one_step_each_tell_no_rate() -> None:
    """Off for 12 min at 2 points an hour takes 0.4: no two steps in any charge."""
    series = coasted(Kept(load=steady(2), net=steady(7), off_h=0.2))
    with pytest.raises(TooShort, match=r"the device charge for 0\.\d h") as refused:
        fit(series, UTC)
    assert "fall by ten points or more" in refused.value.remedy


def test_a_gauge_that_tells_nothing_but_the_charge_is_fed_when_it_is_read() -> None:
    given = Kept(load=steady(4), net=steady(16), off_h=1.5, is_silent=True)
    found = fit(coasted(given), UTC)
    assert found.load_mean.percent_per_h == pytest.approx(4, rel=0.02)


@pytest.mark.slow
def test_a_supply_that_visitors_outrun_is_learned_too() -> None:
    """Net 8 - load: it falls by a point an hour from 9 to 17 o'clock while fed."""
    given = Kept(load=busy, net=lambda hour: 8 - busy(hour), off_h=1.0, days=28)
    found = fit(coasted(given), UTC)
    assert found.rise[12].percent_per_h == pytest.approx(-1, abs=0.2)
    assert found.load[2].percent_per_h == pytest.approx(2, rel=0.06)
    # Never off by then: what the supply lacks tells it (Kirchhoff's current law).
    assert found.load[14].percent_per_h == pytest.approx(9, rel=0.06)


def test_unfed_it_was_as_warm_as_before_and_after() -> None:
    given = Kept(load=steady(4), net=steady(16), off_h=2.0, celsius=(30.0, 24.0))
    found = fit(coasted(given), UTC)
    assert found.unfed_c == pytest.approx([27.0] * 168)


def test_offs_in_a_file_made_by_hand_are_not_guessed() -> None:
    """Gaps in a CSV may be anything; its remedy is the log."""
    series = replace(
        coasted(Kept(load=steady(4), net=steady(16), off_h=1.5)), coasts=()
    )
    with pytest.raises(TooShort, match="never show the device run") as refused:
        fit(replace(series, is_log=False), UTC)
    assert "cycle log" in refused.value.remedy
    assert "override" not in refused.value.remedy
    with pytest.raises(TooShort, match="never show the device run"):
        fit(series, UTC)


def test_a_file_that_shows_discharges_is_learned_from_those() -> None:
    points, _, _ = kept(6, steady(16.0), steady(4.0), low=55, high=65)
    needs = {"gauge_needs_supply": True}
    found = fit(read(points, policy=needs, is_log=False), UTC)
    assert found.load_mean.percent_per_h == pytest.approx(4, rel=0.02)


def test_a_few_offs_are_too_few() -> None:
    series = coasted(Kept(load=steady(4), net=steady(16), off_h=1.0, days=0.2))
    assert len(series.coasts) in range(2, 6)
    with pytest.raises(TooShort, match="6 h and 3 points are needed"):
        fit(series, UTC)


# --- how long an off lasts ------------------------------------------------------------


def rules(**fields: Any) -> Policy:
    return policy(gauge_needs_supply=True, **fields)


def year(
    known: Device, low: float, high: float, given: Policy | None = None, **way: Any
) -> Course:
    return course(Site(known), candidate(low, high, **way), given or rules())


@pytest.mark.parametrize(
    ("load", "low", "high", "given", "off_h"),
    [
        pytest.param(8, 50, 60, {}, 10 / 8, id="learned: (60 - 50) / 8"),
        pytest.param(2, 55, 60, {}, 5 / 5, id="at least 5 an hour: 5 / 5"),
        pytest.param(2, 40, 70, {}, 2.0, id="max_off of 2 h"),
        pytest.param(2, 40, 70, {"max_off_ms": HOUR_MS}, 1.0, id="max_off of 1 h"),
        pytest.param(10, 30, 60, {}, 1.75, id="floor: (60 - 25) / 2 / 10"),
        pytest.param(30, 58, 60, {}, 5 / 60, id="5 min at least"),
    ],
)
def test_offs_end_by_time(
    load: float, low: float, high: float, given: dict[str, Any], off_h: float
) -> None:
    """A fine gauge learns the load itself; then the period is off + fallen / net."""
    net = 24.0
    budget = {"per_hour": 60, "per_day": 1440}
    found = year(device(load, net), low, high, rules(**budget, **given))
    fallen = load * off_h
    period = off_h + fallen / net
    assert found.off_h == pytest.approx(off_h, rel=1e-6)
    assert found.switchings_per_year == pytest.approx(2 * YEAR_H / period, rel=1e-3)
    assert found.efc_per_year == pytest.approx(fallen / 100 * YEAR_H / period, rel=1e-3)
    assert found.down_to_percent == pytest.approx(min(low, high - fallen))


def test_the_daemon_counts_on_15_an_hour_until_it_knows_better() -> None:
    """Seven days with a loss: 10 points above the mark last 10 / 15 h, then 10 / 8."""
    known = device(8.0, 24.0)
    site = Site(known)
    coasts = Coasts(site, candidate(50, 60), rules(), site.load)
    lasted = [coasts.on_at(24.0 * day + 1, 60.0) - 24 * day - 1 for day in range(9)]
    assert lasted[:7] == pytest.approx([10 / 15] * 7)
    assert lasted[7:] == pytest.approx([10 / 8] * 2)


def test_the_steepest_of_14_days_counts_and_then_no_more() -> None:
    """One hour of 20 points on the first Monday morning, 6 in all others."""
    loads = [20.0, *[6.0] * 167]
    site = Site(device(loads, 24.0))
    coasts = Coasts(site, candidate(50, 60), rules(), site.load)
    # The off of the first hour falls by 20 x 2/3 h.
    assert coasts.on_at(0.0, 60.0) == pytest.approx(10 / 15)
    for day in range(1, 14):
        after = 24.0 * day + 12
        on_h = coasts.on_at(after, 60.0)
        assert on_h - after == pytest.approx(10 / (20 if day >= 7 else max(15, 20)))
    assert coasts.on_at(24.0 * 14 + 12, 60.0) - 348 == pytest.approx(10 / 6)


def test_a_gauge_in_whole_percents_learns_more_than_the_load() -> None:
    """A loss shows rounded up. At 8 points an hour between 50 and 60 %: at 15 %/h the
    off lasts 40 min, loses 5.33, shown 6, which is 9 %/h; at 9 it loses 8.9, shown 9,
    8.1 %/h; at 8.1 it loses 9.88, shown 10, 8.1 again, and so it stays.
    """
    free = rules(per_hour=60, per_day=1440)
    found = year(device(8.0, 24.0, step_percent=1.0), 50, 60, free)
    assert found.off_h == pytest.approx(10 / 8.1, rel=1e-6)


def test_the_ons_that_end_a_coast_cost_no_budget() -> None:
    """Core, SPENDING: an off at the high mark counts, the on of a coast does not.

    Of 48 a day more than half are spent with the 25th off; from then on an off waits
    until the last is an hour ago (rule 10, 2 x 24 h / 48), so it is one an hour. Where
    both count it is fewer.
    """
    known = device(20.0, 60.0)
    found = year(known, 50, 60)
    assert found.switchings_per_year == pytest.approx(2 * YEAR_H, rel=0.03)
    both = course(Site(known), candidate(50, 60), policy())
    assert both.switchings_per_year < 0.8 * found.switchings_per_year


def test_only_what_the_budget_counts_can_miss_it() -> None:
    """60 switchings a day: 30 offs that count, of 48; else 60 of 48."""
    often = outcome(switchings=60 * 365)
    assert Rule.BUDGET in missed(often, Constraints())
    by_time = replace(often, off_h=0.5)
    assert Rule.BUDGET not in missed(by_time, Constraints())
    assert Rule.BUDGET in missed(by_time, Constraints(per_day=24))


def test_the_dwell_of_an_off_ends_no_coast_later() -> None:
    """Rule 3 obeys no dwell."""
    known = device(8.0, 24.0)
    short, long = (
        year(known, 50, 60, dwell_off_ms=each * MINUTE_MS) for each in (3, 120)
    )
    assert (short.off_h, short.efc_per_year) == (long.off_h, long.efc_per_year)


def test_a_charge_that_brings_more_than_an_off_takes_climbs() -> None:
    """Off for 2 h takes 1 point; a dwell of 30 min brings 10: it stays above."""
    found = year(device(0.5, 20.0), 40, 60, dwell_on_ms=30 * MINUTE_MS)
    assert found.outside_h > 8000
    assert found.mean_percent > 90


def test_what_only_stops_the_charging_never_coasts() -> None:
    known = device(8.0, 24.0)
    for given, way in (
        (rules(proof=Proof.CHARGING), candidate(50, 60)),
        (rules(), hold(60)),
    ):
        assert course(Site(known), way, given).off_h is None
    assert year(known, 50, 60, policy()).off_h is None


def test_autonomy_begins_at_the_low_mark_or_where_an_off_leads() -> None:
    """8 points an hour with a floor at 25: from 50 % 25 / 8 h.

    A load of 30 cannot be boxed into 2 points: 5 min at least take 2.5.
    """
    (quiet,) = compare(device(8.0, 24.0), rules(), [candidate(50, 60)])
    assert quiet.autonomy_h == pytest.approx(25 / 8)
    assert quiet.off_h == pytest.approx(1.25)
    (loud,) = compare(device(30.0, 40.0), rules(), [candidate(58, 60)])
    assert loud.lowest_percent == pytest.approx(57.5)
    assert loud.autonomy_h == pytest.approx(32.5 / 30)


def test_the_week_shows_the_same_offs() -> None:
    known = device(2.0, 24.0)
    shown = week(known, candidate(40, 70), rules())
    offs = [on - off for (_, off), (on, _) in zip(shown.on, shown.on[1:], strict=False)]
    assert offs == pytest.approx([2.0] * len(offs))
    levels = [level for _, level in shown.levels]
    assert (min(levels), max(levels)) == pytest.approx((66, 70))


# --- what is said of it ---------------------------------------------------------------


def test_max_off_is_said_where_it_ends_the_offs() -> None:
    """2 points an hour: 2 h take 4, 4 h would take 8; the period is 7/6 of an off."""
    known = device(2.0, 12.0)
    (here,) = compare(known, rules(), [candidate(40, 70)])
    found = offs_of(known, rules(), here)
    assert found is not None
    assert sentence(found) == (
        "While this station is off nothing is read of it, so its offs end by time and "
        "not at the low mark: at 40 to 70 % after 2.0 h in the mean; a max_off of 4h "
        "instead of 2h would make that 4.0 h, with 3,754 switchings and 150 equivalent "
        "full cycles a year instead of 7,509 and 150."
    )


@pytest.mark.parametrize(
    ("max_off_h", "other"), [(2, "4h instead of 2h"), (24, "12h instead of 1d")]
)
def test_max_off_is_said_where_it_changes_nothing(max_off_h: int, other: str) -> None:
    known, given = device(8.0, 24.0), rules(max_off_ms=max_off_h * HOUR_MS)
    (here,) = compare(known, given, [candidate(50, 60)])
    found = offs_of(known, given, here)
    assert found is not None
    assert not found.is_changed
    assert f"a max_off of {other} would change nothing there" in sentence(found)


def test_offs_stand_among_what_it_rests_on_and_in_the_document() -> None:
    known = device(2.0, 12.0)
    (here,) = compare(known, rules(), [candidate(40, 70)])
    by_time = offs_of(known, rules(), here)
    choice = choose([here, *several()], Constraints(autonomy_h=1))
    advice = advise(choice, known, by_time=by_time)
    assert sum("offs end by time" in each for each in advice.rests_on) == 1
    told = as_document(choice, known, advice)
    assert told["candidates"][0]["off_mean_h"] == 2
    assert told["candidates"][1]["off_mean_h"] is None
    assert told["offs"]["max_off_s"] == 7200
    assert told["offs"]["with_other_max_off"]["off_mean_h"] == 4
    plain = advise(choice, known)
    assert as_document(choice, known, plain)["offs"] is None
    assert not any("offs end by time" in each for each in plain.rests_on)


def test_where_offs_end_at_the_low_mark_nothing_is_said() -> None:
    known = device(8.0, 24.0)
    (here,) = compare(known, policy(), [candidate(50, 60)])
    assert offs_of(known, policy(), here) is None
