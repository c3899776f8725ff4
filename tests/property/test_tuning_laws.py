"""Laws of a year of cycles, over devices and windows of all kinds."""

from __future__ import annotations

from math import isfinite

from hypothesis import example, given, settings
from hypothesis import strategies as st

from support.tuned_device import candidate, device, policy
from tidegate.tuning.course import course
from tidegate.tuning.paths import WEEK_H, Line, Rising, Strained, Stretch
from tidegate.tuning.reach import autonomy_h
from tidegate.tuning.site import Site

RATES = st.floats(0.5, 40.0)
# Whole numbers of which each example draws some thirty: a week of free floats would
# take minutes to shrink.
DAYS = st.lists(st.integers(1, 80), min_size=28, max_size=28)
WEEKS = DAYS.map(lambda parts: [part / 2 for part in parts for _ in range(6)])
LOW = st.integers(30, 60)
WIDTH = st.integers(5, 35)


@settings(max_examples=60, deadline=None)
@given(load=RATES, charge=RATES, low=LOW, width=WIDTH)
def test_constant_rates_give_the_closed_form(
    load: float, charge: float, low: int, width: int
) -> None:
    """EFC = l c / (l + c) x 87.6 and two switchings a period, whatever the window.

    Source: the fact file on wear, 0.2; elementary. The dwell and the budget are set
    so that neither holds anything up.
    """
    year = course(
        Site(device(load, charge)),
        candidate(low, low + width, dwell_on_ms=5000, dwell_off_ms=5000),
        policy(per_hour=1000, per_day=20_000),
    )
    efc = 87.6 * load * charge / (load + charge)
    period = width / load + width / charge
    assert abs(year.efc_per_year / efc - 1) < 1e-6
    assert abs(year.switchings_per_year / (2 * 8760 / period) - 1) < 1e-6
    assert abs(year.mean_percent - (low + width / 2)) < 1e-6
    duty = year.duty
    assert abs(duty.days - 365) < 1e-6
    assert abs(duty.efc / efc - 1) < 1e-6
    assert abs(sum(duty.moved.values()) / efc - 1) < 1e-6


@settings(max_examples=15, deadline=None)
@given(load=WEEKS, charge=WEEKS, low=LOW, width=WIDTH)
def test_any_week_stays_in_its_window_and_adds_up(
    load: list[float], charge: list[float], low: int, width: int
) -> None:
    year = course(
        Site(device(load, charge)),
        candidate(low, low + width, dwell_on_ms=5000, dwell_off_ms=5000),
        policy(per_hour=1000, per_day=20_000),
    )
    assert low < year.mean_percent < low + width
    assert year.outside_h < 1e-3
    assert year.under_h < 1e-3
    # Down as much as up, so the path is the width times the switchings.
    path = width * year.switchings_per_year / 200
    assert abs(year.efc_per_year / path - 1) < 0.02
    slow = 87.6 * min(load) * min(charge) / (min(load) + min(charge))
    quick = 87.6 * max(load) * max(charge) / (max(load) + max(charge))
    assert slow * 0.99 < year.efc_per_year < quick * 1.01


@settings(max_examples=40, deadline=None)
@given(
    rates=WEEKS,
    hour=st.floats(0, 300),
    level=st.floats(5, 60),
    more=st.floats(0.1, 39),
    slows=st.dictionaries(st.integers(50, 95).map(float), st.floats(0.05, 0.9)),
)
def test_both_ways_up_agree_and_are_inverse(
    rates: list[float],
    hour: float,
    level: float,
    more: float,
    slows: dict[float, float],
) -> None:
    stretch = Stretch(slows)
    quick, slow = (
        Rising(rates, stretch, 8 * WEEK_H),
        Strained(rates, stretch, 8 * WEEK_H),
    )
    reached = quick.reaches(hour, level, level + more)
    assert abs(reached - slow.reaches(hour, level, level + more)) < 1e-6
    assert abs(quick.level(hour, level, reached) - (level + more)) < 1e-6
    assert abs(slow.level(hour, level, reached) - (level + more)) < 1e-6
    levels = [each for _, each in quick.track(hour, level, reached)]
    assert levels == sorted(levels)


@settings(max_examples=40, deadline=None)
@given(rates=WEEKS, amount=st.floats(0, 2000))
def test_a_line_is_its_inverses_inverse(rates: list[float], amount: float) -> None:
    line = Line(rates, 20 * WEEK_H)
    hour = line.when(amount)
    if isfinite(hour):
        assert abs(line.at(hour) - amount) < 1e-6


@settings(max_examples=15, deadline=None)
@example(load=[1.0] * 166 + [2.0, 4.0], fall=5.0)
@given(load=WEEKS, fall=st.floats(1, 60))
def test_the_worst_autonomy_is_not_above_any(load: list[float], fall: float) -> None:
    site = Site(device(load, 20.0))
    worst, mean = autonomy_h(site, from_percent=20 + fall, to_percent=20)
    starts = [WEEK_H + number / 5 for number in range(5 * WEEK_H)]
    lasts = [site.load.when(site.load.at(each) + fall) - each for each in starts]
    assert worst <= min(lasts) + 1e-6
    assert worst >= fall / max(load) - 1e-6
    assert min(lasts) - 1e-6 <= mean <= max(lasts) + 1e-6
