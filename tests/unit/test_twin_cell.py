"""The twin's cell against a published equivalent-circuit solver.

The numbers are runs of pybamm's ``equivalent_circuit.Thevenin`` model with constants
(tablet-size cell: 4 Ah, R0 0.06, R1 0.04 ohm, C1 750 F, open-circuit voltage straight
between the Ai2020 points), made once outside the project and typed in here.
"""

import pytest

from tidegate.twin.cell import AI2020_LCO, Cell, Curve, State, first_time

TABLET = Cell(capacity_ah=4.0, r0_ohm=0.06, r1_ohm=0.04, c1_f=750.0)


@pytest.mark.parametrize(
    ("soc", "volts"),
    [
        # pybamm's parameter set Ai2020 (DOI 10.1149/2.0122001JES, from memory).
        (0.55, 3.8122),
        (0.60, 3.8365),
        (0.65, 3.8675),
        (0.0, 3.0),
        (1.0, 4.2),
    ],
)
def test_open_circuit_voltage_is_that_of_the_published_cell(soc, volts):
    assert AI2020_LCO.volts(soc) == pytest.approx(volts, abs=2e-4)


def test_the_curve_rises_by_5_5_millivolts_a_point_in_the_middle():
    # The same parameter set: 55 to 65 %, mean slope 5.5 mV per 1 %.
    rise = AI2020_LCO.volts(0.65) - AI2020_LCO.volts(0.55)
    assert rise / 10 == pytest.approx(5.5e-3, abs=0.05e-3)


def test_a_discharge_and_the_charge_after_it_follow_thevenin():
    start = State(0.65)
    assert TABLET.voltage_v(start, -0.4) == pytest.approx(3.84350, abs=1e-3)
    empty = TABLET.carried(start, -0.4, 3600)
    assert empty.soc == pytest.approx(0.55, abs=1e-9)
    assert TABLET.voltage_v(empty, -0.4) == pytest.approx(3.77220, abs=1e-3)
    for after_s, volts in [
        (5, 3.87823),
        (30, 3.90987),
        (60, 3.92597),
        (1200, 3.98750),
    ]:
        state = TABLET.carried(empty, 1.2, after_s)
        assert TABLET.voltage_v(state, 1.2) == pytest.approx(volts, abs=1e-3)
    charged = TABLET.carried(empty, 1.2, 1200)
    for after_s, volts in [(5, 3.90813), (30, 3.88515), (300, 3.86750)]:
        state = TABLET.carried(charged, 0.0, after_s)
        assert TABLET.voltage_v(state, 0.0) == pytest.approx(volts, abs=1e-3)


def test_a_curve_goes_on_beyond_its_ends():
    curve = Curve(((0.0, 3.0), (0.5, 3.5), (1.0, 4.5)))
    assert curve.volts(-0.1) == pytest.approx(2.9)
    assert curve.volts(1.1) == pytest.approx(4.7)
    assert curve.next_point(0.4) == 0.5
    assert curve.next_point(0.5) == float("inf")
    # The area of two trapezoids, by hand.
    assert curve.area(1.0) == pytest.approx(0.5 * 3.25 + 0.5 * 4.0)


@pytest.mark.parametrize(
    "points", [((0.0, 3.0),), ((0.0, 3.0), (1.0, 3.0)), ((1.0, 3.0), (0.0, 4.0))]
)
def test_a_curve_that_does_not_rise_is_refused(points):
    with pytest.raises(AssertionError):
        Curve(points)


def test_first_time_lands_on_the_side_that_holds():
    at_s = first_time(lambda t: t * t >= 2, 10)
    assert at_s == pytest.approx(2**0.5, abs=1e-12)
    assert at_s * at_s >= 2
