"""Each check of a design on both sides of its limit, and that what mends it mends it."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from scipy.optimize import brentq

from tidegate.cli.convert_parts import wire_of
from tidegate.eliminator.asked import Asked
from tidegate.eliminator.bank import Bank
from tidegate.eliminator.cell import CELLS
from tidegate.eliminator.check import Outcome
from tidegate.eliminator.checks_back import enough_f, taken_v
from tidegate.eliminator.ladder import ladder
from tidegate.eliminator.regulator import (
    BLOCKING_V,
    Kind,
    Load,
    feed,
    gives_a,
    highest_in_v,
    longest_m,
)
from tidegate.eliminator.sizing import sized
from tidegate.eliminator.source import SOURCES, plain
from tidegate.eliminator.usual import usual
from tidegate.eliminator.wire import of_area, of_gauge
from tidegate.report.convert_numbers import numbers

CODES = [
    "source_current",
    "far_voltage",
    "copper",
    "regulator_input",
    "output_level",
    "junction",
    "hold_up",
    "cut_off",
    "inrush",
    "fuse_rating",
    "fuse_melting",
    "charger_pushes",
    "reverse_current",
]


def design(**changed):
    """A design that passes: 1.2 A, peaks of 5 W, 5 V/3 A, 1 m of 24 AWG, linear."""
    return Asked(
        **{
            "load": Load(current_a=1.2),
            "peak": Load(power_w=5.0),
            "out_v": 3.85,
            "is_port_fed": False,
            "thermal_k_per_w": 40.0,
            **changed,
        }
    )


def check(code, **changed):
    found = {each.code: each for each in sized(design(**changed)).checks}
    return found[code]


def outcome(code, **changed):
    return check(code, **changed).outcome


PASSES, FAILS, UNKNOWN = Outcome


def test_the_design_passes_and_each_check_says_how():
    made = sized(design())
    assert made.passes
    assert [each.code for each in made.checks] == [
        code for code in CODES if code != "far_voltage"
    ]
    for each in made.checks:
        assert each.formula
        assert each.source
        assert each.mend == ()


def test_usb_has_a_least_voltage_at_the_far_end_too():
    assert [each.code for each in sized(design(source=SOURCES["usb2"])).checks] == CODES


# --- from the source to the regulator -------------------------------------------------


@pytest.mark.parametrize(
    ("source", "ampere", "configured", "want"),
    [
        ("usb2", 0.1, False, PASSES),
        ("usb2", 0.11, False, FAILS),
        ("usb2", 0.5, True, PASSES),
        ("usb2", 0.51, True, FAILS),
        ("usb3", 0.9, True, PASSES),
        ("type-c", 0.5, True, PASSES),
        ("bc1.2", 1.51, False, FAILS),
        ("type-c-3a", 3.0, False, PASSES),
    ],
)
def test_current_of_the_source(source, ampere, configured, want):
    load = Load(current_a=ampere)
    found = outcome(
        "source_current",
        load=load,
        peak=load,
        source=SOURCES[source],
        is_configured=configured,
    )
    assert found is want


def test_linear_drop_by_hand():
    """24 AWG, 2 m, 1.5 A, solid, 20 °C: 0.5053 V; four contacts of 30 mΩ: 0.18 V."""
    asked = design(
        load=Load(current_a=1.5),
        wire=of_gauge(24).stranded(0),
        length_m=2.0,
        copper_c=20.0,
    )
    found = feed(asked.way, asked.regulator, asked.load, 4.75)
    assert found is not None
    assert found.after_cable_v == pytest.approx(4.75 - 0.5053, abs=1e-4)
    assert found.far_v == pytest.approx(4.75 - 0.5053 - 0.18, abs=1e-4)
    assert found.in_v == pytest.approx(found.far_v - 0.05)


@pytest.mark.parametrize("length_m", [0.5, 2.0, 5.5])
def test_switching_input_beside_a_root_finder(length_m):
    """The input voltage is where V = U - R P/V, the upper one of two such places."""
    asked = design(
        load=Load(power_w=4.5),
        kind=Kind.SWITCHING,
        length_m=length_m,
        copper_c=20.0,
    )
    found = feed(asked.way, asked.regulator, asked.load, 5.0)
    assert found is not None
    ohm = 0.12 + 2 * length_m * 0.08421 * 1.1
    open_v = 5.0 - 0.05
    want_v = brentq(lambda volt: volt * (open_v - volt) - ohm * 5.0, open_v / 2, open_v)
    # 84.21 Ω/km has four digits.
    assert found.in_v == pytest.approx(want_v, abs=5e-4)
    assert found.current_a == pytest.approx(5.0 / want_v, abs=5e-4)


def test_more_power_than_a_cable_passes():
    changed = {
        "load": Load(power_w=9.0),
        "peak": Load(power_w=9.0),
        "kind": Kind.SWITCHING,
        "length_m": 8.0,
        "wire": of_gauge(28),
        "source": SOURCES["type-c-3a"],
    }
    made = sized(design(**changed))
    assert made.feed is None
    for code in ("source_current", "far_voltage", "copper", "regulator_input"):
        assert outcome(code, **changed) is FAILS
    assert outcome("fuse_rating", **changed) is UNKNOWN
    assert "no state settles" in check("regulator_input", **changed).formula
    assert [step.name for step in ladder(made)][:2] == ["source", "terminals"]


def test_drop_out_just_enough_and_just_not():
    longest = sized(design()).longest_m
    assert outcome("regulator_input", length_m=longest * 0.999) is PASSES
    assert outcome("regulator_input", length_m=longest * 1.001) is FAILS


@pytest.mark.parametrize("kind", Kind)
def test_the_longest_cable_leaves_just_enough(kind):
    asked = design(load=Load(power_w=4.0), kind=kind)
    longest = longest_m(asked.way, asked.regulator, asked.load, 4.75)
    at_most = replace(asked.way, length_m=longest * 0.9999)
    found = feed(at_most, asked.regulator, asked.load, 4.75)
    assert found is not None
    assert found.in_v == pytest.approx(asked.regulator.needs_v, abs=1e-3)
    beyond = replace(asked.way, length_m=longest * 1.001)
    found = feed(beyond, asked.regulator, asked.load, 4.75)
    assert found is None or found.in_v < asked.regulator.needs_v


def test_no_cable_is_short_enough_where_the_source_is_too_low():
    assert sized(design(out_v=4.2, dropout_v=0.6)).longest_m == 0


def test_far_end_of_usb():
    changed = {
        "source": SOURCES["usb2"],
        "is_configured": True,
        "load": Load(current_a=0.5),
    }
    assert outcome("far_voltage", length_m=2.0, **changed) is PASSES
    assert outcome("far_voltage", length_m=4.0, **changed) is FAILS
    assert check("far_voltage", **changed).limit == 4.40


def test_a_thin_wire_gets_hot():
    hot = {"load": Load(current_a=2.5), "wire": of_gauge(30), "length_m": 0.1}
    assert outcome("copper", **hot) is FAILS
    assert outcome("copper", **{**hot, "wire": of_gauge(20)}) is PASSES


def test_the_output_is_not_above_a_full_cell():
    assert outcome("output_level", out_v=4.2) is PASSES
    assert outcome("output_level", out_v=4.21) is FAILS
    full = CELLS["lco"].full_at(4.35)
    assert outcome("output_level", out_v=4.3, cell=full) is PASSES
    assert outcome("output_level", out_v=3.85, cell=CELLS["lfp"]) is FAILS
    assert "LFP ends at 3.65 V" in check("output_level").formula
    assert "LFP" not in check("output_level", cell=full).formula


def test_junction_by_hand():
    # The copper surely takes 1.2 A × 2 m × 84.21 mΩ/m; the rest is heat.
    asked = design()
    in_v = highest_in_v(asked.way, asked.regulator, asked.load, 5.25)
    assert in_v == pytest.approx(5.25 - 1.2 * 2 * 0.08421, abs=1e-4)
    watt = (in_v - 3.85) * 1.2
    found = check("junction")
    assert found.value == pytest.approx(40 + 40 * watt)
    assert outcome("junction", thermal_k_per_w=85 / watt * 1.001) is FAILS
    assert outcome("junction", thermal_k_per_w=85 / watt * 0.999) is PASSES


def test_without_k_per_w_the_junction_cannot_be_told():
    found = check("junction", thermal_k_per_w=None)
    assert found.outcome is UNKNOWN
    assert "--thermal" in found.mend[0]
    most = float(re.search(r"at most (\d+) K/W", found.formula)[1])
    assert outcome("junction", thermal_k_per_w=most - 1) is PASSES
    assert outcome("junction", thermal_k_per_w=most + 1) is FAILS


def test_no_k_per_w_cools_what_no_voltage_settles_for():
    blocked = {"load": Load(power_w=30.0), "kind": Kind.SWITCHING, "length_m": 9.0}
    for thermal in (None, 40.0):
        untold = check("junction", thermal_k_per_w=thermal, **blocked)
        assert untold.outcome is UNKNOWN
        assert untold.formula == "what it rests on fails: mend that first"
        assert untold.mend == ()


def test_a_linear_one_with_too_little_at_its_input_makes_no_sum_of_it():
    made = sized(design(out_v=7.0))
    (found,) = (each for each in made.checks if each.code == "junction")
    assert "is less than it is to give" in found.formula
    assert "efficiency of the regulator" not in dict(numbers(made))
    assert made.feed is not None
    assert made.asked.regulator.efficiency_at(made.feed.in_v) is None


def test_the_longest_cable_leaves_the_far_end_of_usb_enough():
    changed = {
        "source": SOURCES["usb3"],
        "is_configured": True,
        "load": Load(power_w=2.0),
        "kind": Kind.BUCK_BOOST,
    }
    longest = sized(design(**changed)).longest_m
    assert outcome("far_voltage", length_m=longest * 0.999, **changed) is PASSES
    assert outcome("far_voltage", length_m=longest * 1.001, **changed) is FAILS


@pytest.mark.parametrize("kind", Kind)
def test_the_source_gives_no_more_than_the_cable_lets_through(kind):
    """The most at the output, beside a search through all currents."""
    asked = design(load=Load(current_a=0.5), kind=kind, copper_c=20.0)
    found = feed(asked.way, asked.regulator, asked.load, 4.75)
    assert found is not None
    ohm = 0.12 + 2 * 0.08421 * 1.1
    best_a = 0.0
    for milli in range(3001):
        in_v = 4.75 - 0.05 - ohm * milli / 1000
        if in_v >= asked.regulator.needs_v:
            by_power = in_v * 0.9 / 3.85 if kind is not Kind.LINEAR else 1.0
            best_a = max(best_a, milli / 1000 * by_power)
    given_a = gives_a(asked.way, asked.regulator, found, 3.0)
    assert given_a == pytest.approx(best_a, abs=3e-3)


# --- hold-up --------------------------------------------------------------------------


def bank(parts, part_f, esr_ohm=0.03):
    return Bank(
        parts=parts, part_f=part_f, part_esr_ohm=esr_ohm, tolerance=0.2, ageing=0.2
    )


def test_a_bank_that_is_asked_for_is_checked():
    assert outcome("hold_up", bank=bank(5, 0.010)) is PASSES
    found = check("hold_up", bank=bank(4, 0.010))
    assert found.outcome is FAILS
    assert found.margin is not None
    assert found.margin < 0
    assert outcome("hold_up", bank=bank(1, 0.001)) is FAILS


def test_no_bank_does_it_where_resistance_takes_all():
    changed = {"peak": Load(current_a=3.0), "esr_ohm": 20.0}
    made = sized(design(**changed))
    assert made.bank is None
    assert outcome("hold_up", **changed) is FAILS
    assert "less resistance" in check("cut_off", **changed).mend[0]
    assert outcome("inrush", **changed) is UNKNOWN
    assert outcome("fuse_melting", **changed) is UNKNOWN
    assert outcome("charger_pushes", is_port_fed=True, **changed) is UNKNOWN
    assert made.dip() == []


def test_the_device_must_not_shut_down():
    assert outcome("cut_off", cell=replace(CELLS["lco"], cut_off_v=3.4)) is PASSES
    found = check("cut_off", cell=replace(CELLS["lco"], cut_off_v=3.5))
    assert found.outcome is FAILS
    assert "--allowed-drop 0.35V" in found.mend[0]
    assert "--out 4.00V" in found.mend[1]


# --- start ----------------------------------------------------------------------------


def test_inrush_without_precharge_fails_and_is_mended():
    assert outcome("inrush", precharge_ohm=0.0) is FAILS
    assert outcome("fuse_melting", precharge_ohm=0.0) is FAILS
    assert outcome("inrush", precharge_ohm=None) is PASSES
    # 5.25 V within 3 A, with the cable's 0.168 Ω: at least 1.58 Ω.
    assert outcome("inrush", precharge_ohm=1.58) is FAILS
    assert outcome("inrush", precharge_ohm=1.59) is PASSES


def test_what_every_usb_port_stands_needs_no_precharge():
    # USB 2.0, 7.2.4.1: 10 µF or 50 µC at once, from memory.
    small = {
        "source": SOURCES["usb2"],
        "load": Load(current_a=0.05),
        "peak": Load(current_a=0.05),
        "for_s": 1e-6,
        "bank": bank(1, 4.7e-6),
    }
    made = sized(design(**small))
    assert made.precharge_ohm == 0
    found = check("inrush", **small)
    assert (found.outcome, found.limit) == (PASSES, 50e-6)
    large = check("inrush", **{**small, "bank": bank(1, 10e-6)})
    assert large.limit == 0.1
    # What is promised for a port is not promised for any supply.
    assert check("inrush", **{**small, "source": plain(5, 3)}).limit == 3.0


def test_a_resistor_that_is_sized_spares_the_fuse_too():
    # 564 mF: 5.25² × 0.564/(2 × 0.742) = 10.5 Ω by I²t, but 5.25 V/1.6 A = 3.28 Ω
    # keep the peak within the rating, which is enough.
    made = sized(design(bank=bank(1, 0.470)))
    assert made.fuse is not None
    assert (made.fuse.rating_a, made.precharge_ohm) == (1.6, 3.3)
    assert outcome("fuse_melting", bank=bank(1, 0.470)) is PASSES
    less = {"bank": bank(1, 0.470), "precharge_ohm": 2.7}
    assert outcome("fuse_melting", **less) is FAILS
    assert "at least 3.29 Ω in all" in check("fuse_melting", **less).mend[0]


def test_no_fuse_is_smaller_than_is_made():
    small = Load(current_a=0.001)
    made = sized(design(load=small, peak=small))
    assert made.fuse is not None
    # The least rating of IEC 60127, 32 mA, as the series has it; from memory.
    assert made.fuse.rating_a == 0.0315


def test_a_fuse_that_the_source_may_never_melt_is_told():
    """2.1 times the rating melts it within minutes (IEC 60127-2, from memory)."""
    said = dict(numbers(sized(design())))["a fault that surely melts it"]
    assert said.startswith("3.36 A")
    assert "the fuse may never melt" in said
    strong = dict(numbers(sized(design(source=plain(5, 3.4)))))
    assert "never" not in strong["a fault that surely melts it"]


def test_fuse_between_load_and_wire():
    assert outcome("fuse_rating", fuse_a=1.6) is PASSES
    assert outcome("fuse_rating", fuse_a=1.5) is FAILS
    assert outcome("fuse_rating", fuse_a=2.5) is FAILS
    assert "1.6 A" in check("fuse_rating", fuse_a=1.5).mend[0]
    # 0.4 A of a source that gives 0.5 A: at least 0.53 A.
    changed = {
        "source": SOURCES["usb2"],
        "is_configured": True,
        "load": Load(current_a=0.4),
        "peak": Load(current_a=0.4),
    }
    assert outcome("fuse_rating", **changed) is FAILS
    assert sized(design(**changed)).fuse is None


def test_a_fuse_lives_through_the_inrush():
    # 5.25² V² × 60 mF/(2 × (1 + 0.168) Ω) = 0.708 A²s; 29 % of 2.56 A²s is 0.742.
    found = check("fuse_melting", precharge_ohm=1.0)
    assert found.value == pytest.approx(0.708, abs=1e-3)
    assert found.limit == pytest.approx(0.29 * 1.6**2)
    assert found.outcome is PASSES
    assert outcome("fuse_melting", precharge_ohm=0.9) is FAILS
    slow = {"precharge_ohm": 0.9, "fuse_a": 1.6, "melting_a2s": 4.0}
    assert outcome("fuse_melting", **slow) is PASSES
    # A peak that the fuse carries for long never melts it, however long it lasts.
    assert outcome("fuse_melting", precharge_ohm=47.0, bank=bank(1, 10.0)) is PASSES


# --- the way back ---------------------------------------------------------------------


def test_what_a_charger_pushes():
    """125 mA for 0.5 s after SLUS892B: 62.5 mC, 0.25 V of room under recharge."""
    assert outcome("charger_pushes", is_port_fed=None) is UNKNOWN
    assert outcome("charger_pushes", is_port_fed=True) is FAILS
    assert outcome("charger_pushes", is_port_fed=True, sink_a=0.125) is PASSES
    enough = enough_f(design(), esr_ohm=0)
    assert enough == pytest.approx(0.0625 / 0.25)
    just = Bank(
        parts=1, part_f=enough * 1.01, part_esr_ohm=0.0, tolerance=0.0, ageing=0.0
    )
    assert outcome("charger_pushes", is_port_fed=True, bank=just) is PASSES
    # Nothing is taken in above recharge, where a charger pushes on.
    higher = check("charger_pushes", is_port_fed=True, out_v=4.15)
    assert not any("--sink" in each for each in higher.mend)
    assert taken_v(just) == pytest.approx(0.008 / just.least_f)
    assert taken_v(bank(4, 0.010)) == pytest.approx(0.008 / 0.0256)
    # By hand: 3.85 V + 125 mA × (0.5 s/0.5 F + 0.8 Ω) = 4.075 V.
    resisting = replace(just, part_f=0.5, part_esr_ohm=0.8)
    found = check("charger_pushes", is_port_fed=True, bank=resisting)
    assert found.value == pytest.approx(4.075)
    less = replace(just, part_f=enough * 0.99)
    assert outcome("charger_pushes", is_port_fed=True, bank=less) is FAILS
    # Whoever aims at full has no room at all.
    assert enough_f(design(out_v=4.2), esr_ohm=0) is None
    # 125 mA across 0.4 Ω are 50 mV of these 250; 25 mA of them may be sunk.
    assert enough_f(design(), esr_ohm=0.4) == pytest.approx(0.0625 / 0.2)
    assert enough_f(design(sink_a=0.025), esr_ohm=0.4) == pytest.approx(0.05 / 0.21)


def test_nothing_may_flow_back():
    assert outcome("reverse_current", blocking="none") is FAILS
    for blocking in ("ideal", "diode"):
        assert outcome("reverse_current", blocking=blocking) is PASSES
        assert BLOCKING_V[blocking] > 0
    # A Schottky diode at its current, an ideal one with a transistor; from memory.
    assert (BLOCKING_V["diode"], BLOCKING_V["ideal"]) == (0.4, 0.05)


def test_what_stands_against_the_source_is_the_higher_of_output_and_full():
    assert "up to 4.20 V" in check("reverse_current", is_port_fed=True).formula
    higher = check("reverse_current", is_port_fed=True, out_v=4.3)
    assert "up to 4.30 V" in higher.formula
    assert "up to 3.85 V" in check("reverse_current", is_port_fed=False).formula


# --- 5 V in, 4.2 V out ----------------------------------------------------------------


def test_the_usual_case_by_hand():
    # 4.75 - 4.2 = 0.55 V for cable, contacts, blocking and drop-out together.
    asked = design(
        load=Load(current_a=1.0), wire=of_gauge(24).stranded(0), copper_c=20.0
    )
    found = usual(asked)
    assert found.room_v == pytest.approx(0.55)
    lost_v = 2 * 0.08421 + 0.12 + 0.05
    assert found.lost_v == pytest.approx(lost_v, abs=1e-4)
    assert not found.holds
    assert "does not hold" in found.sentence()
    short = usual(replace(asked, wire=of_area(1.5), length_m=0.5))
    assert short.holds
    assert "so it holds here" in short.sentence()
    # It is the check of a design at 4.2 V, said beforehand.
    for each in (asked, replace(asked, wire=of_area(1.5), length_m=0.5)):
        made = sized(replace(each, out_v=4.2))
        (level,) = (c for c in made.checks if c.code == "regulator_input")
        assert level.passes is usual(each).holds


def test_the_usual_case_where_nothing_passes():
    asked = design(
        load=Load(power_w=30.0), kind=Kind.SWITCHING, length_m=10, source=plain(5, 3)
    )
    assert usual(asked).lost_v is None
    assert "cannot pass" in usual(asked).sentence()


# --- what mends, mends ----------------------------------------------------------------

FAILING = {
    "drop-out": {"length_m": 3.0},
    "far": {
        "source": SOURCES["usb2"],
        "is_configured": True,
        "load": Load(current_a=0.5),
        "length_m": 4.0,
    },
    "hot": {
        "load": Load(current_a=2.0),
        "wire": of_gauge(26),
        "length_m": 0.2,
        "source": plain(5, 5),
    },
    "metric": {"wire": of_area(0.14), "length_m": 2.0},
}


@pytest.mark.parametrize("name", FAILING)
def test_a_cable_that_is_named_mends_it(name):
    made = sized(design(**FAILING[name]))
    tried = 0
    for each in made.failed:
        for said in each.mend:
            if said.startswith("thicker cable: "):
                better = {"wire": wire_of(said.removeprefix("thicker cable: "))}
            elif said.startswith("shorter cable: "):
                better = {"length_m": float(said.split()[2])}
            else:
                continue
            tried += 1
            assert outcome(each.code, **{**FAILING[name], **better}) is PASSES
    assert tried


def test_the_next_thinner_one_would_not_do():
    made = sized(design(length_m=3.0))
    (check,) = (each for each in made.failed if each.code == "regulator_input")
    gauge = int(re.search(r"thicker cable: (\d+) AWG", " ".join(check.mend))[1])
    thinner = {"length_m": 3.0, "wire": of_gauge(gauge + 1)}
    assert outcome("regulator_input", **thinner) is FAILS


@pytest.mark.parametrize(
    ("code", "changed", "better", "said"),
    [
        (
            "regulator_input",
            {"length_m": 3.0},
            {"kind": Kind.BUCK_BOOST},
            "--regulator buck-boost",
        ),
        ("regulator_input", {"out_v": 4.2}, {"out_v": 3.85}, "--out 3.85V"),
        (
            "source_current",
            {"source": plain(12, 0.5), "load": Load(current_a=3.41)},
            {"source": plain(12, 3.5), "load": Load(current_a=3.41)},
            "--source 12V/3.5A",
        ),
        (
            "hold_up",
            {"peak": Load(current_a=3.0), "esr_ohm": 20.0},
            {"esr_ohm": 0.0833},
            "about 83.3 mΩ: --esr",
        ),
        (
            "cut_off",
            {"cell": replace(CELLS["lco"], cut_off_v=3.4561)},
            {"drop_v": 0.39},
            "--allowed-drop 0.39V",
        ),
        (
            "regulator_input",
            {"blocking": "diode", "out_v": 3.8},
            {"blocking": "ideal"},
            "--blocking ideal",
        ),
        (
            "junction",
            {"thermal_k_per_w": 80.0},
            {"kind": Kind.SWITCHING},
            "--regulator switching",
        ),
        (
            "source_current",
            {"source": SOURCES["usb2"], "load": Load(current_a=0.4)},
            {"is_configured": True},
            "--configured",
        ),
        (
            "source_current",
            {"source": plain(5, 1.1)},
            {"source": SOURCES["bc1.2"]},
            "bc1.2",
        ),
        (
            "source_current",
            {"source": plain(5, 1.15), "wire": of_gauge(20)},
            {"kind": Kind.SWITCHING},
            "--regulator switching",
        ),
        (
            "charger_pushes",
            {"is_port_fed": True},
            {"is_port_fed": False},
            "--port unfed",
        ),
        ("charger_pushes", {"is_port_fed": True}, {"sink_a": 0.125}, "--sink 125mA"),
        (
            "reverse_current",
            {"blocking": "none"},
            {"blocking": "ideal"},
            "--blocking ideal",
        ),
    ],
)
def test_an_option_that_is_named_mends_it(code, changed, better, said):
    found = check(code, **changed)
    assert found.outcome is FAILS
    assert said in " ".join(found.mend)
    assert outcome(code, **{**changed, **better}) is PASSES


def test_every_check_that_fails_says_what_would_mend_it():
    for changed in (
        {},
        {"source": SOURCES["usb2"], "length_m": 5.0, "out_v": 4.25},
        {"load": Load(current_a=8.0), "peak": Load(current_a=9.0)},
        {"thermal_k_per_w": 300.0, "blocking": "none", "is_port_fed": True},
        {"bank": bank(1, 1e-3), "precharge_ohm": 0.0, "fuse_a": 1.0},
        {"peak": Load(current_a=5.0), "esr_ohm": 10.0},
        {"load": Load(power_w=40.0), "kind": Kind.SWITCHING, "length_m": 9.0},
    ):
        for each in sized(design(**changed)).failed:
            assert each.mend, (each.code, changed)
