"""Wires, sources, parts and the plain formulas, beside published figures.

Sources: ASTM B258 and the annealed copper standard (IEC 60028), constants from memory;
IEC 60228 class 5, seen in cable makers' tables; IEC 60063 as printed in makers'
tables; USB 2.0, 7.2 and 6.6.3, from memory.
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from tidegate.eliminator.bank import RATED_V, Bank, rated_v, ripple_most_a
from tidegate.eliminator.cell import CELLS
from tidegate.eliminator.holdup import needed_f
from tidegate.eliminator.inrush import FUSE_SHARE, Inrush, fuse, precharge_ohm
from tidegate.eliminator.regulator import Kind, Load, Regulator
from tidegate.eliminator.series import E3, E6, E12, E24, FUSES, at_least, between
from tidegate.eliminator.source import SOURCES, plain
from tidegate.eliminator.units import rounded_up, shown
from tidegate.eliminator.wire import (
    CLASS_5,
    USB_2_LONGEST_M,
    diameter_mm,
    of_area,
    of_gauge,
    thicker,
)

# Gauge: diameter in mm, cross-section in mm², Ω/km at 20 °C of a solid wire. Source:
# tables of American wire gauges, as printed everywhere; here worked out from B258.
GAUGES = {
    20: (0.8118, 0.5176, 33.31),
    22: (0.6438, 0.3255, 52.96),
    24: (0.5106, 0.2047, 84.21),
    26: (0.4049, 0.1288, 133.90),
    28: (0.3211, 0.0810, 212.92),
}
# Table 6-6 of USB 2.0, from memory: the most in Ω/m that a wire of a gauge may have.
USB_2_OHM_PER_M = {20: 0.0358, 22: 0.0574, 24: 0.0909, 26: 0.145, 28: 0.232}
USB_2_LONGEST = {20: 5.00, 22: 3.33, 24: 2.08, 26: 1.31, 28: 0.81}


# --- wires ----------------------------------------------------------------------------


@pytest.mark.parametrize("gauge", GAUGES)
def test_a_gauge_is_as_in_the_tables(gauge):
    across_mm, area_mm2, ohm_per_km = GAUGES[gauge]
    wire = of_gauge(gauge)
    assert diameter_mm(gauge) == pytest.approx(across_mm, abs=1e-4)
    assert wire.area_mm2 == pytest.approx(area_mm2, abs=1e-4)
    assert wire.ohm_per_km == pytest.approx(ohm_per_km, rel=1e-3)


def test_the_two_gauges_that_define_the_others():
    # ASTM B258: 36 AWG is 0.005 inch, 0000 is 0.46 inch, 39 equal ratios between.
    assert diameter_mm(36) == pytest.approx(0.005 * 25.4)
    assert diameter_mm(-3) == pytest.approx(0.46 * 25.4)


def test_a_stranded_wire_is_about_what_usb_allows():
    # 10 % more than solid comes within 3 % of the most that USB 2.0 allows.
    for gauge, most in USB_2_OHM_PER_M.items():
        assert of_gauge(gauge).ohm_per_m(20) == pytest.approx(most, rel=0.03)


def test_the_longest_usb_cables_follow_from_its_drop():
    """Voltage drop of USB 2.0, 7.2.2: 125 mV a conductor at 500 mA, with two contacts
    of 30 mΩ in it; 5 m is the most by delay.
    """
    assert USB_2_LONGEST_M == USB_2_LONGEST
    for gauge, longest_m in USB_2_LONGEST_M.items():
        ohm = 0.125 / 0.5 - 2 * 0.030
        assert longest_m == pytest.approx(
            min(ohm / USB_2_OHM_PER_M[gauge], 5.0), rel=0.02
        )


def test_metric_sizes_are_those_of_class_5():
    # IEC 60228, table of class 5, plain copper, as printed by two cable makers.
    want = {0.5: 39.0, 0.75: 26.0, 1.0: 19.5, 1.5: 13.3, 2.5: 7.98, 4.0: 4.95, 6.0: 3.3}
    assert {area: ohm for area, ohm in CLASS_5.items() if area >= 0.5} == want
    assert of_area(0.5).ohm_per_m(20) == pytest.approx(0.039)
    # IEC 60228, annex: factors to 20 °C, at 40 °C 0.926, at 60 °C 0.862
    # (it rounds the coefficient to 0.004).
    for celsius, factor in ((40, 0.926), (60, 0.862)):
        assert 0.039 / of_area(0.5).ohm_per_m(celsius) == pytest.approx(factor, 3e-3)


def test_24_gauge_2_m_1_5_a():
    # The drop of the pair alone, solid, at 20 °C.
    wire = of_gauge(24).stranded(0)
    assert 1.5 * wire.pair_ohm(2, 20) == pytest.approx(0.5053, abs=1e-4)


def test_a_wire_settles_where_heat_made_is_heat_given():
    wire = of_gauge(24)
    settled_c = wire.settled_c(2, 40)
    made = 2**2 * wire.ohm_per_m(settled_c)
    surface_m2 = math.pi * (diameter_mm(24) + 0.5) / 1000
    assert made == pytest.approx(10 * surface_m2 * (settled_c - 40))
    assert wire.settled_c(wire.most_a(40), 40) == pytest.approx(60)
    assert wire.most_a(60) == wire.most_a(75) == 0
    # 3.5 A in 24 AWG, 11 A in 20 AWG: chassis wiring of handbooks, from memory.
    assert of_gauge(24).most_a(30) < 3.5
    assert of_gauge(20).most_a(30) < 11


def test_a_listed_wire_may_have_less_than_is_allowed():
    # IEC 60228: at most 39.0 Ω/km; 0.5 mm² of copper have 0.017241/0.5 Ω/m.
    assert of_area(0.5).least_ohm_per_m == pytest.approx(0.034482)
    assert of_gauge(24).least_ohm_per_m == pytest.approx(0.08421, rel=1e-4)


def test_a_wire_can_run_away():
    assert of_gauge(36).settled_c(5, 40) == math.inf


def test_thicker_wires_are_of_the_same_kind():
    assert [each.name for each in thicker(of_gauge(12))] == ["11 AWG", "10 AWG"]
    assert [each.name for each in thicker(of_area(2.5))] == ["4 mm²", "6 mm²"]
    assert thicker(of_area(6.0)) == []


# --- sources --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "low_v", "high_v", "ampere", "configured_a"),
    [
        # USB 2.0, 7.2.1: one unit load of 100 mA, five once configured.
        ("usb2", 4.75, 5.25, 0.1, 0.5),
        # USB 3.x: unit loads of 150 mA, six of them. From memory.
        ("usb3", 4.75, 5.50, 0.15, 0.9),
        # Battery Charging 1.2. From memory.
        ("bc1.2", 4.75, 5.25, 1.5, None),
        # USB Type-C currents, as in documents of the kernel; vSafe5V from memory.
        ("type-c", 4.75, 5.50, 0.5, None),
        ("type-c-1.5a", 4.75, 5.50, 1.5, None),
        ("type-c-3a", 4.75, 5.50, 3.0, None),
    ],
)
def test_what_a_source_gives(name, low_v, high_v, ampere, configured_a):
    found = SOURCES[name]
    assert (found.low_v, found.high_v) == (low_v, high_v)
    assert found.may_give_a(is_configured=False) == ampere
    assert found.may_give_a(is_configured=True) == (configured_a or ampere)
    assert found.is_usb
    assert "from memory" in found.source


def test_a_plain_supply_is_off_by_5_percent():
    # 5 % of 5 V is a quarter of a volt.
    found = plain(5, 2)
    assert (found.low_v, found.high_v) == pytest.approx((4.75, 5.25))
    assert found.may_give_a(is_configured=True) == 2
    assert not found.is_usb


def test_cells():
    assert (CELLS["lco"].end_v, CELLS["lco"].full_v) == (3.0, 4.2)
    assert (CELLS["lfp"].end_v, CELLS["lfp"].full_v) == (2.5, 3.65)
    lfp = CELLS["lfp"]
    assert (lfp.aim_v, lfp.cut_off_v) == (3.3, 2.8)
    # The plateau of an LFP cell, 3.2 to 3.35 V, from memory.
    assert 3.2 <= lfp.aim_v <= 3.35
    assert CELLS["lco"].full_at(4.35).recharge_v == pytest.approx(4.25)


# --- the formulas of the handbook -----------------------------------------------------


def test_hold_up_by_current_and_by_power():
    # 2 A for 10 ms within 0.5 V; 5 W for 50 ms from 4.2 to 3.4 V.
    by_current = needed_f(
        Load(current_a=2), from_v=4.2, drop_v=0.5, for_s=0.010, esr_ohm=0
    )
    by_power = needed_f(Load(power_w=5), from_v=4.2, drop_v=0.8, for_s=0.050, esr_ohm=0)
    assert by_current == pytest.approx(0.040, rel=1e-3)
    assert by_power == pytest.approx(0.08224, rel=1e-3)


def test_a_linear_regulator():
    # 5.1 V in, 3.85 V out, 1.5 A.
    regulator = Regulator(kind=Kind.LINEAR, out_v=3.85, dropout_v=0.3, efficiency=0.9)
    assert regulator.heat_w(Load(current_a=1.5), 5.1) == pytest.approx(1.875)
    assert 100 * regulator.efficiency_at(5.1) == pytest.approx(75.5, rel=1e-3)


def test_a_switching_regulator():
    regulator = Regulator(
        kind=Kind.SWITCHING, out_v=3.85, dropout_v=0.3, efficiency=0.9
    )
    load = Load(power_w=4.5)
    assert regulator.input_a(load, 5.0) == pytest.approx(1.0)
    assert regulator.needs_v == pytest.approx(4.15)
    # One that also steps up runs from 3 V, as is told; assumed, no source.
    assert replace(regulator, kind=Kind.BUCK_BOOST).needs_v == 3.0
    assert regulator.heat_w(load, 5.0) == pytest.approx(0.5)


# --- parts as they are made -----------------------------------------------------------

# IEC 60063, tables 1 to 4.
PUBLISHED = {
    E3: "1.0 2.2 4.7",
    E6: "1.0 1.5 2.2 3.3 4.7 6.8",
    E12: "1.0 1.2 1.5 1.8 2.2 2.7 3.3 3.9 4.7 5.6 6.8 8.2",
    E24: "1.0 1.1 1.2 1.3 1.5 1.6 1.8 2.0 2.2 2.4 2.7 3.0 "
    "3.3 3.6 3.9 4.3 4.7 5.1 5.6 6.2 6.8 7.5 8.2 9.1",
}


def test_the_series_are_as_published():
    for series, published in PUBLISHED.items():
        assert list(series) == [float(each) for each in published.split()]


@pytest.mark.parametrize(
    ("value", "series", "found"),
    [
        (0.0401, E6, 0.047),
        (0.047, E6, 0.047),
        (0.0069, E6, 0.010),
        (9.2, E24, 10),
        (1.75, E12, 1.8),
        (52.4, E12, 56),
        (0.1 + 0.2, E24, 0.30),
    ],
)
def test_a_value_is_rounded_up_to_what_is_made(value, series, found):
    assert at_least(value, series) == found


def test_fuses_are_made_in_ten_steps_a_decade():
    # R10 of ISO 3, as the fuses of IEC 60127 are rated: ratios of about 10^(1/10).
    for place, rating in enumerate(FUSES):
        assert rating == pytest.approx(10 ** (place / 10), rel=0.02)
    assert between(1.6, 2.4, FUSES) == 1.6
    assert between(1.7, 1.9, FUSES) is None


def test_a_bank_old_and_new():
    bank = Bank(parts=4, part_f=0.01, part_esr_ohm=0.03, tolerance=0.2, ageing=0.25)
    assert bank.marked_f == pytest.approx(0.040)
    assert bank.least_f == pytest.approx(0.040 * 0.8 * 0.75)
    assert bank.most_f == pytest.approx(0.048)
    assert bank.esr_ohm == pytest.approx(0.0075)
    assert not bank.is_double_layer


def test_rated_voltage_and_ripple():
    assert rated_v(5.04) == 6.3
    assert rated_v(5.05) == 10
    assert rated_v(5.25) in RATED_V
    # The highest that may be asked for, 5 % up.
    assert rated_v(1.05 * 60) == 80
    # A square of duty D has an alternating part of √(D - D²), half at the most.
    worst = max(math.sqrt(duty / 100 - (duty / 100) ** 2) for duty in range(101))
    assert ripple_most_a(3) == pytest.approx(3 * worst)


# --- start and fuse -------------------------------------------------------------------


def test_the_charge_that_a_port_must_stand():
    # USB 2.0, 7.2.4.1: 10 µF at 5 V are 50 µC.
    start = Inrush(volt=5, farad=10e-6, ohm=0.5)
    assert start.charge_c == pytest.approx(50e-6)
    assert start.peak_a == 10


def test_inrush_beside_a_numerical_integration():
    from scipy.integrate import quad

    start = Inrush(volt=5.25, farad=0.06, ohm=0.5)
    tau_s = 0.03

    def ampere(at_s):
        return 5.25 / 0.5 * math.exp(-at_s / tau_s)

    i2t, _ = quad(lambda at_s: ampere(at_s) ** 2, 0, 20 * tau_s)
    charge, _ = quad(ampere, 0, 20 * tau_s)
    energy, _ = quad(lambda at_s: ampere(at_s) ** 2 * 0.5, 0, 20 * tau_s)
    assert start.i2t_a2s == pytest.approx(i2t, rel=1e-6)
    assert start.charge_c == pytest.approx(charge, rel=1e-6)
    assert start.energy_j == pytest.approx(energy, rel=1e-6)
    settled, _ = quad(ampere, 0, start.settled_s)
    assert settled / charge == pytest.approx(0.95, abs=1e-3)


def test_a_precharge_resistor_keeps_the_peak():
    found = precharge_ohm(Inrush(volt=5.25, farad=0.01, ohm=0.1), 3.0, None)
    assert found == 1.8
    assert 5.25 / (found + 0.1) <= 3.0
    assert precharge_ohm(Inrush(volt=5.25, farad=0.01, ohm=2.0), 3.0, None) == 0


def test_a_precharge_resistor_is_bridged_when_that_makes_no_second_inrush():
    start = Inrush(volt=5.25, farad=0.06, ohm=1.9)
    # 5.25 V e^(-t/(R C)) across the 0.01 Ω that are left drive 3 A.
    bridged_s = start.bridged_s(0.01, 3.0)
    left_v = 5.25 * math.exp(-bridged_s / (1.9 * 0.06))
    assert left_v / 0.01 == pytest.approx(3.0)
    # Nothing is gained before 95 % are there, nor where the loop holds it back alone.
    assert start.bridged_s(0.5, 3.0) == start.settled_s
    assert start.bridged_s(1.9, 3.0) == start.settled_s


def test_a_fuse_carries_the_load_and_no_more_than_the_wire():
    found = fuse(current_a=1.2, most_a=2.4, rating_a=None, melting=None)
    assert found is not None
    assert found.rating_a == 1.6
    assert found.rating_a * FUSE_SHARE >= 1.2
    # Ten times 1.6 A for 10 ms (IEC 60127-2, from memory).
    assert found.melting_a2s == pytest.approx(16**2 * 0.010)
    assert fuse(current_a=1.3, most_a=1.9, rating_a=None, melting=None) is None
    named = fuse(current_a=1.2, most_a=2.4, rating_a=1.5, melting=3.0)
    assert named is not None
    assert (named.rating_a, named.melting_a2s) == (1.5, 3.0)


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (0.08224, "F", "82.2 mF"),
        (0.0009999, "F", "1 mF"),
        (50e-6, "C", "50 µC"),
        (1.2, "A", "1.2 A"),
        (0.999999, "A", "1 A"),
        (1000.0, "W", "1 kW"),
        (4.7321, "V", "4.73 V"),
        (0.0123, "V", "0.012 V"),
        (0.0, "A", "0 A"),
        (-0.333, "A", "-333 mA"),
        (math.inf, "K/W", "no end of K/W"),
    ],
)
def test_quantities_in_words(value, unit, text):
    assert shown(value, unit) == text


@pytest.mark.parametrize(
    ("value", "up"), [(0.047891, 0.0479), (0.047901, 0.048), (0.2, 0.2), (10.41, 10.5)]
)
def test_what_must_be_enough_is_rounded_up(value, up):
    assert rounded_up(value) == pytest.approx(up, rel=1e-12)
