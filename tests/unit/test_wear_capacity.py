"""Capacity by total least squares: a worked case, scipy's fit, known truths, the gate."""

from __future__ import annotations

import random
import warnings
from math import sqrt

import pytest

from tidegate.wear.capacity import (
    NARROWEST_PERCENT,
    Sums,
    Swings,
    difference_sigma,
    quantisation_sigma,
)

# Invented swings (shares of SoC, Ah) around 7.25 Ah. The expected numbers were worked
# out with scipy.odr of scipy 1.17.1, which `test_scipys_fit_agrees` does again.
X = [0.10, 0.10, 0.09, 0.11, 0.10, 0.30, 0.45, 0.10, 0.58, 0.10]
Y = [0.742, 0.718, 0.664, 0.801, 0.730, 2.195, 3.244, 0.751, 4.205, 0.722]


def summed(pairs, *, fading=1.0):
    sums = Sums()
    for x, y in pairs:
        sums = sums.plus(x, y, fading=fading)
    return sums


def by_scipy(xs, ys, sigma_x, sigma_y):
    """Orthogonal distance regression (ODRPACK) through scipy, the reference library."""
    with warnings.catch_warnings():
        # scipy deprecates its wrapper, not the method.
        warnings.simplefilter("ignore", DeprecationWarning)
        from scipy import odr

        model = odr.Model(lambda beta, x: beta[0] * x)
        data = odr.RealData(xs, ys, sx=sigma_x, sy=sigma_y)
        fit = odr.ODR(data, model, beta0=[max(ys) / max(xs)], sstol=1e-15, partol=1e-15)
        fit.set_job(deriv=0)
        return fit.run()


def chi_square(pairs, slope, sigma_x, sigma_y):
    noise = sigma_y**2 + (slope * sigma_x) ** 2
    return sum((y - slope * x) ** 2 for x, y in pairs) / noise


def test_the_worked_case():
    sums = summed(zip(X, Y, strict=True))
    fit = sums.fitted(sigma_x=0.01, sigma_y=0.01)
    assert fit is not None
    assert fit.slope == pytest.approx(7.254513, abs=1e-6)
    assert fit.sigma == pytest.approx(0.08759, abs=1e-4)
    # Plain least squares, for comparison.
    assert sums.xy / sums.xx == pytest.approx(7.254141, abs=1e-6)
    other = sums.fitted(sigma_x=0.01, sigma_y=0.05)
    assert other is not None
    assert other.slope == pytest.approx(7.254398, abs=1e-6)
    assert other.sigma == pytest.approx(0.10538, abs=1e-4)


@pytest.mark.parametrize(
    ("sigma_x", "sigma_y"), [(0.01, 0.01), (0.01, 0.05), (0.004, 0.002), (1e-7, 0.05)]
)
def test_scipys_fit_agrees(sigma_x, sigma_y):
    fit = summed(zip(X, Y, strict=True)).fitted(sigma_x=sigma_x, sigma_y=sigma_y)
    scipys = by_scipy(X, Y, sigma_x, sigma_y)
    assert fit is not None
    assert fit.slope == pytest.approx(scipys.beta[0], rel=1e-7)
    # Gauss-Newton leaves the second derivative of the residues out.
    assert fit.sigma == pytest.approx(sqrt(scipys.cov_beta[0, 0]), rel=1e-2)
    assert fit.misfit == pytest.approx(scipys.res_var, rel=1e-5)


def test_all_noise_on_one_side_is_plain_least_squares_that_way():
    """Its two limits: y on x with a sure SoC, x on y with a sure charge."""
    sums = summed(zip(X, Y, strict=True))
    sure_soc = sums.fitted(sigma_x=1e-10, sigma_y=1)
    sure_charge = sums.fitted(sigma_x=1, sigma_y=1e-10)
    assert sure_soc is not None
    assert sure_charge is not None
    assert sure_soc.slope == pytest.approx(sums.xy / sums.xx, rel=1e-12)
    assert sure_charge.slope == pytest.approx(sums.yy / sums.xy, rel=1e-12)


def test_sigma_is_the_curvature_of_chi_square():
    """√(2/χ²'') by finite differences of the definition (Plett 2011)."""
    # Pulled apart, so that the misfit has its part in the curvature.
    pairs = [
        (x, y + (-1) ** index) for index, (x, y) in enumerate(zip(X, Y, strict=True))
    ]
    fit = summed(pairs).fitted(sigma_x=0.01, sigma_y=0.05)
    assert fit is not None
    low, mid, high = (
        chi_square(pairs, fit.slope + step, 0.01, 0.05) for step in (-1e-3, 0, 1e-3)
    )
    assert low > mid < high
    assert fit.sigma == pytest.approx(sqrt(2 / ((low - 2 * mid + high) / 1e-6)), 1e-4)


def test_plain_least_squares_comes_out_low_and_this_does_not():
    """Swings of ±10 % with noise of 1.41 % in SoC: OLS is biased by 1/(1 + 0.02).

    The factor is the textbook's attenuation: var(x)/(var(x) + var(noise)).
    """
    draw = random.Random(11)
    pairs = []
    for _ in range(20_000):
        x = draw.choice((-0.1, 0.1))
        noisy = x + draw.gauss(0, 0.01 * sqrt(2))
        pairs.append((noisy, 7.3 * x + draw.gauss(0, 0.01)))
    sums = summed(pairs)
    fit = sums.fitted(sigma_x=0.01 * sqrt(2), sigma_y=0.01)
    assert fit is not None
    assert sums.xy / sums.xx == pytest.approx(7.3 / 1.02, abs=4 * fit.sigma)
    assert fit.slope == pytest.approx(7.3, abs=4 * fit.sigma)
    assert fit.misfit == pytest.approx(1, abs=0.05)


def test_the_noise_of_whole_percents():
    """1/√12, the standard deviation of a uniform error of one step; √(1/6) for two."""
    assert quantisation_sigma(1) == pytest.approx(0.288675, abs=1e-6)
    assert difference_sigma(1) == pytest.approx(0.408248, abs=1e-6)
    draw = random.Random(5)
    errors = [
        round(level) - level for level in (draw.uniform(0, 99) for _ in range(9999))
    ]
    seen = sqrt(sum(error**2 for error in errors) / len(errors))
    assert seen == pytest.approx(quantisation_sigma(1), rel=0.02)


WHOLE_PERCENTS = difference_sigma(1)


def swings(*pairs, fading=1.0, soc_sigma_percent=WHOLE_PERCENTS):
    made = Swings(
        soc_sigma_percent=soc_sigma_percent, charge_sigma_ah=0.01, fading=fading
    )
    for soc_percent, charge_ah in pairs:
        made.add(soc_percent=soc_percent, charge_ah=charge_ah)
    return made


def test_nothing_is_no_capacity():
    measured = swings().measured()
    assert (measured.ah, measured.sigma_ah, measured.swings) == (None, None, 0)
    assert measured.why_not == "There was no swing with both its SoC and its charge."


def test_narrow_swings_are_an_echo_and_never_count():
    many = [(-10, -0.4), (10, 0.4), (29.9, 1.2)] * 100
    measured = swings(*many).measured()
    assert measured.ah is None
    assert measured.why_not.startswith("No swing was 30 points wide; 300 narrower")
    mixed = swings(*many, (-40, -1.5)).measured()
    assert mixed == swings((-40, -1.5)).measured()
    assert mixed.swings == 1
    assert mixed.ah == pytest.approx(3.75)


def test_thirty_points_are_wide_enough():
    assert swings((NARROWEST_PERCENT, 1.2)).measured().ah == pytest.approx(4.0)
    assert swings((-NARROWEST_PERCENT, -1.2)).measured().ah == pytest.approx(4.0)


def test_charge_that_does_not_follow_is_named():
    measured = swings((-40, 1.5), (50, 0.0)).measured()
    assert measured.ah is None
    assert "In 2 wide swings the charge did not follow the SoC" in measured.why_not
    assert swings((-40, 1.5), (50, 2)).measured().swings == 1


def test_swings_lost_in_their_noise_are_no_capacity():
    measured = swings((30, 0.001), (30, 3.0), soc_sigma_percent=200).measured()
    assert measured.ah is None
    assert measured.why_not == "The noise is as large as the capacity itself."


def test_repeating_a_swing_does_not_beat_its_steps():
    """The same codes err the same way each time: 0.41 of 40 points stay 1 %."""
    once, often = swings((40, 1.6)).measured(), swings(*[(40, 1.6)] * 400).measured()
    assert often.sigma_ah == pytest.approx(4.0 * 0.408248 / 40, rel=1e-5)
    assert once.sigma_ah > often.sigma_ah
    wider = swings((80, 3.2), *[(40, 1.6)] * 400).measured()
    assert wider.sigma_ah == pytest.approx(often.sigma_ah / 2, rel=1e-5)


def test_swings_that_disagree_widen_the_sigma():
    calm = swings((50, 2.0), (50, 2.0), (50, 2.0)).measured()
    wild = swings((50, 1.6), (50, 2.0), (50, 2.4)).measured()
    assert wild.sigma_ah > 3 * calm.sigma_ah
    # The standard error of the three slopes 3.2, 4.0 and 4.8 Ah by themselves, 0.8/√3.
    assert wild.sigma_ah == pytest.approx(0.8 / sqrt(3), rel=0.1)
    assert abs(wild.ah - 4.0) < wild.sigma_ah


def test_fading_follows_a_cell_that_ages():
    """After 40 swings at half weight each, what was 60 swings ago is gone."""
    old, new = [(50, 2.0)] * 100, [(50, 1.5)] * 40
    assert swings(*old, *new, fading=0.5).measured().ah == pytest.approx(3.0, abs=1e-6)
    assert swings(*old, *new).measured().ah > 3.5


@pytest.mark.parametrize(
    "wrong",
    [
        {"soc_sigma_percent": 0.0, "charge_sigma_ah": 0.01},
        {"soc_sigma_percent": 0.4, "charge_sigma_ah": 0.0},
        {"soc_sigma_percent": 0.4, "charge_sigma_ah": 0.01, "fading": 0.0},
        {"soc_sigma_percent": 0.4, "charge_sigma_ah": 0.01, "fading": 1.1},
    ],
)
def test_sigmas_and_fading_must_make_sense(wrong):
    with pytest.raises(ValueError, match="above 0"):
        Swings(**wrong)
