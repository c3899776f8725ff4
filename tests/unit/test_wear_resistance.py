"""Resistance from a switching: a worked case, another program's cell, every refusal."""

from __future__ import annotations

import pytest

from tidegate.wear.resistance import Moment, median_ohm, stepped


def moment(at_s, voltage_v, current_a, soc_percent=60.0):
    return Moment(
        at_s=at_s, voltage_v=voltage_v, current_a=current_a, soc_percent=soc_percent
    )


BEFORE = moment(99.5, 3.894, -0.62)
AFTER = moment(101.5, 4.012, 1.35)


def seen(before=BEFORE, after=AFTER, *, switched_s=100.0, sign_is_trusted=True):
    return stepped(
        before, after, switched_s=switched_s, sign_is_trusted=sign_is_trusted
    )


def test_a_step_by_hand():
    """(4.012 V - 3.894 V) / (1.35 A + 0.62 A) = 0.118/1.97 ohm. Invented samples."""
    assert seen().ohm == pytest.approx(0.059898, abs=1e-6)
    assert seen().why_not == ""


def test_off_shows_the_same_as_on():
    swapped = seen(moment(99.5, 4.012, 1.35), moment(101.5, 3.894, -0.62))
    assert swapped.ohm == pytest.approx(0.059898, abs=1e-6)


# A cell of R0 0.06 ohm, R1 0.04 ohm and tau 30 s, first 0.4 A out for an hour, then
# 1.2 A in, run in pybamm 26.10.1.1 (equivalent_circuit.Thevenin): seconds and volts.
RAN = [(5, 3.87823), (30, 3.90987), (60, 3.92597)]
RESTED_V = 3.77220


def test_right_at_the_step_it_is_the_ohmic_part():
    """The circuit's own jump, 1.6 A over 0.06 ohm, is what was put into pybamm."""
    before, after = moment(0, RESTED_V, -0.4), moment(0, RESTED_V + 1.6 * 0.06, 1.2)
    assert seen(before, after, switched_s=0).ohm == pytest.approx(0.06)


@pytest.mark.parametrize(("late_s", "volts"), RAN)
def test_a_later_sample_is_refused_for_what_it_adds(late_s, volts):
    """pybamm's cell at +60 s shows 0.096 ohm where R0 is 0.06."""
    before, after = moment(0, RESTED_V, -0.4), moment(late_s, volts, 1.2)
    refused = seen(before, after, switched_s=0)
    assert refused.ohm is None
    assert "slow parts of the cell" in refused.why_not
    assert f"{late_s:.1f} s late" in refused.why_not
    apparent = (volts - RESTED_V) / 1.6
    assert 0.06 < apparent < 0.0962


def with_before(**changes):
    return {"before": moment(**({"at_s": 99.5} | _plain(BEFORE) | changes))}


def with_after(**changes):
    return {"after": moment(**({"at_s": 101.5} | _plain(AFTER) | changes))}


def _plain(known):
    names = ("at_s", "voltage_v", "current_a", "soc_percent")
    return {name: getattr(known, name) for name in names}


@pytest.mark.parametrize(
    ("changed", "why_not"),
    [
        (with_before(at_s=97.9), "2.1 s early"),
        (with_after(at_s=102.1), "2.1 s late"),
        (with_before(at_s=100.5), "not on both sides"),
        (with_after(at_s=99.9), "not on both sides"),
        ({"sign_is_trusted": False}, "sign of the current is not known"),
        (with_before(voltage_v=None), "no voltage"),
        (with_after(voltage_v=None), "no voltage"),
        (with_before(current_a=None), "no current"),
        (with_after(current_a=None), "no current"),
        (with_before(soc_percent=None), "no SoC"),
        (with_after(soc_percent=None), "no SoC"),
        (with_after(current_a=-0.33), "stepped by 0.29 A only"),
        (with_after(current_a=-0.62), "stepped by 0.00 A only"),
        (with_after(soc_percent=61.0), "moved by a point"),
        (with_after(soc_percent=59.0), "moved by a point"),
        (with_after(voltage_v=3.8), "did not follow"),
        (with_after(voltage_v=3.894), "did not follow"),
    ],
)
def test_what_makes_a_step_no_evidence(changed, why_not):
    refused = seen(**changed)
    assert refused.ohm is None
    assert why_not in refused.why_not
    assert refused.why_not.endswith(".")


@pytest.mark.parametrize(
    "changed",
    [
        with_before(at_s=98.0),
        with_after(at_s=102.0),
        # 0.3 A to the digit, which no binary fraction meets.
        with_before(current_a=0.9) | with_after(current_a=1.2),
        with_after(soc_percent=60.99),
    ],
)
def test_the_limits_themselves_pass(changed):
    assert seen(**changed).ohm is not None


def test_the_median_is_not_moved_by_one_odd_step():
    assert median_ohm([0.06, 0.061, 0.9]) == 0.061
    assert median_ohm([0.06, 0.07]) == pytest.approx(0.065)
    assert median_ohm([]) is None
