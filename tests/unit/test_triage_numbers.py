"""The numbers of a triage against facts from outside the project.

Worked example of total least squares: closed form and scipy's orthogonal distance
regression agree on it; the voltage step over the current step is arithmetic on one
switching; the bands of temperature are those of the JEITA guide of 2007 as the TI
BQ25882 has them, register 08h. The devices are invented.
"""

from __future__ import annotations

import math
import statistics

import pytest

from support import audits, triages
from support.triages import sound, steps_of, triage
from tidegate.triage.evidence import Evidence
from tidegate.triage.fitted import fitted
from tidegate.triage.limits import Number, band_of, from_sigma, ratio_of
from tidegate.triage.result import Answer
from tidegate.triage.seen import evidence
from tidegate.triage.trend import trend
from tidegate.wear.capacity import Sums

# SoC moved (share) and charge moved (Ah), ten times.
SWINGS = (
    *((0.10, 0.742), (0.10, 0.718), (0.09, 0.664), (0.11, 0.801), (0.10, 0.730)),
    *((0.30, 2.195), (0.45, 3.244), (0.10, 0.751), (0.58, 4.205), (0.10, 0.722)),
)


def test_the_worked_example_of_total_least_squares_is_judged_with_its_sigma():
    """7.254513 ± 0.08759 Ah: of 9.3 Ah it is certainly under 80 %, of 9.1 Ah not."""
    sums = Sums()
    for x, y in SWINGS:
        sums = sums.plus(x, y)
    fit = sums.fitted(sigma_x=0.01, sigma_y=0.01)
    assert fit is not None
    assert fit.slope == pytest.approx(7.254513, abs=1e-6)
    assert fit.sigma == pytest.approx(0.08759, abs=1e-4)
    for design_ah, holds in ((9.3, True), (9.1, None), (8.8, False)):
        made = triages.measured(ah=fit.slope, sigma=fit.sigma, design_ah=design_ah)
        answer = triage(
            sound(battery_available=triages.YES), triages.evidence(measured=made)
        )
        assert (answer.answer is Answer.CHANGE_BATTERY) is (holds is True)
        (said,) = [each.text for each in answer.reasons if each.code == "capacity"]
        assert "7.25 ± 0.18 Ah" in said
        assert ("not certain" in said) is (holds is None)


def test_one_switching_gives_its_resistance(tmp_path):
    """3.894 V at -0.62 A, then 4.012 V at +1.35 A: 0.118 V / 1.97 A = 59.898 mΩ."""
    log = tmp_path / "hall.csv"
    log.write_text(
        "time,soc_percent,voltage_v,current_a,current_sign_trusted,external_power\n"
        "0,60,3.894,-0.62,true,no\n"
        "2,60,4.012,1.35,true,yes\n"
    )
    found = evidence(log, None)
    assert found.measured.resistance_ohm == pytest.approx(0.059898, abs=1e-6)
    assert found.trend is None
    assert "1 steps" in found.why_no_trend


@pytest.mark.parametrize(
    ("celsius", "band"),
    [
        (-1, "no charge"),
        (5, "reduced current"),
        (20, "normal"),
        (50, "reduced voltage"),
        (61, "no charge"),
        (0, "reduced current"),
        (10, "normal"),
        (44.9, "normal"),
        (45, "reduced voltage"),
        (60, "reduced voltage"),
    ],
)
def test_the_bands_of_temperature(celsius, band):
    assert band_of(celsius) == band


# --- intervals ------------------------------------------------------------------------


def test_an_interval_of_two_sigma_holds_95_percent_of_a_normal_distribution():
    bounds = from_sigma(10.0, 1.5)
    normal = statistics.NormalDist(10.0, 1.5)
    assert normal.cdf(bounds.high) - normal.cdf(bounds.low) == pytest.approx(
        0.95, abs=0.005
    )


@pytest.mark.parametrize(
    ("limit", "under", "reaches"),
    [(0.9, False, True), (1.0, False, True), (1.5, None, None), (2.1, True, False)],
)
def test_a_limit_inside_of_an_interval_is_not_certain(limit, under, reaches):
    number = Number(value=1.5, low=1.0, high=2.0)
    assert number.is_under(limit) is under
    assert number.reaches(limit) is reaches
    assert number.is_under(2.0) is None


def test_a_ratio_carries_both_errors():
    """Relative errors of independent factors add in squares: GUM (JCGM 100), 5.1.6."""
    found = ratio_of(3.0, 0.03, 2.0, 0.04)
    assert found.value == 1.5
    assert found.high - found.value == pytest.approx(2 * 1.5 * math.hypot(0.01, 0.02))
    assert ratio_of(1.0, math.inf, 2.0, 0.0).reaches(5) is None


# --- the trend of the resistance ------------------------------------------------------


def test_least_squares_agree_with_the_standard_library():
    rows = [(1.0, float(x)) for x in (0, 1, 3, 4, 8)]
    wanted = [1.0, 3.5, 6.0, 9.5, 17.0]
    found = fitted(rows, wanted)
    assert found is not None
    line = statistics.linear_regression([row[1] for row in rows], wanted)
    assert found.values == pytest.approx((line.intercept, line.slope))


def test_least_squares_agree_with_numpy_in_four_columns():
    numpy = pytest.importorskip("numpy")
    rng = numpy.random.default_rng(1)
    rows = rng.normal(size=(40, 4)) * [1, 30, 1e-4, 5]
    wanted = rows @ [0.3, -0.002, 900, 0.01] + 0.01 * rng.normal(size=40)
    found = fitted(rows.tolist(), wanted.tolist())
    values, residue, *_ = numpy.linalg.lstsq(rows, wanted, rcond=None)
    assert found.values == pytest.approx(values)
    spread = numpy.linalg.inv(rows.T @ rows) * residue[0] / 36
    assert found.sigmas == pytest.approx(numpy.sqrt(numpy.diag(spread)))


@pytest.mark.parametrize(
    "rows",
    [
        [],
        [(1.0, 2.0)],
        [(1.0, 2.0), (1.0, 3.0)],
        [(1.0, 2.0), (2.0, 4.0), (3.0, 6.0)],
        [(1.0, 0.0), (1.0, 0.0), (1.0, 0.0)],
    ],
)
def test_columns_that_tell_nothing_apart_fit_nothing(rows):
    assert fitted(rows, [1.0] * len(rows)) is None


def arrhenius(celsius, *, ohm=0.1, joule=25_000):
    """Return a resistance that follows exp(E/RT), R = 8.314462618 J/mol/K (CODATA)."""
    heat = 1 / (celsius + 273.15) - 1 / 298.15
    return ohm * math.exp(joule / 8.314462618 * heat)


def test_warmth_and_charge_are_taken_out_of_the_trend():
    """A cell that grows by a fifth while its hall warms by 10 °C, which hides it."""
    celsius = lambda day: 20 + 10 * day / 99 + 3 * math.sin(day)  # noqa: E731
    soc = lambda day: 60 + 8 * math.sin(day / 3)  # noqa: E731
    steps = steps_of(
        lambda day: (
            arrhenius(celsius(day)) * 1.2 ** (day / 99) * (1 + (soc(day) - 60) / 500)
        ),
        celsius=celsius,
        soc=soc,
    )
    raw = steps[-1].ohm / steps[0].ohm
    assert raw < 1.05
    made, why_not = trend(steps)
    assert why_not == ""
    assert made is not None
    assert made.by_heat
    assert made.by_charge
    # The ends are the first and last 15 days: 0.85 of the growth lies between them.
    assert made.ratio.value == pytest.approx(1.2 ** (84.5 / 99), abs=0.03)
    assert made.ratio.low < 1.2 ** (84.5 / 99) < made.ratio.high
    assert made.start_ohm == pytest.approx(0.1 * 1.2 ** (7 / 99), rel=0.03)
    assert made.per_year == pytest.approx(1.2 ** (365 / 99) - 1, rel=0.2)


def test_a_window_that_was_moved_is_taken_out_of_the_trend():
    """Half a percent a point, from 40 to 70 %: 15 %, and no growth at all."""
    soc = lambda day: 40.0 if day < 50 else 70.0  # noqa: E731
    steps = steps_of(lambda day: 0.1 * math.exp((soc(day) - 60) / 200), soc=soc)
    assert steps[-1].ohm / steps[0].ohm > 1.15
    made, _ = trend(steps)
    assert made is not None
    assert made.by_charge
    assert made.ratio.value == pytest.approx(1.0, abs=0.001)
    assert made.end_ohm == pytest.approx(0.1, rel=0.001)


def test_an_even_hall_needs_nothing_taken_out():
    made = triages.grown(1.5)
    assert not made.by_heat
    assert not made.by_charge
    assert made.ratio.value == pytest.approx(1.5 ** (85 / 99), rel=0.001)


@pytest.mark.parametrize(
    ("steps", "why_not"),
    [
        ((), "No step"),
        (steps_of(lambda _: 0.1, days=2), "8 steps; 10"),
        (steps_of(lambda _: 0.1, celsius=lambda _: None), "no temperature"),
        (steps_of(lambda _: 0.1, days=30), "within 29 days"),
    ],
)
def test_what_is_thin_or_short_has_no_trend(steps, why_not):
    made, said = trend(steps)
    assert made is None
    assert why_not in said


def test_ten_steps_are_enough():
    steps = steps_of(lambda _: 0.1, days=40)[::16]
    assert len(steps) == 10
    assert trend(steps)[0] is not None
    assert trend(steps[1:])[0] is None


def test_one_odd_day_does_not_move_the_trend():
    steps = steps_of(lambda day: 0.5 if day == 97 else 0.1 + 1e-5 * (day % 3))
    made, _ = trend(steps)
    assert made is not None
    assert made.ratio.value == pytest.approx(1.0, abs=0.001)


# --- from files -----------------------------------------------------------------------


def csv_of(path, rows, columns):
    path.write_text("\n".join([columns, *(",".join(map(str, row)) for row in rows)]))
    return path


def test_a_csv_by_hand_gives_time_capacity_autonomy_and_heat(tmp_path):
    """From 100 to 20 % in 8 h and back: 10 %/h, so 7.5 h from full to 25 %.

    The counter moves by 4.8 Ah over 80 points, so the battery has 6 Ah.
    """
    down = [(60 * m, 100 - m / 6, 6 - m / 100, "no", 30) for m in range(0, 481, 6)]
    up = [
        (28_800 + 60 * m, 20 + m / 6, 1.2 + m / 100, "yes", 46)
        for m in range(6, 481, 6)
    ]
    log = csv_of(
        tmp_path / "hall.csv",
        [(t, f"{s:.1f}", f"{q:.3f}", fed, c) for t, s, q, fed, c in down + up],
        "time,soc_percent,charge_ah,external_power,temperature_c",
    )
    found = evidence(log, None, design_ah=7.0)
    assert found.measured.capacity_ah == pytest.approx(6.0, abs=0.01)
    assert found.measured.design_ah == 7.0
    assert found.autonomy is not None
    assert found.autonomy.rate.value == pytest.approx(10.0)
    assert found.autonomy.hours.value == pytest.approx(7.5)
    assert found.covered_s == 57_600
    assert found.high_share is not None
    # Above 80 % for 2 h at either end of 16 h.
    assert found.high_share.value == pytest.approx(4 / 16, abs=0.01)
    assert found.warm_share is not None
    assert found.warm_share.value == pytest.approx(0.5, abs=0.01)
    assert (found.warm_share.low, found.warm_share.high) == (
        0.0,
        pytest.approx(0.5, abs=0.01),
    )
    assert found.switchings is None


def test_a_csv_tells_when_it_was_last_critically_hot_and_how_it_ends(tmp_path):
    rows = [(60 * m, 50, c) for m, c in enumerate((30, 60, 61.5, 59.9, 41))]
    log = csv_of(tmp_path / "hall.csv", rows, "time,soc_percent,temperature_c")
    found = evidence(log, None)
    assert found.stopped_ms is not None
    assert found.stopped_ms - found.from_ms == 120_000
    assert found.last_c == 41
    assert not found.ends_hot
    assert not triages.evidence().ends_hot


def test_a_gauge_that_gives_back_its_own_full_charge_measures_nothing(tmp_path):
    rows = [(60 * m, 100 - m, f"{0.06 * (100 - m):.3f}", 6.0) for m in range(80)]
    columns = "time,soc_percent,charge_ah,full_charge_ah"
    found = evidence(csv_of(tmp_path / "hall.csv", rows, columns), None)
    assert found.measured.capacity_ah is None
    assert "echo" in found.measured.why_no_capacity


def test_another_pack_in_a_csv_is_another_battery(tmp_path):
    old = [(60 * m, 100 - m, f"{0.05 * (100 - m):.3f}", "P1") for m in range(80)]
    new = [(6000 + 60 * m, 100 - m, f"{0.07 * (100 - m):.3f}", "P2") for m in range(80)]
    columns = "time,soc_percent,charge_ah,pack"
    found = evidence(csv_of(tmp_path / "hall.csv", old + new, columns), None)
    assert found.measured.capacity_ah == pytest.approx(7.0, abs=0.01)
    assert found.measured.swings == 1


def test_the_resistance_of_a_csv_is_that_of_the_last_pack(tmp_path):
    """0.2 V over 2 A are 100 mΩ, 0.1 V over 2 A are 50 mΩ."""
    rows = [
        *((0, 60, 3.9, -1, "no", "P1"), (2, 60, 4.1, 1, "yes", "P1")),
        *((60, 60, 3.9, -1, "no", "P2"), (62, 60, 4.0, 1, "yes", "P2")),
    ]
    columns = "time,soc_percent,voltage_v,current_a,external_power,pack"
    log = csv_of(
        tmp_path / "hall.csv",
        [(*row, "true") for row in rows],
        f"{columns},current_sign_trusted",
    )
    found = evidence(log, None)
    assert [each.ohm for each in found.measured.steps] == [pytest.approx(0.05)]


def test_gaps_of_a_csv_are_time_that_nobody_saw(tmp_path):
    rows = [(60 * m, 90) for m in range(60)] + [
        (90_000 + 60 * m, 90) for m in range(60)
    ]
    found = evidence(csv_of(tmp_path / "hall.csv", rows, "time,soc_percent"), None)
    assert found.covered_s == 2 * 59 * 60
    assert found.unseen_s == 90_000 - 59 * 60
    share = found.high_share
    assert share is not None
    assert (share.value, share.high) == (1.0, 1.0)
    assert share.low == pytest.approx(7080 / (90_000 + 59 * 60), rel=0.001)


@pytest.mark.parametrize(
    ("volts", "cells", "count"),
    [(3.29, 1, 2), (3.31, 1, 0), (6.58, 2, 2), (6.62, 2, 0)],
)
def test_a_collapse_is_a_low_cell_with_charge_above_the_floor(
    tmp_path, volts, cells, count
):
    rows = []
    for swing in range(3):
        for minute in range(20):
            fed = "yes" if minute < 10 else "no"
            low = minute == 12 and swing < 2
            shown = volts if low else 3.9 * cells
            rows.append((1200 * swing + 60 * minute, 60 - minute / 10, shown, fed))
    columns = "time,soc_percent,voltage_v,external_power"
    found = evidence(csv_of(tmp_path / "hall.csv", rows, columns), None)
    assert len(found.collapses) == count
    if count:
        assert found.collapses[0].cell_v == pytest.approx(volts / cells)
        assert found.collapses[0].soc_percent == pytest.approx(58.8)


@pytest.mark.parametrize(("soc", "count"), [(25.0, 0), (25.1, 1)])
def test_a_low_cell_at_the_floor_is_no_collapse(tmp_path, soc, count):
    """The floor is 25 % where nobody set another: DESIGN section 5."""
    rows = [(60 * m, 60, 3.9, "yes") for m in range(9)] + [(540, soc, 3.0, "no")]
    columns = "time,soc_percent,voltage_v,external_power"
    found = evidence(csv_of(tmp_path / "hall.csv", rows, columns), None)
    assert len(found.collapses) == count


def test_time_at_95_percent_and_above_is_full():
    made = triages.evidence(soc=triages.charge(high_h=30.0, low_h=70.0))
    assert made.full_hours == 30.0


def test_nothing_read_is_no_share():
    made: Evidence = triages.evidence(covered_s=0.0)
    assert made.high_share is None
    made = triages.evidence(temperature=audits.NO_HEAT)
    assert made.warm_share is None
