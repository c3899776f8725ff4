"""The twin's charger: two published charges, the bands of heat, the shared supply."""

import pytest

from tidegate.twin.cell import Cell, State
from tidegate.twin.charger import Band, Charger, Offer, band

TABLET = Cell(capacity_ah=4.0, r0_ohm=0.06, r1_ohm=0.04, c1_f=750.0)
LONG_S = 1e6


@pytest.mark.parametrize(
    ("soc", "offer", "cc_s", "cc_soc", "cv_s", "cv_soc"),
    [
        # pybamm Thevenin, constants as in test_twin_cell, end current 0.2 A.
        (0.20, Offer(2.0, 4.2), 4362.4, 0.80589, 3121.6, 0.98199),
        (0.50, Offer(1.0, 4.1), 4404.8, 0.80589, 2487.9, 0.89137),
    ],
)
def test_a_charge_takes_as_long_as_in_thevenin(soc, offer, cc_s, cc_soc, cv_s, cv_soc):
    charger = Charger(charge_a=2.0, end_a=0.2)
    current = charger.charge(TABLET, State(soc), offer, LONG_S)
    assert current.took_s == pytest.approx(cc_s, abs=5)
    assert current.state.soc == pytest.approx(cc_soc, abs=1e-3)
    assert not current.ended
    voltage = charger.charge(TABLET, current.state, offer, LONG_S)
    assert voltage.took_s == pytest.approx(cv_s, abs=5)
    assert voltage.state.soc == pytest.approx(cv_soc, abs=1e-3)
    assert voltage.ended


def test_the_change_to_constant_voltage_is_where_algebra_puts_it():
    # With the RC pair settled: OCV = 4.2 - 2 A x (0.06 + 0.04) = 4.0 V, which the
    # curve has at 0.8 + 0.1 x (4.0 - 3.9945) / (4.0879 - 3.9945) = 0.805889.
    stretch = Charger().charge(TABLET, State(0.2), Offer(2.0, 4.2), LONG_S)
    assert stretch.state.soc == pytest.approx(0.805889, abs=1e-6)


def test_a_charge_goes_on_where_both_modes_give_the_same():
    # Found by the fault search: what was left of constant current was 1e-13 s, again
    # and again.
    cell = Cell(capacity_ah=6.8711791856685185)
    state = State(0.7431841979973867, 0.10165373060569483)
    offer = Offer(2.5413432651423706, 4.2)
    assert cell.holding_current_a(state, 4.2) == pytest.approx(offer.current_a)
    stretch = Charger(end_a=0.20852881245599084).charge(cell, state, offer, 32.4)
    assert stretch.took_s == 32.4
    assert stretch.state.soc > state.soc


@pytest.mark.parametrize(
    ("temperature_c", "expected", "offer"),
    [
        # TI BQ25882 data sheet, register 08h (the JEITA bands); 2 A, 4.2 V cell.
        (-1.0, Band.TOO_COLD, None),
        (5.0, Band.COOL, Offer(0.4, 4.2)),
        (20.0, Band.NORMAL, Offer(2.0, 4.2)),
        (50.0, Band.WARM, Offer(2.0, 4.0)),
        (61.0, Band.TOO_HOT, None),
        # Both sides of each boundary; where a boundary belongs is our choice.
        (-0.01, Band.TOO_COLD, None),
        (0.0, Band.COOL, Offer(0.4, 4.2)),
        (9.99, Band.COOL, Offer(0.4, 4.2)),
        (10.0, Band.NORMAL, Offer(2.0, 4.2)),
        (44.99, Band.NORMAL, Offer(2.0, 4.2)),
        (45.0, Band.WARM, Offer(2.0, 4.0)),
        (60.0, Band.WARM, Offer(2.0, 4.0)),
        (60.01, Band.TOO_HOT, None),
    ],
)
def test_each_band_of_heat_has_its_charge(temperature_c, expected, offer):
    assert band(temperature_c) is expected
    assert Charger(charge_a=2.0).offer(temperature_c, 9.0) == offer


@pytest.mark.parametrize(
    ("spare_a", "current_a"), [(5.0, 2.0), (0.7, 0.7), (0.0, None), (-0.3, None)]
)
def test_the_battery_gets_what_the_load_leaves(spare_a, current_a):
    offer = Charger(charge_a=2.0).offer(25.0, spare_a)
    assert (offer and offer.current_a) == current_a


def test_a_charge_ends_at_once_where_the_battery_is_already_full():
    stretch = Charger(end_a=0.2).charge(TABLET, State(0.999), Offer(2.0, 4.2), 60)
    assert stretch == (State(0.999), 0.0, 0.0, True)


@pytest.mark.parametrize(
    ("soc", "temperature_c", "again"),
    # 4.1 V is at 0.9108 and 3.9 V at 0.6892 of the curve.
    [
        (0.91, 25.0, True),
        (0.912, 25.0, False),
        (0.688, 50.0, True),
        (0.690, 50.0, False),
    ],
)
def test_a_charge_begins_again_under_its_threshold(soc, temperature_c, again):
    charger = Charger(again_below_v=0.1)
    assert charger.begins_again(TABLET, State(soc), temperature_c) is again


def test_the_heat_of_a_charge_is_what_was_not_stored():
    # By hand: I^2 (R0 + R1) t, less what the RC pair saves while it settles,
    # 1.5 x R1 C1 x I^2 R1 = 7.2 J.
    stretch = Charger().charge(TABLET, State(0.2), Offer(2.0, 4.2), LONG_S)
    assert stretch.heat_j == pytest.approx(0.4 * stretch.took_s - 7.2, abs=1e-3)


def test_a_charger_without_an_end_is_refused():
    with pytest.raises(AssertionError):
        Charger(end_a=0.0)
