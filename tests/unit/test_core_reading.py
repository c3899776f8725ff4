"""Readings as values: resolution of the log, trust, what was set aside."""

from dataclasses import replace

import pytest

from support.core_rig import OFF, ON, running
from tidegate.core.reading import SAMPLE_FIELDS, Sample, WhyNot
from tidegate.core.watch import points, was_jump


@pytest.mark.parametrize(
    ("name", "value", "kept"),
    [
        ("soc_percent", 61.23789, 61.24),
        ("voltage_v", 3.81249, 3.812),
        ("current_a", -0.40051, -0.401),
        ("temperature_c", 31.23449, 31.234),
        ("charge_ah", 2.71828, 2.718),
        ("full_charge_ah", 6.66666, 6.667),
        ("design_charge_ah", 7.00049, 7.0),
        ("took_s", 0.123456, 0.123456),
        ("soc_percent", None, None),
    ],
)
def test_a_sample_is_kept_at_the_resolution_of_the_log(name, value, kept):
    # 0.01 %, mV, mA, m°C, mAh: so a replayed reading equals the live one exactly.
    assert getattr(Sample(**{name: value}).rounded(), name) == kept


def test_rounding_twice_changes_nothing():
    # Else a log written from a replay would drift.
    sample = Sample(soc_percent=33.333333, voltage_v=3.7777777, temperature_c=None)
    assert sample.rounded().rounded() == sample.rounded()


def test_the_other_supply():
    # Of two.
    assert (ON.other, OFF.other) == (OFF, ON)


@pytest.mark.parametrize("why_not", [None, *WhyNot])
def test_a_reading_is_trusted_when_nothing_speaks_against_it(why_not):
    # The first reason against it is its verdict.
    reading = replace(running(60).reading(60), why_not=why_not)
    assert reading.trusted is (why_not is None)


def test_a_reading_without_a_level_has_none_to_give():
    # Asking for it is a fault of the program.
    reading = running(60).reading(None, why_not=WhyNot.LEVEL_ONLY)
    with pytest.raises(AssertionError):
        _ = reading.soc_percent


def test_the_fields_of_a_sample_are_listed_once_for_all():
    # Backends and the log name the same quantities.
    assert SAMPLE_FIELDS[0] == "soc_percent"
    assert len(set(SAMPLE_FIELDS)) == len(SAMPLE_FIELDS)


def test_the_shell_can_ask_whether_a_reading_was_set_aside():
    # The log marks it as a jump; the one that confirms it is none.
    rig = running(60).read(70)
    aside = rig.reading(70)
    assert was_jump(rig.state, aside)
    rig.read(70, after_s=5)
    assert not was_jump(rig.state, rig.reading(70))


@pytest.mark.parametrize(
    ("a", "b", "distance"), [(65.3, 60.3, 5.0), (0.1 + 0.2, 0.3, 0.0), (1, 3, 2)]
)
def test_distances_carry_no_binary_residue(a, b, distance):
    # 65.3 - 60.3 is 5.000000000000004 in binary, yet no jump.
    assert points(a, b) == distance
