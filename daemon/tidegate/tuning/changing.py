"""What would change a recommendation: constraints, relay, supply, heat, model, log."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

from tidegate.tuning import said
from tidegate.tuning.choice import Choice, choose, losses
from tidegate.tuning.constraints import Rule
from tidegate.tuning.device import Device
from tidegate.tuning.outcome import Outcome
from tidegate.wear import finding
from tidegate.wear.account import is_less

COOLER_C: Final = 5.0
# Rules that somebody may think over; the others keep a device from going dark.
_OPEN: Final = (Rule.AUTONOMY, Rule.RELAY_LIFE, Rule.MAX_WINDOW, Rule.HOLD, Rule.BUDGET)
_WITH_HOLD: Final = "With a relay that can hold a level (kind kernel)"
_MODELS_MOST: Final = 2
# A pace known worse than this share wants a longer log; a choice, no source.
_DOUBT: Final = 0.1


def sentences(
    choice: Choice, device: Device, *, cooler: Sequence[Outcome] = ()
) -> Iterator[str]:
    """Yield a sentence for each thing; something is recommended."""
    yield from _constraints(choice)
    yield from _hold(choice)
    yield from _supplies(choice)
    yield from _cooler(choice, cooler)
    yield from _models(choice)
    yield from _doubt(choice, device)


def _constraints(choice: Choice) -> Iterator[str]:
    """Yield what could be had without each rule that stands in the way."""
    place = choice.recommended
    assert place is not None
    for rule in _OPEN:
        if not any(rule in rules for rules in choice.broken):
            continue
        freed = choose(
            choice.outcomes,
            choice.constraints.without(rule),
            is_present_known=choice.present is not None,
            years=choice.years,
        )
        if freed.best is None or place in freed.equals:
            continue
        # With more to choose from another feasible one may be taken; no rule is why.
        if rule not in choice.broken[freed.best]:
            continue
        asked = f"Without asking for {said.asked(rule, choice.constraints)}"
        if rule is Rule.HOLD:
            asked = _WITH_HOLD
        yield f"{asked}: {_offer(choice, freed.best)}."


def _offer(choice: Choice, place: int, *, is_supply_named: bool = True) -> str:
    """Return a candidate with what it costs instead of the recommended one."""
    assert choice.recommended is not None
    it, here = choice.outcomes[place], choice.account(choice.recommended)
    beside = choice.outcomes[choice.recommended].candidate
    named = it.candidate
    if not is_supply_named:
        named, beside = replace(named, supply_a=None), replace(beside, supply_a=None)
    return (
        f"{said.named(named, beside=beside)}, {said.percent(choice.account(place).loss_percent)} "
        f"over {said.years(choice.years)} instead of {said.percent(here.loss_percent)}, "
        f"autonomy {said.hours(it.autonomy_h)}, "
        f"{said.count(it.switchings_per_year)} switchings a year (relay life "
        f"{said.life(it)})"
    )


def _hold(choice: Choice) -> Iterator[str]:
    """Yield what a hold would do where none was compared."""
    place = choice.recommended
    assert place is not None
    if any(each.candidate.hold_percent is not None for each in choice.outcomes):
        return
    account = choice.account(place)
    less = sum(
        is_less(each.hold_loss_percent, each.loss_percent) for each in account.counted
    )
    if not less:
        return
    yield (
        f"{_WITH_HOLD}: a hold at "
        f"{account.hold_percent:g} % would cost {said.percent(account.hold_loss_percent)} "
        f"over {said.years(choice.years)}; {less} of {account.of} models say less than "
        "this."
    )


def _supplies(choice: Choice) -> Iterator[str]:
    """Yield what would be chosen on every other supply, were it the one that is there."""
    place = choice.recommended
    assert place is not None
    here = choice.outcomes[place].candidate.supply_a
    supplies = {each.candidate.supply_a for each in choice.outcomes} - {here}
    for supply_a in sorted(supplies, key=lambda each: each or 0.0):
        name = "On the supply as it is"
        if supply_a is not None:
            name = f"On a supply of {supply_a:g} A"
        yield f"{name}{_on(choice, supply_a)}."
    it = choice.outcomes[place]
    # What the load outruns already must not be weaker.
    if supplies or it.switchings_per_year == 0 or it.is_low_at_times:
        return
    if it.efc_per_year > finding.MANY_EFC_PER_YEAR:
        yield (
            "A weaker supply, just above the load, moves less charge through the "
            "battery: try --supply with what can be had, such as --supply 0.5A,1A."
        )


def _on(choice: Choice, supply_a: float | None) -> str:
    places = [
        place
        for place, each in enumerate(choice.outcomes)
        if each.candidate.supply_a == supply_a
    ]
    made = choose(
        [choice.outcomes[place] for place in places],
        choice.constraints.without(Rule.SUPPLY),
        is_present_known=False,
        years=choice.years,
    )
    if made.best is not None:
        return f": {_offer(choice, places[made.best], is_supply_named=False)}"
    return f" nothing meets the constraints: {said.missed_most(made)}"


def _cooler(choice: Choice, cooler: Sequence[Outcome]) -> Iterator[str]:
    place = choice.recommended
    assert place is not None
    it = choice.outcomes[place].candidate
    for each in cooler:
        if each.candidate == it:
            loss = each.losses[choice.years].loss_percent
            here = choice.account(place).loss_percent
            yield (
                f"If the battery were {COOLER_C:g} °C cooler: {said.percent(loss)} over "
                f"{said.years(choice.years)} instead of {said.percent(here)}."
            )
            return


def _models(choice: Choice) -> Iterator[str]:
    """Yield which models would rather have another candidate, the loudest first."""
    place = choice.recommended
    assert place is not None
    here = losses(choice.outcomes[place], choice.years)
    beside = choice.outcomes[place].candidate
    by_regret = sorted(choice.regrets[place].items(), key=lambda item: -item[1])
    for name, _ in by_regret[:_MODELS_MOST]:
        own = min(
            choice.feasible,
            key=lambda each: (losses(choice.outcomes[each], choice.years)[name], each),
        )
        least = losses(choice.outcomes[own], choice.years)[name]
        if not is_less(least, here[name]):
            continue
        yield (
            f"By {name} alone it would be {said.named(choice.outcomes[own].candidate, beside=beside)}: "
            f"{least:.1f} % instead of {here[name]:.1f} %."
        )


def _doubt(choice: Choice, device: Device) -> Iterator[str]:
    """Yield where a longer log would make the choice surer."""
    place = choice.recommended
    assert place is not None
    it, asked_h = choice.outcomes[place], choice.constraints.autonomy_h
    sigma = said.sigma_of(it, "autonomy_h")
    if sigma is not None and sigma > 0 and it.autonomy_h - asked_h < 2 * sigma:
        yield (
            f"The autonomy of {said.hours(it.autonomy_h, sigma)} lies within twice its "
            f"uncertainty of the {said.hours(asked_h)} asked for: more days of log, or "
            "asking for more, would make it sure."
        )
    rates = {"load": device.load_mean, "charge": device.rise_mean}
    unsure = [
        f"the {name} only to ± {100 * rate.sigma / rate.percent_per_h:.0f} %"
        for name, rate in rates.items()
        if rate.sigma > _DOUBT * rate.percent_per_h > 0
    ]
    if unsure:
        yield (
            f"{device.days:.2g} days tell {said.listed(unsure)}: more days of log make "
            "every number here surer."
        )
