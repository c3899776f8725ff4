"""A duty: what it adds up to, and what it is over again or held instead."""

from __future__ import annotations

import pytest

from tidegate.wear.duty import Duty


def test_a_window_of_ten_points_every_three_hours() -> None:
    # Arithmetic: 8 a day for 365 days are 2920; a tenth of each is 292 full ones.
    duty = Duty.cycling(55, 65, period_h=3, temperature_c=25, days=365)
    assert duty.cycles == {(10, 60): pytest.approx(2920)}
    assert duty.efc == pytest.approx(292)
    assert duty.efc_per_year == pytest.approx(292)
    assert duty.days == pytest.approx(365)
    assert duty.moved == {25: pytest.approx(292)}
    assert duty.rate_per_h == pytest.approx(0.1 / 1.5)


@pytest.mark.parametrize(("period_h", "efc"), [(6, 146), (12, 73), (24, 36.5)])
def test_a_slower_cycle_moves_less_in_a_year(period_h: float, efc: float) -> None:
    duty = Duty.cycling(55, 65, period_h=period_h, temperature_c=25, days=100)
    assert duty.efc_per_year == pytest.approx(efc)


def test_a_triangle_rests_evenly_around_its_middle() -> None:
    duty = Duty.cycling(20, 80, period_h=24, temperature_c=25, days=10)
    levels = [level for level, _ in duty.rests]
    assert 20 < min(levels) < 20.1
    assert 79.9 < max(levels) < 80
    assert len(set(duty.rests.values())) == 1
    assert sum(levels) / len(levels) == pytest.approx(50)


@pytest.mark.parametrize(
    ("low", "high", "period_h"),
    [(65, 55, 3), (60, 60, 3), (-1, 50, 3), (50, 101, 3), (55, 65, 0), (55, 65, -1)],
)
def test_a_triangle_that_is_none(low: float, high: float, period_h: float) -> None:
    with pytest.raises(ValueError, match="%"):
        Duty.cycling(low, high, period_h=period_h, temperature_c=25, days=1)


def test_no_time_has_no_pace() -> None:
    duty = Duty(rests={})
    assert (duty.days, duty.efc, duty.efc_per_year) == (0, 0, 0)
    assert duty.shares_by_heat == {}


def test_held_keeps_the_time_at_each_temperature() -> None:
    duty = Duty(
        rests={(50, 20): 10.0, (60, 20): 5.0, (60, 30): 1.0},
        cycles={(10, 55): 2},
        moved={20: 0.2},
        rate_per_h=0.1,
    )
    assert duty.held(100) == Duty(rests={(100, 20): 15.0, (100, 30): 1.0})


def test_the_same_many_times_over_keeps_its_pace() -> None:
    duty = Duty.cycling(55, 65, period_h=3, temperature_c=25, days=10)
    twice = duty.times(2)
    assert twice.days == pytest.approx(20)
    assert twice.efc == pytest.approx(2 * duty.efc)
    assert twice.efc_per_year == pytest.approx(duty.efc_per_year)
    assert twice.rate_per_h == duty.rate_per_h


def test_throughput_is_shared_out_by_where_it_was_moved() -> None:
    rests = {(60.0, 20.0): 3.0, (60.0, 30.0): 1.0}
    cycles = {(10.0, 60.0): 40.0}
    told = Duty(rests=rests, cycles=cycles, moved={20: 1.0, 40: 3.0})
    assert told.shares_by_heat == {20: 0.25, 40: 0.75}
    untold = Duty(rests=rests, cycles=cycles)
    assert untold.shares_by_heat == {20: 0.75, 30: 0.25}


def test_cycles_need_a_temperature() -> None:
    with pytest.raises(ValueError, match="temperature"):
        Duty(rests={}, cycles={(10, 60): 1})
