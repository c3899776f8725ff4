"""The ageing models against numbers of the codes that their constants are from.

Where a row names blast-lite 1.1.1, its own ``update_rates`` gave the rate and the power
is its ``p``; the law is evaluated in closed form, so its stepping has no part in it.
Where a row names simses 1.3.12, it is the formula of its source with the constants of
its file. Papers, by DOI, stand in each model.
"""

from __future__ import annotations

from math import sqrt

import pytest

from tidegate.wear.duty import Duty
from tidegate.wear.model import State
from tidegate.wear.models import MODELS
from tidegate.wear.models.schmalstieg2014 import CAPACITY_AH
from tidegate.wear.ocv import SANYO_UR18650E, anode_potential_v

YEARS = (1, 3, 5)


def left(name: str, duty: Duty) -> float:
    model = MODELS[name]
    return 1 - model.loss(model.lived(duty))


def window(days: float, *, temperature_c: float) -> Duty:
    """55-65 % every 3 h, with all of the time counted at 60 %."""
    cycles = days * 8
    return Duty(
        rests={(60, temperature_c): days * 86_400},
        cycles={(10, 60): cycles},
        moved={temperature_c: cycles / 10},
        rate_per_h=0.1 / 1.5,
    )


def test_the_five_models_are_named_and_ordered() -> None:
    assert list(MODELS) == [
        "schmalstieg2014",
        "nca_keil_preger",
        "kokam_nmc",
        "xu2016",
        "naumann_lfp",
    ]


@pytest.mark.parametrize(
    ("name", "level", "celsius", "want", "within"),
    [
        # blast-lite 1.1.1 nmc111_gr_Sanyo2Ah_2014, and simses 1.3.12 with the same seven
        # constants; DOI 10.1016/j.jpowsour.2014.02.012.
        ("schmalstieg2014", 100, 25, (0.955987, 0.899672, 0.852833), 1e-5),
        ("schmalstieg2014", 100, 40, (0.865005, 0.692277, 0.548615), 1e-5),
        ("schmalstieg2014", 60, 25, (0.972808, 0.938015, 0.909077), 1e-5),
        ("schmalstieg2014", 50, 40, (0.926893, 0.833351, 0.755551), 1e-5),
        # blast-lite 1.1.1 nca_gr_Panasonic3Ah_2018; DOI 10.1149/2.0411609jes.
        ("nca_keil_preger", 100, 25, (0.931086, 0.879053, 0.842898), 2e-6),
        ("nca_keil_preger", 50, 40, (0.936622, 0.888769, 0.855518), 2e-6),
        # blast-lite 1.1.1 nmc111_gr_Kokam75Ah_2017; DOI 10.23919/ACC.2017.7963578.
        ("kokam_nmc", 100, 25, (0.949004, 0.924514, 0.909413), 2e-6),
        ("kokam_nmc", 100, 40, (0.852458, 0.781602, 0.737911), 2e-6),
        ("kokam_nmc", 60, 25, (0.987701, 0.981795, 0.978153), 2e-6),
        # The formula with the constants that five public codes share, worked out apart;
        # DOI 10.1109/TSG.2016.2578950.
        ("xu2016", 100, 25, (0.926061, 0.882428, 0.844491), 1e-6),
        # simses 1.3.12 lfp_sony, row "Naumann"; DOI 10.1016/j.est.2018.01.019.
        ("naumann_lfp", 100, 25, (0.93227, 0.88269, 0.84855), 1e-5),
        ("naumann_lfp", 100, 40, (0.90570, 0.83667, 0.78914), 1e-5),
    ],
)
def test_a_hold(
    name: str, level: float, celsius: float, want: tuple[float, ...], within: float
) -> None:
    got = [
        left(name, Duty.hold(level, temperature_c=celsius, days=365 * years))
        for years in YEARS
    ]
    assert got == pytest.approx(want, abs=within)


def test_schmalstieg_in_a_triangle() -> None:
    # blast-lite 1.1.1: alpha and beta of one even sweep from 55 to 65 % of 2001 points,
    # put into the law of 292 equivalent full cycles a year of 2.15 Ah.
    got = [
        left(
            "schmalstieg2014",
            Duty.cycling(55, 65, period_h=3, temperature_c=25, days=365 * years),
        )
        for years in YEARS
    ]
    assert got == pytest.approx((0.928333, 0.860968, 0.809600), abs=5e-5)


def test_the_cycle_factor_of_schmalstieg() -> None:
    # beta of that sweep in blast-lite 1.1.1; per full cycle 2 * 2.15 Ah * 0.1 are moved.
    pace = MODELS["schmalstieg2014"].cycling_pace(10, mean_percent=60, rate_per_h=0.07)
    beta = sqrt(pace / (2 * CAPACITY_AH * 0.1))
    assert beta == pytest.approx(0.00125441158, rel=1e-6)


def test_schmalstieg_in_two_temperatures() -> None:
    # The exact solution of the law with the rates of blast-lite 1.1.1 at 25 and 40 °C.
    duty = Duty(rests={(100, 25): 182 * 86_400, (100, 40): 183 * 86_400})
    assert 1 - left("schmalstieg2014", duty) == pytest.approx(0.093552, abs=1e-6)


@pytest.mark.parametrize("levels", [(100, 60), (60, 100)])
def test_schmalstieg_in_two_levels_in_either_order(levels: tuple[float, float]) -> None:
    # As above, with the rates of blast-lite 1.1.1 at 100 and 60 %.
    model, state = MODELS["schmalstieg2014"], State()
    for level in levels:
        state = model.lived(Duty.hold(level, temperature_c=25, days=182.5), state)
    assert model.loss(state) == pytest.approx(0.0359350, abs=1e-7)


@pytest.mark.parametrize(
    ("level", "celsius", "days"),
    [(100, 25, 2747.2), (100, 40, 616.5), (60, 25, 5220.8)],
)
def test_when_schmalstieg_comes_to_four_fifths(
    level: float, celsius: float, days: float
) -> None:
    # t = (0.2 / alpha)**(4/3) with alpha of blast-lite 1.1.1, to 0.5 days.
    before, after = (
        left(
            "schmalstieg2014", Duty.hold(level, temperature_c=celsius, days=days + way)
        )
        for way in (-0.5, 0.5)
    )
    assert after < 0.8 < before


@pytest.mark.parametrize(
    ("depth", "efc", "lost"), [(10, 292, 0.00206872), (60, 219, 0.00934685)]
)
def test_the_cycles_of_nca(depth: float, efc: float, lost: float) -> None:
    # k_cyc of blast-lite 1.1.1 at 0.1 C and 25 °C; DOI 10.1149/1945-7111/abae37.
    model = MODELS["nca_keil_preger"]
    duty = Duty(
        rests={},
        cycles={(depth, 60): efc * 100 / depth},
        moved={25: efc},
        rate_per_h=0.1,
    )
    assert model.loss(model.lived(duty)) == pytest.approx(lost, abs=2e-8)


def test_kokam_in_a_triangle() -> None:
    # q1 and q3 of blast-lite 1.1.1 in one sweep from 55 to 65 %; it takes the mean of
    # q1, not the mean that is exact for this law, hence the tolerance.
    got = [
        left(
            "kokam_nmc",
            Duty.cycling(55, 65, period_h=3, temperature_c=25, days=365 * years),
        )
        for years in YEARS
    ]
    assert got == pytest.approx((0.982557, 0.969868, 0.960486), abs=5e-4)


def test_the_active_material_of_kokam_gives_out_in_the_cold() -> None:
    # q5 = 3625 of blast-lite 1.1.1 at 5 °C, 100 % deep around 50 %: after 3000 cycles
    # the material has lost 0.0752110, of which 0.01 is spare; lithium only 0.0457.
    model = MODELS["kokam_nmc"]
    cold = Duty(rests={}, cycles={(100, 50): 3000}, moved={5: 3000}, rate_per_h=1)
    state = model.lived(cold)
    assert model.loss(state) == pytest.approx(0.0752110 - 0.01, abs=1e-7)
    lithium_only = State(cycling=state.cycling)
    assert model.loss(lithium_only) == pytest.approx(
        9.008370e-5 * 3000**0.778, abs=1e-7
    )


@pytest.mark.parametrize(
    ("years", "want"), [(1, 0.882186), (3, 0.772841), (5, 0.677063)]
)
def test_xu_with_cycles(years: float, want: float) -> None:
    # The formula with the constants that five public codes share, worked out apart.
    assert left("xu2016", window(365 * years, temperature_c=40)) == pytest.approx(
        want, abs=1e-6
    )


def test_xu_knows_no_cycle_without_depth() -> None:
    model = MODELS["xu2016"]
    assert model.cycling_pace(0, mean_percent=60, rate_per_h=0) == 0


def test_the_cycles_of_naumann() -> None:
    # simses 1.3.12 lfp_sony: 219 full cycles, 60 % deep, at 0.1 C.
    model = MODELS["naumann_lfp"]
    duty = Duty(rests={}, cycles={(60, 50): 365}, moved={25: 219}, rate_per_h=0.1)
    assert 100 * model.loss(model.lived(duty)) == pytest.approx(1.67142, abs=1e-5)


@pytest.mark.parametrize(
    ("level", "volts"),
    [(10, 0.2332476), (50, 0.1233037), (60, 0.1188696), (100, 0.0863823)],
)
def test_the_potential_of_the_anode(level: float, volts: float) -> None:
    # blast-lite 1.1.1 _get_Ua; Safari and Delacourt, DOI 10.1149/1.3567007.
    assert anode_potential_v(level) == pytest.approx(volts, abs=1e-7)


@pytest.mark.parametrize(
    ("level", "volts"),
    [
        (-5, 3.331),
        (0, 3.331),
        (30, 3.62672114),
        (50, 3.69741707),
        (60, 3.77470682),
        (80, 3.96490007),
        (100, 4.162),
        (105, 4.162),
    ],
)
def test_the_voltage_of_the_sanyo_cell(level: float, volts: float) -> None:
    # blast-lite 1.1.1 calc_voltage, which is numpy's interp over the same 58 points.
    assert SANYO_UR18650E.at(level) == pytest.approx(volts, abs=1e-8)


@pytest.mark.parametrize(("low", "high"), [(55, 65), (0, 100), (98, 100), (40, 40)])
def test_the_root_mean_square_is_that_of_many_points(low: float, high: float) -> None:
    # The definition itself, by the rule of midpoints.
    many = 20_000
    points = (low + (high - low) * (index + 0.5) / many for index in range(many))
    mean = sum(SANYO_UR18650E.at(each) ** 2 for each in points) / many
    assert SANYO_UR18650E.rms(low, high) == pytest.approx(sqrt(mean), rel=1e-7)


@pytest.mark.parametrize("name", MODELS)
def test_no_loss_is_more_than_all(name: str) -> None:
    duty = Duty.cycling(0, 100, period_h=2, temperature_c=60, days=365 * 3000)
    assert MODELS[name].loss(MODELS[name].lived(duty)) == pytest.approx(1.0)


OUTSIDE = [
    pytest.param(
        "schmalstieg2014",
        Duty.cycling(55, 65, period_h=3, temperature_c=45, days=365 * 5),
        (
            "cycled at 45 °C (tested 35 °C)",
            "cycled at 0.067 C (tested 1 C)",
            "5 years (tested up to 3 years)",
        ),
        id="schmalstieg",
    ),
    pytest.param(
        "schmalstieg2014",
        Duty.cycling(50, 60, period_h=0.2, temperature_c=25, days=365),
        (
            "stored at 25 °C (tested 35 to 50 °C)",
            "cycled at 25 °C (tested 35 °C)",
        ),
        id="schmalstieg-in-a-room",
    ),
    pytest.param(
        "kokam_nmc",
        Duty.hold(60, temperature_c=55.04, days=1095.4),
        (),
        id="what-is-told-as-the-bound",
    ),
    pytest.param(
        "nca_keil_preger",
        Duty.cycling(20, 80, period_h=2, temperature_c=25, days=100),
        ("depth 60 % (tested 80 to 100 %)",),
        id="nca-depth",
    ),
    pytest.param(
        "nca_keil_preger",
        Duty.hold(60, temperature_c=25, days=365),
        ("1 year (tested up to 0.82 years)",),
        id="nca-time",
    ),
    pytest.param(
        "kokam_nmc",
        Duty(rests={(60, -8.0): 3600, (60, -3.0): 3600, (60, 20.0): 3600}),
        ("stored at -8 to -3 °C (tested 0 to 55 °C)",),
        id="kokam-cold",
    ),
    pytest.param(
        "kokam_nmc",
        Duty(rests={(60, -8.0): 3600, (60, 20.0): 3600 * 99}),
        (),
        id="kokam-a-rare-hour",
    ),
    pytest.param(
        "xu2016",
        Duty.hold(60, temperature_c=25, days=1),
        ("tested ranges not known (paper not read)",),
        id="xu",
    ),
    pytest.param(
        "naumann_lfp",
        Duty.hold(100, temperature_c=25, days=885),
        (),
        id="naumann-as-long-as-its-test",
    ),
]


@pytest.mark.parametrize(("name", "duty", "phrases"), OUTSIDE)
def test_what_lies_outside_the_tests(
    name: str, duty: Duty, phrases: tuple[str, ...]
) -> None:
    # Ranges: experimental_range and docstrings of blast-lite 1.1.1; 885 days: abstract of
    # DOI 10.1016/j.est.2018.01.019; the 35 °C of stored Sanyo cells: from memory.
    assert MODELS[name].outside(duty) == phrases
