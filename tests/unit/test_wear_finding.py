"""What an account is put into words as; every number is invented but where a source
stands beside it."""

from __future__ import annotations

import pytest

from tidegate.wear import finding, handbook
from tidegate.wear.account import Account, ModelLoss, account
from tidegate.wear.duty import Duty
from tidegate.wear.models import MODELS

# (loss, float, hold, at rest alone), in percent
GOOD = (3.0, 6.0, 2.5, 2.6)
WORSE_BY_CYCLES = (7.0, 5.0, 2.5, 2.6)
AS_HIGH = (5.0, 5.0, 2.5, 5.0)
HIGHER = (5.3, 5.0, 2.5, 5.0)
ALL_LOST = (100.0, 100.0, 60.0, 100.0)
BARELY_LESS = (4.96, 5.0, 2.5, 2.6)


def told(
    *losses: tuple[float, float, float, float],
    days: float = 365.0,
    efc_per_year: float = 73.0,
    chemistry: str = "unknown",
    counts: bool = True,
    heat: tuple[float, float, float] | None = None,
) -> Account:
    mean_c, lowest_c, highest_c = heat or (None, None, None)
    return Account(
        models=tuple(
            ModelLoss(
                name=f"model{place}",
                loss_percent=loss,
                float_loss_percent=full,
                hold_loss_percent=hold,
                rest_loss_percent=rest,
                outside=(),
                counts=counts,
            )
            for place, (loss, full, hold, rest) in enumerate(losses, start=1)
        ),
        days=days,
        efc_per_year=efc_per_year,
        hold_percent=60.0,
        chemistry=chemistry,
        mean_c=mean_c,
        lowest_c=lowest_c,
        highest_c=highest_c,
    )


CYCLING = "the cycling costs about what the lower charge saves, or more"

VERDICTS = [
    pytest.param(
        told(GOOD, GOOD, GOOD),
        "3 of 3 models say that this costs less than float.",
        id="all",
    ),
    pytest.param(
        told(GOOD),
        "The one model that counts says that this costs less than float.",
        id="one",
    ),
    pytest.param(
        told(GOOD, GOOD, WORSE_BY_CYCLES, GOOD),
        "3 of 4 models say that this costs less than float; for model3 "
        + CYCLING
        + ".",
        id="most",
    ),
    pytest.param(
        told(GOOD, WORSE_BY_CYCLES, WORSE_BY_CYCLES),
        "1 of 3 models says that this costs less than float; for model2 and model3 "
        + CYCLING
        + ".",
        id="few",
    ),
    pytest.param(
        told(WORSE_BY_CYCLES, WORSE_BY_CYCLES),
        "0 of 2 models say that this costs less than float: " + CYCLING + ".",
        id="none",
    ),
    pytest.param(
        told(WORSE_BY_CYCLES),
        "The one model that counts says that this costs more than float: "
        + CYCLING
        + ".",
        id="not-the-one",
    ),
    pytest.param(
        told(HIGHER, HIGHER),
        "0 of 2 models say that this costs less than float: the battery was about as "
        "high as in float.",
        id="as-high",
    ),
    pytest.param(
        told(HIGHER, WORSE_BY_CYCLES, ALL_LOST),
        "0 of 3 models say that this costs less than float; for model1 the battery was "
        "about as high as in float; for model2 "
        + CYCLING
        + "; for model3 nothing is left in either case.",
        id="each-its-reason",
    ),
    pytest.param(
        told(GOOD, BARELY_LESS),
        "1 of 2 models says that this costs less than float; for model2 "
        + CYCLING
        + ".",
        id="within-one-percent-is-no-less",
    ),
    pytest.param(
        told(AS_HIGH, BARELY_LESS),
        "This costs as much as float by every model: 5.0 % of the capacity.",
        id="float",
    ),
    pytest.param(
        told(ALL_LOST),
        "This costs as much as float by the one model that counts: 100.0 % of the "
        "capacity.",
        id="all-lost",
    ),
    pytest.param(
        told(GOOD, days=0),
        "No time was covered, so there is nothing to say of wear.",
        id="no-time",
    ),
    pytest.param(
        told(GOOD, counts=False),
        "No model counts here: model1 is only for cells declared as LFP.",
        id="none-counts",
    ),
]


@pytest.mark.parametrize(("account", "sentence"), VERDICTS)
def test_the_verdict(account: Account, sentence: str) -> None:
    assert finding.verdict(account) == sentence
    assert finding.sentences(account)[0] == sentence


RANGES = [
    pytest.param(
        (GOOD, WORSE_BY_CYCLES),
        "Over 1 year from new this costs 3.0 to 7.0 % of the capacity; float at 100 % "
        "would cost 5.0 to 6.0 %. Against float that is from 2.0 points lost to 3.0 "
        "saved.",
        id="both-ways",
    ),
    pytest.param(
        (GOOD, (3.0, 3.5, 2.0, 2.0)),
        "Over 1 year from new this costs 3.0 % of the capacity; float at 100 % would "
        "cost 3.5 to 6.0 %. Against float that saves 0.5 to 3.0 points.",
        id="saves",
    ),
    pytest.param(
        (WORSE_BY_CYCLES, (6.0, 5.5, 2.0, 2.0)),
        "Over 1 year from new this costs 6.0 to 7.0 % of the capacity; float at 100 % "
        "would cost 5.0 to 5.5 %. Against float that loses 0.5 to 2.0 points more.",
        id="loses",
    ),
    pytest.param(
        ((0.02, 0.04, 0.02, 0.02),),
        "Over 1 year from new this costs 0.0 % of the capacity; float at 100 % would "
        "cost 0.0 %. The difference from float is below 0.1 points.",
        id="nothing-to-tell",
    ),
]


@pytest.mark.parametrize(("losses", "sentence"), RANGES)
def test_the_range(
    losses: tuple[tuple[float, float, float, float], ...], sentence: str
) -> None:
    assert finding.sentences(told(*losses))[1] == sentence


@pytest.mark.parametrize(
    ("days", "words"),
    [
        (1 / 96, "Over 15 min "),
        (0.25, "Over 6 h "),
        (7, "Over 7 days"),
        (365, "Over 1 year "),
        (1095, "Over 3 "),
    ],
)
def test_the_time_is_named(days: float, words: str) -> None:
    assert finding.sentences(told(GOOD, days=days))[1].startswith(words)


def text(account: Account, *, sensor: str | None = None, is_guess: bool = False) -> str:
    said = finding.sentences(account, sensor=sensor, is_guess=is_guess)
    return "\n".join(said)


def test_what_to_change_where_cycles_cost_too_much() -> None:
    said = text(told(GOOD, WORSE_BY_CYCLES, efc_per_year=292))
    assert "To change: hold the level instead of cycling" in said
    assert "a supply just above the load" in said
    assert "(292 a year)" in said
    assert "are many" not in said
    assert "Lower the charge window" not in said


def test_what_to_change_where_the_charge_was_high() -> None:
    said = text(told(GOOD, HIGHER, efc_per_year=30))
    assert "Lower the charge window" in said
    assert "instead of cycling" not in said


def test_nothing_to_change_where_all_agree() -> None:
    assert "To change" not in text(told(GOOD, GOOD))


def test_nothing_to_change_where_nothing_is_left() -> None:
    assert "To change" not in text(told(GOOD, ALL_LOST, ALL_LOST))


@pytest.mark.parametrize(("efc_per_year", "many"), [(150.0, False), (150.1, True)])
def test_many_cycles_are_said(efc_per_year: float, many: bool) -> None:
    said = text(told(GOOD, efc_per_year=efc_per_year))
    assert ("are many" in said) is many


def test_the_hold_is_told_with_who_agrees() -> None:
    said = text(told(GOOD, (3.0, 6.0, 3.5, 2.0), (3.0, 2.0, 3.2, 2.5)))
    assert (
        "A hold at 60 % would cost 2.5 to 3.5 %: 2 of 3 models say less than float, "
        "1 of 3 less than this." in said
    )


def test_a_hold_beside_one_model_is_only_a_number() -> None:
    assert "A hold at 60 % would cost 2.5 %.\n" in text(told(GOOD)) + "\n"


def test_a_hold_is_not_set_beside_itself() -> None:
    assert "A hold" not in text(told((2.5, 6.0, 2.5, 2.5), efc_per_year=0))


def test_the_temperature_and_its_sensor_stand_beside() -> None:
    # exp(6976 * (1/298.15 - 1/303.15)) = 1.471, the activation of DOI
    # 10.1016/j.jpowsour.2014.02.012.
    said = text(told(GOOD, heat=(25.0, 19.0, 33.4)), sensor="battery")
    assert "Temperature: mean 25.0 °C, 19 to 33 °C, sensor battery. " in said
    assert "5 °C warmer than that, its loss at rest is 1.5 times as much" in said


def test_a_guessed_temperature_is_not_told_as_measured() -> None:
    said = text(told(GOOD, heat=(25.0, 25.0, 25.0)), is_guess=True)
    assert "Temperature: 25.0 °C, a guess. If the cell is 5 °C warmer" in said
    assert "mean" not in said


def test_lfp_is_told_apart() -> None:
    duty = Duty.cycling(55, 65, period_h=3, temperature_c=25, days=365)
    said = text(account(duty, hold_percent=60, chemistry="lfp"))
    # simses 1.3.12 lfp_sony for float: 6.773 %.
    assert "naumann_lfp, says 5.3 % for this, 6.8 % for float" in said
    assert "declared LFP" not in text(account(duty, hold_percent=60))
    naumann = [MODELS["naumann_lfp"]]
    alone = account(duty, hold_percent=60, chemistry="lfp", models=naumann)
    assert "declared LFP" not in text(alone)


def test_the_limits_are_said() -> None:
    limits = " ".join(finding.LIMITS)
    for word in ("not a measured state of health", "LCO", "4.2 V", "swelling"):
        assert word in limits


# Usually attributed to I. Buchmann, Batteries in a Portable World (attribution from
# memory); three independent web pages agree on these numbers.
@pytest.mark.parametrize(
    ("celsius", "rows"),
    [
        (0, [(0, 98, 94, 12)]),
        (25, [(25, 96, 80, 12)]),
        (40, [(40, 85, 65, 12)]),
        (60, [(60, 75, 60, 3)]),
        (30, [(25, 96, 80, 12), (40, 85, 65, 12)]),
        (-0.1, []),
        (60.1, []),
    ],
)
def test_the_handbook_is_not_interpolated(
    celsius: float, rows: list[tuple[int, int, int, int]]
) -> None:
    assert [
        (
            each.temperature_c,
            each.left_at_low_percent,
            each.left_at_high_percent,
            each.months_at_high,
        )
        for each in handbook.storage(celsius)
    ] == rows


def test_the_handbook_is_labelled() -> None:
    (said,) = handbook.sentences(25)
    assert "pessimistic" in said
    assert "not a model" in said
    assert "leaves 80 % at 100 % of charge, 96 % at 40 %" in said
    (hot,) = handbook.sentences(60)
    # Three months are no year.
    assert hot.endswith(
        "storage at 60 °C leaves 60 % after 3 months at 100 % of charge, 75 % after a "
        "year at 40 %."
    )
    assert "a year of storage at 60 °C" not in hot
    assert handbook.sentences(-10) == ()
