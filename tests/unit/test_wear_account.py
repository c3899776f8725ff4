"""An account: each model's number beside float and hold, who counts, the ranges."""

from __future__ import annotations

import pytest

from tidegate.wear.account import Account, ModelLoss, account
from tidegate.wear.duty import Duty
from tidegate.wear.models import MODELS

YEAR = Duty.cycling(55, 65, period_h=3, temperature_c=25, days=365)


def test_float_and_hold_stand_beside_it() -> None:
    got = account(YEAR, hold_percent=60)
    # Rates of blast-lite 1.1.1 (nmc111_gr_Sanyo2Ah_2014) in closed form.
    first = got.models[0]
    assert first.name == "schmalstieg2014"
    assert first.loss_percent == pytest.approx(7.1667, abs=5e-3)
    assert first.float_loss_percent == pytest.approx(4.4013, abs=1e-3)
    assert first.hold_loss_percent == pytest.approx(2.7192, abs=1e-3)
    assert not first.is_better_than_float
    assert first.avoided_percent == pytest.approx(-2.765, abs=5e-3)
    assert got.efc_per_year == pytest.approx(292)
    assert got.hold_percent == 60


def test_rest_is_what_the_levels_cost_without_the_cycles() -> None:
    # Rates of blast-lite 1.1.1 at 60 % for the hold; the sweep around it costs the same
    # to 0.01 points.
    for each in account(YEAR, hold_percent=60).models:
        assert each.rest_loss_percent < each.loss_percent
        assert each.rest_loss_percent == pytest.approx(each.hold_loss_percent, abs=0.05)


@pytest.mark.parametrize(
    ("chemistry", "of"), [("unknown", 4), ("nmc", 4), ("lco", 4), ("lfp", 5)]
)
def test_the_lfp_model_counts_only_for_lfp(chemistry: str, of: int) -> None:
    got = account(YEAR, hold_percent=60, chemistry=chemistry)
    assert [each.name for each in got.models] == list(MODELS)
    assert got.of == of
    assert got.models[-1].counts is (chemistry == "lfp")


@pytest.mark.parametrize(
    ("chemistry", "first", "last"),
    [
        ("unknown", None, "LFP cell (not declared)"),
        ("nmc", None, "LFP cell (declared NMC)"),
        ("lfp", "NMC cell (declared LFP)", None),
        ("lco", "NMC cell (declared LCO)", "LFP cell (declared LCO)"),
    ],
)
def test_another_chemistry_is_a_tag(
    chemistry: str, first: str | None, last: str | None
) -> None:
    models = account(YEAR, hold_percent=60, chemistry=chemistry).models
    for model, tag in ((models[0], first), (models[-1], last)):
        assert [each for each in model.outside if "cell" in each] == [tag] * bool(tag)


def test_only_the_models_asked_for() -> None:
    got = account(YEAR, hold_percent=60, models=[MODELS["xu2016"]])
    assert [each.name for each in got.models] == ["xu2016"]
    assert got.of == 1


def loss(name: str, lost: float, full: float, *, counts: bool = True) -> ModelLoss:
    return ModelLoss(
        name=name,
        loss_percent=lost,
        float_loss_percent=full,
        hold_loss_percent=1.0,
        outside=(),
        counts=counts,
    )


def test_ranges_and_k_of_n_are_of_those_that_count() -> None:
    got = Account(
        models=(
            loss("first", 2.0, 5.0),
            loss("second", 6.0, 4.0),
            loss("third", 4.0, 4.0),
            loss("fourth", 0.5, 50.0, counts=False),
        ),
        days=365,
        efc_per_year=10,
        hold_percent=60,
    )
    assert (got.better, got.of) == (1, 3)
    assert got.loss_percent == (2.0, 6.0)
    assert got.float_loss_percent == (4.0, 5.0)
    assert got.hold_loss_percent == (1.0, 1.0)
    assert got.avoided_percent == (-2.0, 3.0)


def test_no_model_has_no_range() -> None:
    got = account(YEAR, hold_percent=60, models=[MODELS["naumann_lfp"]])
    assert (got.better, got.of) == (0, 0)
    assert got.loss_percent is None
    assert got.avoided_percent is None


def test_temperatures_are_by_time() -> None:
    duty = Duty(rests={(60, 20): 300.0, (50, 40): 100.0, (70, 60): 0.0})
    got = account(duty, hold_percent=60)
    assert (got.mean_c, got.lowest_c, got.highest_c) == (25, 20, 40)


def test_no_time_costs_nothing() -> None:
    got = account(Duty(rests={}), hold_percent=60)
    assert got.days == 0
    assert got.mean_c is None
    assert got.loss_percent == (0, 0)
    assert got.better == 0


def test_what_float_and_hold_are_outside_of_is_told_apart_from_the_duty() -> None:
    for each in account(YEAR, hold_percent=60).models:
        # Neither is ever cycled.
        for told in (*each.float_outside, *each.hold_outside):
            assert not told.startswith(("depth", "cycled"))
    # At 60 °C all three are stored warmer than the tests of this model, up to 50 °C.
    hot = Duty.cycling(55, 65, period_h=3, temperature_c=60, days=365)
    first = account(hot, hold_percent=60).models[0]
    for outside in (first.outside, first.float_outside, first.hold_outside):
        assert "stored at 60 °C (tested 35 to 50 °C)" in outside
    lfp = account(YEAR, hold_percent=60, chemistry="lfp").models[0]
    assert lfp.float_outside[-1] == lfp.hold_outside[-1] == "NMC cell (declared LFP)"
