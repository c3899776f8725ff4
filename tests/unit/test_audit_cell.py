"""Capacity and resistance as a log measures them; logs written by hand, data synthetic.

Resistance is the voltage step over the current step, positive into the battery, as
``power_supply_class`` of the Linux kernel's documentation has the sign.
"""

from __future__ import annotations

import pytest

from support.audit_log import HOUR, AuditLog
from tidegate.audit.auditor import audit
from tidegate.report.audit_words import capacity


@pytest.fixture
def log(tmp_path):
    made = AuditLog(tmp_path / "cycles.db")
    made.begin()
    return made


def swing(log, begin_s, start, end, *, ah_per_point, ah_at_0=0.0):
    """Write a swing, point by point; return when it ended."""
    step = 1 if end > start else -1
    for place, soc in enumerate(range(start, end + step, step)):
        charge = round(1000 * (ah_at_0 + soc * ah_per_point))
        log.read(begin_s + 60 * place, soc, charge_mah=charge)
    return begin_s + 60 * (abs(end - start) + 1)


def test_the_capacity_is_charge_over_swing(log):
    log.battery(full_charge_mah=7_000)
    end_s = swing(log, 0, 20, 90, ah_per_point=0.06, ah_at_0=-3.0)
    swing(log, end_s, 89, 20, ah_per_point=0.06, ah_at_0=-3.0)
    made = audit(log.close(), "hall").measured
    assert made.capacity_ah == pytest.approx(6.0, abs=0.001)
    assert made.swings == 2
    assert made.why_no_capacity == ""
    assert made.gauge_full_ah == 7.0
    # A whole percent is known to 1/sqrt(12), a difference to 0.408 points: of 69
    # points 0.6 %.
    assert made.capacity_sigma_ah == pytest.approx(6.0 * 0.408 / 69, rel=0.05)


def test_a_gauge_that_gives_back_its_own_full_charge_measures_nothing(log):
    log.battery(full_charge_mah=6_000)
    swing(log, 0, 20, 90, ah_per_point=0.06)
    made = audit(log.close(), "hall").measured
    assert made.capacity_ah is made.capacity_sigma_ah is None
    assert made.swings == 1
    assert "6.00 Ah" in made.why_no_capacity
    assert "echo" in made.why_no_capacity


def test_a_gauge_that_never_says_its_full_charge_may_be_measured(log):
    swing(log, 0, 20, 90, ah_per_point=0.06)
    assert audit(log.close(), "hall").measured.capacity_ah == pytest.approx(6.0)


def test_an_end_told_in_whole_percents_is_coarse_whatever_the_other_is(log):
    """Another way to read the gauge may tell parts of a percent."""
    end_s = swing(log, 0, 20, 90, ah_per_point=0.06)
    log.read(end_s, 90.5, charge_mah=5_430)
    made = audit(log.close(), "hall").measured
    assert (made.swings, made.sigma_of) == (1, "rounding")
    # From 21, the first step away from 20, to 90.5: uniform errors of 1 % and of 0.01 %
    # at its ends have the variances 1/12 and 0.0001/12.
    sigma_percent = ((1 + 0.0001) / 12) ** 0.5
    assert made.capacity_sigma_ah == pytest.approx(6.0 * sigma_percent / 69.5, rel=1e-3)


def test_a_whole_swing_beside_a_fine_one_keeps_its_doubt(log):
    end_s = swing(log, 0, 20, 90, ah_per_point=0.06)
    log.battery(end_s)
    swing(log, end_s + HOUR, 90, 20, ah_per_point=0.06)
    log.read(end_s + 5 * HOUR, 50.5)
    made = audit(log.close(), "hall").measured
    assert made.swings == 2
    # The larger of two differences, 1 % / sqrt(12) * sqrt(2), over the widest swing.
    assert made.capacity_sigma_ah >= 6.0 * 0.408 / 69 * 0.99
    assert made.sigma_of == "rounding and scatter"


def test_a_sigma_of_rounding_alone_is_called_so(log):
    for place in range(71):
        log.read(60 * place, 90.25 - place, charge_mah=6_000 - 60 * place)
    measured = audit(log.close(), "hall").measured
    assert measured.swings == 1
    assert measured.sigma_of == "rounding"
    # 0.01 % and 1 mAh, as the log keeps them: no gauge is as good as that.
    assert measured.capacity_sigma_ah < 0.001
    said = "6.00 Ah ± less than 0.005 Ah (one sigma, from rounding alone)"
    assert capacity(measured) == said


def test_narrow_swings_measure_nothing(log):
    end_s = swing(log, 0, 40, 60, ah_per_point=0.06)
    swing(log, end_s, 59, 40, ah_per_point=0.06)
    made = audit(log.close(), "hall").measured
    assert made.capacity_ah is None
    assert "the widest was 20" in made.why_no_capacity


def test_small_turns_within_a_wide_swing_do_not_end_it(log):
    end_s = swing(log, 0, 20, 50, ah_per_point=0.06)
    end_s = swing(log, end_s, 49, 40, ah_per_point=0.06)
    swing(log, end_s, 41, 90, ah_per_point=0.06)
    made = audit(log.close(), "hall").measured
    assert made.capacity_ah == pytest.approx(6.0, abs=0.001)
    assert made.swings == 1


def test_a_counter_made_up_from_the_design_charge_is_an_echo_too(log):
    log.battery(full_charge_mah=5_500, design_charge_mah=6_000)
    swing(log, 0, 20, 90, ah_per_point=0.06)
    made = audit(log.close(), "hall").measured
    assert made.capacity_ah is None
    assert "gauge's own 6.00 Ah" in made.why_no_capacity


def test_so_is_one_that_followed_what_the_gauge_told_then(log):
    log.battery(full_charge_mah=6_000)
    end_s = swing(log, 0, 20, 90, ah_per_point=0.06)
    log.battery(end_s, full_charge_mah=5_000)
    made = audit(log.close(), "hall").measured
    assert made.capacity_ah is None
    assert made.gauge_full_ah == 5.0
    assert "gauge's own 6.00 Ah" in made.why_no_capacity


def test_two_packs_are_two_cells_and_the_last_is_told(log):
    log.battery()
    end_s = swing(log, 0, 20, 90, ah_per_point=0.04)
    log.battery(end_s, pack=None)
    log.battery(end_s + 60, pack="P2")
    swing(log, end_s + 60, 20, 90, ah_per_point=0.06)
    made = audit(log.close(), "hall")
    assert made.measured.capacity_ah == pytest.approx(6.0, abs=0.001)
    assert made.measured.swings == 1
    assert any(each.startswith("2 battery packs were") for each in made.notes)


def test_a_pack_whose_name_is_gone_for_a_while_is_the_same_cell(log):
    log.battery()
    end_s = swing(log, 0, 20, 90, ah_per_point=0.06)
    log.battery(end_s, pack=None)
    log.battery(end_s + 60)
    assert audit(log.close(), "hall").measured.swings == 1


def test_a_pack_that_is_named_late_is_the_same_cell(log):
    log.battery(pack=None)
    end_s = swing(log, 0, 20, 90, ah_per_point=0.06)
    log.battery(end_s, pack="P1")
    made = audit(log.close(), "hall")
    assert made.measured.swings == 1
    assert not any("battery packs" in each for each in made.notes)


@pytest.mark.parametrize(("how", "widest"), [("gap", 25), ("boot", 25), ("pack", 24)])
def test_a_swing_ends_where_the_counter_may_have_begun_anew(log, how, widest):
    log.battery()
    end_s = swing(log, 0, 20, 45, ah_per_point=0.06)
    if how == "gap":
        end_s += HOUR
    elif how == "boot":
        log.begin(end_s, boot="boot-2")
    else:
        log.battery(end_s, pack="P2")
    swing(log, end_s, 46, 70, ah_per_point=0.06, ah_at_0=5.0)
    made = audit(log.close(), "hall").measured
    assert made.capacity_ah is None
    assert f"the widest was {widest}" in made.why_no_capacity


def test_a_gauge_without_a_counter_measures_no_capacity(log):
    log.read(0, 50, span_s=600)
    made = audit(log.close(), "hall").measured
    assert made.capacity_ah is None
    assert made.why_no_capacity == "The gauge has no charge counter."


# --- resistance -----------------------------------------------------------------------


def stepped(
    log, at_s, before, after, *, supply=None, early_s=0.5, late_s=1.5, soc=(60, 60)
):
    log.read(
        at_s - 60,
        soc[0],
        span_s=60 - early_s,
        gap_s=30,
        voltage_mv=1,
        current_ma=1,
        last_voltage_mv=before[0],
        last_current_ma=before[1],
    )
    log.switch(at_s, supply or ("on" if after[1] > 0 else "off"))
    log.read(at_s + late_s, soc[1], voltage_mv=after[0], current_ma=after[1])


def test_resistance_is_the_step_of_voltage_over_that_of_current(log):
    log.battery()
    # 118 mV over 1.97 A.
    stepped(log, 100, (4_012, 1_350), (3_894, -620))
    stepped(log, 400, (3_894, -620), (4_012, 1_350))
    stepped(log, 700, (4_012, 1_350), (3_815, -620))
    made = audit(log.close(), "hall").measured
    assert [step.ohm for step in made.steps] == pytest.approx(
        [0.0599, 0.0599, 0.1], abs=0.0001
    )
    assert made.resistance_ohm == pytest.approx(0.0599, abs=0.0001)
    assert (made.steps[0].soc_percent, made.steps[0].temperature_c) == (60, 25)
    assert made.why_no_resistance == ""


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"late_s": 2.5}, "2.5 s late"),
        ({"early_s": 3}, "3.0 s early"),
        ({"soc": (60, 61)}, "a point or more"),
    ],
)
def test_a_step_that_is_late_or_wide_is_none(log, changes, why):
    log.battery()
    stepped(log, 100, (4_012, 1_350), (3_894, -620), **changes)
    made = audit(log.close(), "hall").measured
    assert made.steps == ()
    assert made.resistance_ohm is None
    assert why in made.why_no_resistance


def test_a_current_of_unknown_sign_is_not_used(log):
    log.battery(current_sign_trusted=False)
    stepped(log, 100, (4_012, 1_350), (3_894, 620), supply="off")
    made = audit(log.close(), "hall").measured
    assert "sign of the current is not known" in made.why_no_resistance


def test_the_commonest_reason_is_told_with_how_often_it_was(log):
    log.battery()
    stepped(log, 100, (4_012, 1_350), (3_894, 1_340), supply="off")
    stepped(log, 400, (4_012, -600), (3_894, -620), supply="on")
    stepped(log, 700, (4_012, 1_350), (3_894, 900), supply="off", late_s=3)
    made = audit(log.close(), "hall").measured
    assert "in 2 of 3 switchings" in made.why_no_resistance
    assert "by 0.01 to 0.02 A only" in made.why_no_resistance


def test_a_command_that_moved_nothing_has_no_step(log):
    log.battery()
    log.read(99.5, 60, voltage_mv=4_012, current_ma=1_350)
    log.switch(100, "on")
    log.read(101.5, 60, voltage_mv=3_894, current_ma=-620)
    made = audit(log.close(), "hall").measured
    assert made.why_no_resistance.startswith("There was no switching")


def test_a_sign_that_was_not_known_before_is_not_used(log):
    log.battery(current_sign_trusted=False)
    log.read(0, 50, voltage_mv=3_800, current_ma=600)
    log.switch(0.1, "off")
    log.battery(1, current_sign_trusted=True)
    log.read(1, 50, voltage_mv=3_740, current_ma=-600)
    # A magnitude, then a signed value: 60 mV over 1.2 A would be 50 mOhm.
    made = audit(log.close(), "hall").measured
    assert made.resistance_ohm is None
    assert "sign of the current is not known" in made.why_no_resistance


def test_the_reason_has_the_least_and_the_most_of_what_was_seen(log):
    log.battery()
    steps = ((600, 590), (600, 350), (600, 800), (0, 290))
    for place, (before, after) in enumerate(steps):
        at_s = 30 * place
        log.read(at_s, 50, voltage_mv=3_800, current_ma=before)
        log.switch(at_s + 0.1, "on" if place % 2 else "off")
        log.read(at_s + 1, 50, voltage_mv=3_790, current_ma=after)
    made = audit(log.close(), "hall").measured
    assert made.why_no_resistance == (
        "No step to measure in 4 of 4 switchings: the current stepped by 0.01 to 0.29 A "
        "only, less than 0.3 A."
    )


def test_a_reading_of_another_boot_is_on_no_side_of_a_switching(log):
    log.battery()
    log.read(0, 50, voltage_mv=3_700, current_ma=-600)
    log.offset_ms -= 5 * 86_400_000
    log.start(0, boot="boot-2", synchronised=False)
    log.switch(0.5, "off")
    log.switch(1, "on")
    log.read(1.5, 50, voltage_mv=3_990, current_ma=900)
    made = audit(log.close(), "hall")
    # The second boot is placed right after the first: the times alone would do.
    assert made.delayed == 1
    assert made.measured.resistance_ohm is None
