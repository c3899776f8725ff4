"""The lumped temperature against its closed form and a published run."""

from math import exp

import pytest

from tidegate.twin.cell import Cell
from tidegate.twin.charger import Charger
from tidegate.twin.device import Build, Device
from tidegate.twin.heat import Heat
from tidegate.twin.profile import Profile


def test_two_amperes_through_an_eighth_of_an_ohm_for_ten_minutes():
    # 25 + 4 x 0.12 x 8 x (1 - exp(-600 / 480)) = 27.7398 °C: first-order response,
    # any textbook on heat transfer under "lumped capacitance".
    heat = Heat(resistance_k_per_w=8.0, capacity_j_per_k=60.0)
    after_c = heat.after(25.0, 25.0, 2.0**2 * 0.12, 600.0)
    assert after_c == pytest.approx(27.7398, abs=1e-3)
    assert after_c == pytest.approx(25 + 3.84 * (1 - exp(-1.25)), abs=1e-12)


def test_it_cools_towards_its_surroundings():
    heat = Heat(resistance_k_per_w=4.0, capacity_j_per_k=200.0)
    assert heat.after(50.0, 20.0, 0.0, 800.0) == pytest.approx(20 + 30 * exp(-1))


def test_a_charged_tablet_cell_warms_as_in_thevenin():
    # pybamm Thevenin, 2 A from 20 %: 28.200 °C when 4.2 V is reached at 4362.4 s.
    build = Build(
        cell=Cell(capacity_ah=4.0, r0_ohm=0.06, r1_ohm=0.04, c1_f=750.0),
        charger=Charger(charge_a=2.0, supply_a=3.0),
        heat=Heat(resistance_k_per_w=8.0, capacity_j_per_k=61.0),
        load_a=Profile((0.0,)),
        soc_percent=20.0,
    )
    device = Device(build)
    device.advance_to(4_362_400)
    assert device.temperature_c == pytest.approx(28.200, abs=5e-3)
    assert device.true_soc_percent == pytest.approx(80.589, abs=0.01)
    assert device.voltage_v == pytest.approx(4.2, abs=1e-3)
