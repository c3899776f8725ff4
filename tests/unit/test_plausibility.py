"""Every verdict on a sample, both sides of its edges, and what judging never does."""

from __future__ import annotations

import math
from dataclasses import fields, replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tidegate.core import plausibility
from tidegate.core.plausibility import is_over_full, judge
from tidegate.core.reading import Flag, Reading, Sample, WhyNot

# An ordinary pack; each row below changes what the row is about.
FAIR = Sample(
    soc_percent=61.0,
    voltage_v=3.9,
    current_a=0.5,
    temperature_c=24.0,
    temperature_sensor="battery",
    charge_ah=4.27,
    full_charge_ah=7.0,
    design_charge_ah=7.2,
    cycle_count=12,
)
COMPUTED = frozenset({Flag.COMPUTED})


def judged(**changes: Any) -> Reading:
    return judge(replace(FAIR, **changes), at_ms=5, wall_ms=7)


def test_a_fair_sample_is_trusted_and_keeps_its_numbers() -> None:
    reading = judged()
    assert reading == Reading(sample=FAIR, at_ms=5, wall_ms=7)
    assert reading.trusted


REJECTED = [
    ({"present": False}, WhyNot.NOT_PRESENT),
    ({"present": False, "soc_percent": 100.0}, WhyNot.NOT_PRESENT),
    ({"claims": WhyNot.UPDATES_STOPPED}, WhyNot.UPDATES_STOPPED),
    ({"soc_percent": None}, WhyNot.LEVEL_ONLY),
    ({"took_s": 5.001}, WhyNot.SLOW),
    # A bq27000 whose bus timed out: kernel patch mail, w1: omap-hdq, 8 May 2020.
    ({"soc_percent": 0.0, "voltage_v": 0.0, "temperature_c": -273.1}, WhyNot.ALL_ZERO),
    ({"soc_percent": 0.0, "voltage_v": 0.0}, WhyNot.ALL_ZERO),
    ({"soc_percent": 0.0, "temperature_c": -273.1}, WhyNot.ALL_ZERO),
    ({"soc_percent": 0.0, "full_charge_ah": 0.0}, WhyNot.ALL_ZERO),
    ({"soc_percent": 65535.0, "voltage_v": 65.535}, WhyNot.ALL_ZERO),
    ({"soc_percent": 255.0, "cycle_count": 65535}, WhyNot.ALL_ZERO),
    ({"soc_percent": 65535.0}, WhyNot.OUT_OF_RANGE),
    ({"soc_percent": 0.1, "flags": COMPUTED}, WhyNot.UNIT_MISMATCH),
    ({"soc_percent": 1000.0, "flags": COMPUTED}, WhyNot.UNIT_MISMATCH),
    ({"soc_percent": -0.01}, WhyNot.OUT_OF_RANGE),
    ({"soc_percent": 100.01}, WhyNot.OUT_OF_RANGE),  # 4.27 of 7.0 Ah is not full
    ({"soc_percent": math.nan}, WhyNot.OUT_OF_RANGE),
    ({"soc_percent": math.inf}, WhyNot.OUT_OF_RANGE),
    # Linux stable commit 549d7b317c76: 1536 % where the charges say 0.1 %.
    (
        {"soc_percent": 1536.0, "charge_ah": 0.001068, "full_charge_ah": 0.80545},
        WhyNot.OUT_OF_RANGE,
    ),
    ({"soc_percent": 448.0, "charge_ah": 8.739}, WhyNot.OUT_OF_RANGE),
    # 120 % is more than an over-full pack ever claims, even with charges that agree.
    ({"soc_percent": 120.1, "charge_ah": 7.7}, WhyNot.OUT_OF_RANGE),
    ({"soc_percent": 106.0, "charge_ah": 7.71}, WhyNot.OUT_OF_RANGE),
    ({"soc_percent": 106.0, "charge_ah": 6.29}, WhyNot.OUT_OF_RANGE),
    ({"soc_percent": 111.0, "flags": COMPUTED}, WhyNot.OUT_OF_RANGE),
]


@pytest.mark.parametrize(("changes", "why_not"), REJECTED)
def test_a_sample_is_rejected_for_this_reason(
    changes: dict[str, Any], why_not: WhyNot
) -> None:
    assert judged(**changes).why_not is why_not


TRUSTED = [
    {"soc_percent": 0.0},  # an empty battery at 3.9 V and 24 °C did answer
    {"soc_percent": 0.0, "voltage_v": None, "temperature_c": None},
    {"soc_percent": 100.0},
    {"took_s": 5.0},
    {"soc_percent": 0.11, "flags": COMPUTED},
    {"soc_percent": 0.05},  # unlikely, but nothing was computed here
    {"voltage_v": 0.0, "temperature_c": 0.0},  # an emulator's placeholders
    {"design_charge_ah": 0.007},
]


@pytest.mark.parametrize("changes", TRUSTED)
def test_a_sample_is_trusted(changes: dict[str, Any]) -> None:
    assert judged(**changes).trusted


def test_the_first_verdict_of_the_order_counts() -> None:
    """Remove what wins, one after another, and the next one shows."""
    bad: dict[str, Any] = {
        "present": False,
        "claims": WhyNot.UPDATES_STOPPED,
        "soc_percent": None,
        "took_s": 15.8,
    }
    repairs: list[tuple[WhyNot, dict[str, Any]]] = [
        (WhyNot.NOT_PRESENT, {"present": True}),
        (WhyNot.UPDATES_STOPPED, {"claims": None}),
        (WhyNot.LEVEL_ONLY, {"soc_percent": 0.0, "voltage_v": 0.0}),
        (WhyNot.SLOW, {"took_s": 0.0}),
        (WhyNot.ALL_ZERO, {"soc_percent": 5000.0, "flags": COMPUTED}),
        (WhyNot.UNIT_MISMATCH, {"flags": frozenset()}),
        (WhyNot.OUT_OF_RANGE, {"soc_percent": 61.0}),
    ]
    for why_not, repair in repairs:
        assert judged(**bad).why_not is why_not
        bad |= repair
    assert judged(**bad).trusted


@pytest.mark.parametrize(
    "verdict", plausibility.VERDICTS, ids=lambda verdict: verdict.__name__
)
def test_each_verdict_is_needed(verdict: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """With one verdict switched off, a sample that it stops gets another answer."""
    stopped = [row for row, _ in REJECTED if verdict(replace(FAIR, **row))]
    before = [judged(**row).why_not for row in stopped]
    left = tuple(other for other in plausibility.VERDICTS if other is not verdict)
    monkeypatch.setattr(plausibility, "VERDICTS", left)
    assert before != [judged(**row).why_not for row in stopped]


@pytest.mark.parametrize(
    ("field", "value", "kept"),
    [
        ("voltage_v", 2.5, 2.5),
        ("voltage_v", 2.499, None),
        ("voltage_v", 0.016, None),  # 16 mV, as seen on a real board
        ("voltage_v", -0.000022, None),  # -EINVAL printed as data
        ("voltage_v", 60.0, 60.0),
        ("voltage_v", 65.5, None),
        ("temperature_c", -40.0, -40.0),
        ("temperature_c", -40.1, None),
        ("temperature_c", 100.0, 100.0),
        ("temperature_c", 100.1, None),
        ("temperature_c", 16110.6, None),
        ("temperature_c", math.nan, None),
        ("temperature_c", 0.0, 0.0),
        ("current_a", -3.0, -3.0),
        ("current_a", math.inf, None),
        ("cycle_count", 0, 0),
        ("cycle_count", -1, None),
        ("cycle_count", 65534, 65534),
        ("cycle_count", 65535, None),
        ("charge_ah", 0.0, 0.0),
        ("charge_ah", -0.001, None),
        ("charge_ah", 70.0, 70.0),
        ("charge_ah", 70.1, None),  # more than ten times a full pack
        ("full_charge_ah", 0.0, None),
        ("design_charge_ah", 0.0, None),
        ("design_charge_ah", 0.7, 0.7),
        ("design_charge_ah", 0.699, None),  # mAh where µAh was meant
        ("design_charge_ah", 70.0, 70.0),
        ("design_charge_ah", 70.1, None),
    ],
)
def test_a_side_value_is_kept_or_dropped(
    field: str, value: float, kept: float | None
) -> None:
    reading = judged(**{field: value})
    assert getattr(reading.sample, field) == kept
    assert reading.trusted


def test_zero_degrees_without_a_voltage_is_a_placeholder() -> None:
    sample = judged(voltage_v=0.0, temperature_c=0.0).sample
    assert (sample.voltage_v, sample.temperature_c) == (None, None)
    assert sample.temperature_sensor is None


def test_a_charge_in_an_unknown_unit_is_dropped_with_its_full_charge() -> None:
    sample = judged(charge_ah=0.0025, full_charge_ah=0.005).sample
    assert (sample.charge_ah, sample.full_charge_ah) == (None, None)


@pytest.mark.parametrize(
    "changes",
    [
        {"soc_percent": 106.0, "charge_ah": 7.42},
        {"soc_percent": 106.0, "charge_ah": 7.7},
        {"soc_percent": 101.0, "charge_ah": 6.3},
        {"soc_percent": 100.26, "flags": COMPUTED},  # energies of a 2012 slice pack
        {"soc_percent": 110.0, "flags": COMPUTED},
    ],
)
def test_an_over_full_pack_is_full(changes: dict[str, Any]) -> None:
    reading = judged(**changes)
    assert reading.trusted
    assert reading.soc_percent == 100.0
    assert reading.sample.flags >= {Flag.OVER_FULL, Flag.CLAMPED}


def test_over_full_needs_something_to_compare_with() -> None:
    assert not is_over_full(106.0, None)
    assert not is_over_full(100.0, 1.0)
    assert is_over_full(120.0, 1.0)


def test_a_rejected_claim_stays_as_evidence() -> None:
    assert judged(soc_percent=1536.0).sample.soc_percent == 1536.0


def test_a_reading_has_the_resolution_of_the_log() -> None:
    sample = judged(soc_percent=61.0049, voltage_v=3.80051, charge_ah=4.2704).sample
    assert (sample.soc_percent, sample.voltage_v) == (61.0, 3.801)
    assert sample.charge_ah == 4.27


NUMBERS = tuple(
    field.name
    for field in fields(Sample)
    if field.name.endswith(("_percent", "_v", "_a", "_c", "_ah"))
)
ANY_NUMBER = st.none() | st.floats() | st.integers(-70000, 70000).map(float)
SAMPLES = st.builds(
    Sample,
    present=st.booleans(),
    took_s=st.floats(0, 20),
    flags=st.frozensets(st.sampled_from(Flag)),
    claims=st.none() | st.sampled_from(WhyNot),
    cycle_count=st.none() | st.integers(-1, 70000),
    **dict.fromkeys(NUMBERS, ANY_NUMBER),
)


@given(SAMPLES)
def test_no_number_is_invented_and_nothing_outside_is_trusted(sample: Sample) -> None:
    reading = judge(sample, at_ms=0, wall_ms=0)
    after = reading.sample
    for name in NUMBERS:
        value = getattr(after, name)
        if value is None or value == getattr(sample.rounded(), name):
            continue
        assert name == "soc_percent"
        assert Flag.CLAMPED in after.flags
        assert value == 100.0 < (sample.soc_percent or 0.0)
    if reading.trusted:
        assert 0.0 <= reading.soc_percent <= 100.0
        assert after.present


@given(SAMPLES)
def test_judging_again_changes_no_number(sample: Sample) -> None:
    once = judge(sample, at_ms=0, wall_ms=0).sample
    assert judge(once, at_ms=0, wall_ms=0).sample == once
