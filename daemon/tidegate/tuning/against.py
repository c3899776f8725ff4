"""What the models say of a choice against float, and what would change their minds."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from tidegate.tuning import said
from tidegate.tuning.choice import Choice
from tidegate.tuning.constraints import Rule
from tidegate.tuning.outcome import Outcome
from tidegate.wear import finding
from tidegate.wear.account import Account, ModelLoss, is_less

_HOLD: Final = "a hold (relay of kind kernel)"
_WEAKER: Final = "a weaker supply"


def claim(choice: Choice) -> str:
    """Return who says what of the recommended one, to end the verdict with.

    Where half of the counted models or more do not say that it costs less than float,
    that is said, with what could change it; ``reasons`` name them.
    """
    account = _account(choice)
    if not is_float_as_good(choice):
        return finding.claim(account, subject="it costs")
    worse = sum(map(_is_worse, account.counted))
    same = sum(each.is_like_float for each in account.counted)
    told = [
        f"{count} of {account.of} models {'says' if count == 1 else 'say'} that it costs "
        f"{how}"
        for count, how in ((worse, "more than float"), (same, "as much as float"))
        if count
    ]
    ways = _ways(choice)
    change = f"; {' or '.join(ways)} could change that" if ways else ""
    return f"but {said.listed(told)}{change}"


def is_float_as_good(choice: Choice) -> bool:
    """Whether half of the models or more do not say that it costs less than float."""
    account = _account(choice)
    return 2 * account.better <= account.of


def reasons(choice: Choice) -> Iterator[str]:
    """Yield by how much it costs more, and what else could be done, with its numbers."""
    if not is_float_as_good(choice):
        return
    account = _account(choice)
    told = [
        f"{each.name} {each.loss_percent:.1f} % (float {each.float_loss_percent:.1f} %)"
        for each in account.counted
        if not each.is_better_than_float
    ]
    yield f"Not less than float: {said.listed(told)}."
    if any(map(_is_cycling, account.counted)):
        yield (
            "For a model whose loss at rest would be less than float it is the cycling "
            f"that costs: {said.count(account.efc_per_year)} equivalent full cycles a "
            "year. A hold moves none, a weaker supply fewer; other marks hardly change "
            "their number."
        )


def _ways(choice: Choice) -> list[str]:
    """Return what makes more models say less than float, as far as it was compared."""
    place = choice.recommended
    assert place is not None
    it, account = choice.outcomes[place].candidate, _account(choice)
    if it.hold_percent is not None or not any(map(_is_cycling, account.counted)):
        return _lower(choice)
    held = [
        each
        for each in _compared(choice, Rule.HOLD)
        if each.candidate.hold_percent is not None
    ]
    weaker = [
        each
        for each in _compared(choice, Rule.SUPPLY)
        if each.candidate.supply_a != it.supply_a
    ]
    others = {each.candidate.supply_a for each in choice.outcomes} - {it.supply_a}
    found = []
    if _is_any_better(choice, held) if held else _holds_better(account):
        found.append(_HOLD)
    # Where no other supply was compared, nothing speaks against looking, unless the
    # load outruns this one already.
    is_to_try = not others and not choice.outcomes[place].is_low_at_times
    if _is_any_better(choice, weaker) or is_to_try:
        found.append(_WEAKER)
    return found


def _lower(choice: Choice) -> list[str]:
    """Return that less autonomy would let the level be lower, where that is so."""
    freed = _compared(choice, Rule.AUTONOMY)
    return ["asking for less autonomy"] if _is_any_better(choice, freed) else []


def _compared(choice: Choice, rule: Rule) -> list[Outcome]:
    """Return the outcomes that miss no constraint, or only this one."""
    return [
        outcome
        for outcome, rules in zip(choice.outcomes, choice.broken, strict=True)
        if set(rules) <= {rule}
    ]


def _is_any_better(choice: Choice, outcomes: list[Outcome]) -> bool:
    least = _account(choice).better
    return any(each.losses[choice.years].better > least for each in outcomes)


def _holds_better(account: Account) -> bool:
    better = sum(
        is_less(each.hold_loss_percent, each.float_loss_percent)
        for each in account.counted
    )
    return better > account.better


def _account(choice: Choice) -> Account:
    assert choice.recommended is not None
    return choice.account(choice.recommended)


def _is_worse(each: ModelLoss) -> bool:
    return not each.is_better_than_float and not each.is_like_float


def _is_cycling(each: ModelLoss) -> bool:
    """Whether the same levels without the cycles would cost less than float."""
    return not each.is_better_than_float and is_less(
        each.rest_loss_percent, each.float_loss_percent
    )
