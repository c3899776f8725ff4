"""Hold-up beside an independent numerical integration of the same circuit."""

from __future__ import annotations

import math

import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from tidegate.eliminator.bank import LARGEST_F, Task, choices, of_parts
from tidegate.eliminator.holdup import needed_f, step_v, voltage_v
from tidegate.eliminator.regulator import Load
from tidegate.eliminator.series import E6

CASES = [
    # W, from V, F, Ω, s
    (5.0, 4.2, 0.08224, 0.0, 0.050),
    (5.0, 4.2, 0.100, 0.010, 0.050),
    (8.0, 3.85, 0.050, 0.030, 0.010),
    (3.0, 3.85, 1.0, 0.300, 0.400),
    (12.0, 3.85, 0.200, 0.020, 0.040),
]


def integrated(power_w, from_v, farad, ohm, for_s):
    """Follow the charge of the capacitor; the terminals are where U - R P/V = V."""

    def terminals_v(cell_v):
        return cell_v / 2 + math.sqrt(cell_v**2 / 4 - power_w * ohm)

    found = solve_ivp(
        lambda _, cell_v: [-power_w / terminals_v(cell_v[0]) / farad],
        (0, for_s),
        [from_v],
        rtol=1e-10,
        atol=1e-12,
    )
    assert found.success
    return terminals_v(found.y[0][-1])


@pytest.mark.parametrize(("power_w", "from_v", "farad", "ohm", "for_s"), CASES)
def test_constant_power_ends_where_the_integration_does(
    power_w, from_v, farad, ohm, for_s
):
    want_v = integrated(power_w, from_v, farad, ohm, for_s)
    load = Load(power_w=power_w)
    found_v = voltage_v(load, from_v=from_v, farad=farad, esr_ohm=ohm, at_s=for_s)
    assert found_v == pytest.approx(want_v, abs=1e-7)
    # And backwards: what is needed for that drop is that capacitance.
    needed = needed_f(
        load, from_v=from_v, drop_v=from_v - want_v, for_s=for_s, esr_ohm=ohm
    )
    assert needed == pytest.approx(farad, rel=1e-6)


def test_without_resistance_it_is_the_handbook_formula():
    needed = needed_f(Load(power_w=5), from_v=4.2, drop_v=0.8, for_s=0.05, esr_ohm=0)
    assert needed == pytest.approx(2 * 5 * 0.05 / (4.2**2 - 3.4**2))


def test_constant_current_takes_the_resistance_off_the_drop():
    # C = I dt/(dV - I R): 2 A and 50 mΩ leave 0.4 V of 0.5 V.
    load = Load(current_a=2)
    needed = needed_f(load, from_v=4.2, drop_v=0.5, for_s=0.01, esr_ohm=0.05)
    assert needed == pytest.approx(2 * 0.01 / 0.4)
    assert needed_f(load, from_v=4.2, drop_v=0.5, for_s=0.01, esr_ohm=0.25) is None
    end_v = voltage_v(load, from_v=4.2, farad=0.05, esr_ohm=0.05, at_s=0.01)
    assert end_v == pytest.approx(3.7)
    assert voltage_v(load, from_v=4.2, farad=1e-4, esr_ohm=0.0, at_s=0.01) is None


def test_the_step_of_the_resistance():
    assert step_v(Load(current_a=2), from_v=4.0, esr_ohm=0.05) == pytest.approx(0.1)
    found = step_v(Load(power_w=8), from_v=4.0, esr_ohm=0.05)
    # The root of V (4 - V) = 8 W × 0.05 Ω, found by bisection.
    want = 4 - brentq(lambda volt: volt * (4 - volt) - 0.4, 2, 4)
    assert found == pytest.approx(want)
    assert step_v(Load(power_w=90), from_v=4.0, esr_ohm=0.05) is None


def test_more_power_than_the_resistance_lets_through():
    # U²/4R = 4 W is the most that 4 V behind 1 Ω give.
    more = Load(power_w=4.1)
    assert needed_f(more, from_v=4, drop_v=1, for_s=0.01, esr_ohm=1) is None
    assert voltage_v(more, from_v=4, farad=1, esr_ohm=1, at_s=0) is None


def test_the_voltage_breaks_down_before_the_drop_is_used():
    """At √(P R) = 2.4 V the current runs away, though 2.0 V were allowed."""
    load = Load(power_w=5.76)
    needed = needed_f(load, from_v=5.0, drop_v=3.0, for_s=0.1, esr_ohm=1.0)
    assert needed is not None
    held = voltage_v(load, from_v=5.0, farad=needed * 1.001, esr_ohm=1.0, at_s=0.1)
    assert held is not None
    assert held >= 2.4
    lost = voltage_v(load, from_v=5.0, farad=needed * 0.999, esr_ohm=1.0, at_s=0.1)
    assert lost is None


def test_without_resistance_it_can_be_emptied():
    load = Load(power_w=1.0)
    # 0.5 C V² = 8 J at 4 V and 1 F: gone after 8 s.
    assert voltage_v(load, from_v=4, farad=1, esr_ohm=0, at_s=7.99) is not None
    assert voltage_v(load, from_v=4, farad=1, esr_ohm=0, at_s=8.01) is None
    assert needed_f(load, from_v=4, drop_v=4, for_s=1, esr_ohm=0) is None


# --- banks ----------------------------------------------------------------------------


def task(**changed):
    return Task(
        **{
            "load": Load(power_w=5),
            "from_v": 4.2,
            "drop_v": 0.8,
            "for_s": 0.05,
            "part_esr_ohm": 0.03,
            "tolerance": 0.2,
            "ageing": 0.2,
            **changed,
        }
    )


@pytest.mark.parametrize("parts", [1, 2, 5, 12])
def test_a_bank_holds_when_it_is_old_and_no_smaller_one_does(parts):
    wanted = task()
    bank = of_parts(wanted, parts)
    assert bank is not None
    ends_v = integrated(5.0, 4.2, bank.least_f, bank.esr_ohm, 0.05)
    assert 4.2 - ends_v <= 0.8
    # The next smaller value of E6 would not have done.
    smaller = max(
        each * 10.0**power
        for power in range(-6, 3)
        for each in E6
        if each * 10.0**power < bank.part_f * 0.999
    )
    less = bank.parts * smaller * 0.8 * 0.8
    needed = wanted.needed_f(parts)
    assert needed is not None
    assert less < needed <= bank.least_f


def test_small_parts_come_first_and_large_ones_where_they_must():
    found = choices(task())
    assert found
    assert all(each.part_f <= LARGEST_F for each in found)
    assert [(each.parts, each.part_f) for each in found] == [(13, 0.01), (19, 0.0068)]
    (large,) = choices(task(for_s=1.0))
    assert large.is_double_layer
    assert large.parts == 1
    assert choices(task(part_esr_ohm=50.0)) == []
