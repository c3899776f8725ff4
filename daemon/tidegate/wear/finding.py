"""An account in plain words: the verdict, the ranges, what to change, the limits."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import exp, isclose
from typing import Final

from tidegate.wear.account import LFP, Account, ModelLoss, Range, is_less
from tidegate.wear.model import KELVIN
from tidegate.wear.models.naumann_lfp import NaumannLfp
from tidegate.wear.models.schmalstieg2014 import Schmalstieg2014

# An engineering choice between two computed cases, 73 and 292 a year; no source.
MANY_EFC_PER_YEAR: Final = 150.0
_LEAST: Final = 0.05  # losses are told to 0.1 %
# A loss at rest above this share of that of float is nearly float; an engineering
# choice, no source.
_NEAR: Final = 0.9
# Where a model has so much lost, it no longer tells one life from another; a choice.
_SPENT_PERCENT: Final = 99.0

LIMITS: Final = (
    "Every number is the estimate of a published model for another cell than this one, "
    "counted from a new cell. It is not a measured state of health.",
    "No model here covers the LCO cells of tablets and phones, nor any cell charged "
    "above 4.2 V: at 100 % the true loss may well be higher than told.",
    "No model here knows of swelling, the fault that hurts most. Long hours above "
    "80 % and heat raise its risk, whatever the capacity.",
    "The models are never averaged: their spread is what is not known. Losses within "
    "1 % of one another count as the same.",
)


def verdict(account: Account) -> str:
    """Return what the models say of the duty against float, in one sentence."""
    if account.days <= 0:
        return "No time was covered, so there is nothing to say of wear."
    if not account.of:
        names = ", ".join(each.name for each in account.models)
        return f"No model counts here: {names} is only for cells declared as LFP."
    said = claim(account, subject="this costs")
    said = said[0].upper() + said[1:]
    if account.is_like_float:
        return f"{said}: {_cost(account)}."
    return f"{said}{_reasons(account)}."


def claim(account: Account, *, subject: str) -> str:
    """Return who says that it costs less than float, to go into a sentence.

    ``subject`` names the duty and the tense, such as "it cost". Some model counts.
    """
    if account.is_like_float:
        who = "every model" if account.of > 1 else "the one model that counts"
        return f"{subject} as much as float by {who}"
    if account.of == 1:
        than_float = against_float(account.counted[0])
        return f"the one model that counts says that {subject} {than_float}"
    verb = "says" if account.better == 1 else "say"
    return (
        f"{account.better} of {account.of} models {verb} that {subject} less than float"
    )


def against_float(model: ModelLoss) -> str:
    """Return how a duty compares with float by one model, in a few words."""
    if model.is_better_than_float:
        return "less than float"
    return "as much as float" if model.is_like_float else "more than float"


def sentences(
    account: Account, *, sensor: str | None = None, is_guess: bool = False
) -> tuple[str, ...]:
    """Return the whole finding, the verdict first; ``LIMITS`` belong under it.

    ``sensor`` is what measured the temperature, where that is known; ``is_guess``:
    nothing did.
    """
    if account.days <= 0 or not account.of:
        return (verdict(account),)
    return (verdict(account), *_details(account, sensor, is_guess=is_guess))


def _details(account: Account, sensor: str | None, *, is_guess: bool) -> Iterator[str]:
    if not account.is_like_float:
        yield from _ranges(account)
        yield from _changes(account)
    yield from _hold(account)
    if account.chemistry == LFP and account.of > 1:
        yield from _lfp(account)
    yield from _temperature(account, sensor, is_guess=is_guess)


def _ranges(account: Account) -> Iterator[str]:
    full, avoided = account.float_loss_percent, account.avoided_percent
    assert full is not None
    assert avoided is not None
    yield (
        f"{_span_of_time(account.days)} from new this costs {_cost(account)}; float "
        f"at 100 % would cost {_percent(full)}. {_saved(avoided)}."
    )


def _changes(account: Account) -> Iterator[str]:
    against = [each for each in _against(account) if not _is_spent(each)]
    pace = f"{account.efc_per_year:,.0f}"
    if any(_is_cycling(each) for each in against):
        yield (
            "To change: hold the level instead of cycling, where the relay can (kind "
            "kernel). With a contact, take a supply just above the load, so that fewer "
            f"equivalent full cycles are moved than now ({pace} a year). Other marks "
            "alone do not change their number."
        )
    elif account.efc_per_year > MANY_EFC_PER_YEAR:
        yield (
            f"{pace} equivalent full cycles a year are many: above about "
            f"{MANY_EFC_PER_YEAR:.0f} the cycling may cost more than the lower charge "
            "saves (an engineering choice, no source)."
        )
    high = [each for each in against if each.rest_loss_percent > _NEAR * _full(each)]
    if len(high) > len(against) / 2:
        yield (
            "To change: the charge was nearly as high as in float for most of the "
            "time. Lower the charge window, or find out why the battery was not in it."
        )


def _hold(account: Account) -> Iterator[str]:
    models, held = account.counted, account.hold_loss_percent
    assert held is not None
    if all(isclose(each.hold_loss_percent, each.loss_percent) for each in models):
        return
    text = f"A hold at {account.hold_percent:g} % would cost {_percent(held)}"
    if account.of > 1:
        better = sum(is_less(each.hold_loss_percent, _full(each)) for each in models)
        text += f": {better} of {account.of} models say less than float"
        if not account.is_like_float:
            better = sum(
                is_less(each.hold_loss_percent, each.loss_percent) for each in models
            )
            text += f", {better} of {account.of} less than this"
    yield f"{text}."


def _lfp(account: Account) -> Iterator[str]:
    for each in account.counted:
        if each.name == NaumannLfp.name:
            yield (
                "The battery is declared LFP. The one model of an LFP cell, "
                f"{each.name}, says {each.loss_percent:.1f} % for this, "
                f"{each.float_loss_percent:.1f} % for float."
            )


def _temperature(
    account: Account, sensor: str | None, *, is_guess: bool
) -> Iterator[str]:
    if account.mean_c is None or account.lowest_c is None or account.highest_c is None:
        return
    text = f"Temperature: mean {account.mean_c:.1f} °C"
    if is_guess:
        text = f"Temperature: {account.mean_c:.1f} °C, a guess"
    if account.highest_c - account.lowest_c >= 1:
        text += f", {account.lowest_c:.0f} to {account.highest_c:.0f} °C"
    if sensor:
        text += f", sensor {sensor}"
    # The activation of Schmalstieg et al. 2014, DOI 10.1016/j.jpowsour.2014.02.012.
    kelvin = account.mean_c + KELVIN
    factor = exp(6976 * (1 / kelvin - 1 / (kelvin + 5)))
    yield (
        f"{text}. If the cell is 5 °C warmer than that, its loss at rest is "
        f"{factor:.1f} times as much ({Schmalstieg2014.name})."
    )


def _against(account: Account) -> list[ModelLoss]:
    return [each for each in account.counted if not each.is_better_than_float]


def _is_cycling(each: ModelLoss) -> bool:
    """Return whether the same levels without the cycles would be better than float."""
    return is_less(each.rest_loss_percent, each.float_loss_percent)


def _is_spent(each: ModelLoss) -> bool:
    return min(each.loss_percent, each.float_loss_percent) > _SPENT_PERCENT


def _full(each: ModelLoss) -> float:
    return each.float_loss_percent


def _reasons(account: Account) -> str:
    """Return why models say that it does not cost less, each reason with its models."""
    reasons: dict[str, list[str]] = {}
    for each in _against(account):
        reasons.setdefault(_why(each), []).append(each.name)
    if len(reasons) == 1 and not account.better:
        return f": {next(iter(reasons))}"
    return "".join(f"; for {_names(names)} {why}" for why, names in reasons.items())


def _why(each: ModelLoss) -> str:
    if _is_spent(each):
        return "nothing is left in either case"
    if _is_cycling(each):
        return "the cycling costs about what the lower charge saves, or more"
    return "the battery was about as high as in float"


def _names(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _cost(account: Account) -> str:
    cost = account.loss_percent
    assert cost is not None
    return f"{_percent(cost)} of the capacity"


def _percent(span: Range) -> str:
    low, high = f"{span[0]:.1f}", f"{span[1]:.1f}"
    return f"{low} %" if low == high else f"{low} to {high} %"


def _saved(avoided: Range) -> str:
    low, high = avoided
    if max(-low, high) < _LEAST:
        return "The difference from float is below 0.1 points"
    if high < _LEAST:
        worse = _percent((abs(high), -low)).replace(" %", "")
        return f"Against float that loses {worse} points more"
    if low > -_LEAST:
        better = _percent((max(low, 0.0), high)).replace(" %", "")
        return f"Against float that saves {better} points"
    return f"Against float that is from {-low:.1f} points lost to {high:.1f} saved"


def _span_of_time(days: float) -> str:
    if days >= 365:
        years = f"{days / 365:.3g}"
        return f"Over {years} {'year' if years == '1' else 'years'}"
    if days < 1 / 24:
        return f"Over {24 * 60 * days:.2g} min"
    if days < 2:
        return f"Over {24 * days:.2g} h"
    return f"Over {days:.3g} days"
