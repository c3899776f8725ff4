"""Where no candidate meets the constraints: what excludes them, what comes nearest."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from tidegate.settings.table import HIGHEST_PERCENT
from tidegate.tuning import said
from tidegate.tuning.choice import Choice
from tidegate.tuning.constraints import Rule

# A candidate that misses a constraint which cannot be measured misses it by this share.
_WHOLLY: Final = 1.0


def reasons(choice: Choice) -> Iterator[str]:
    """Yield what excludes how many, where room is, and what comes nearest."""
    for rule, count, alone in said.excluding(choice):
        only = f", {alone} of them nothing else" if alone else ""
        asked = said.asked(rule, choice.constraints)
        yield f"{count} of {len(choice.outcomes)} miss the demand for {asked}{only}."
    yield from said.remedies(choice.broken)
    yield from _room(choice)
    place = nearest(choice)
    outcome = choice.outcomes[place]
    missed = [said.asked(rule, choice.constraints) for rule in choice.broken[place]]
    yield (
        f"Nearest to it comes {said.named(outcome.candidate)}: autonomy "
        f"{said.hours(outcome.autonomy_h)} {said.WORST[choice.constraints.worst]}, "
        f"{said.count(outcome.switchings_per_year)} switchings a year, relay life "
        f"{said.life(outcome)}. It misses the demand for {said.listed(missed)}."
    )


def _room(choice: Choice) -> Iterator[str]:
    """Yield where more candidates could be had from."""
    asked = choice.constraints
    marks = {
        (each.candidate.low_percent, each.candidate.high_percent)
        for each in choice.outcomes
    }
    if len(marks) == 1:
        yield (
            f"No other window fits between 5 points above the floor "
            f"({asked.floor_percent:g} %) and the highest mark "
            f"({asked.max_window_percent:g} %): a lower floor or a higher --max-window "
            "makes room."
        )
    elif asked.max_window_percent < HIGHEST_PERCENT and all(
        Rule.AUTONOMY in rules for rules in choice.broken
    ):
        yield (
            f"High marks above {asked.max_window_percent:g} % are not allowed; "
            f"--max-window {HIGHEST_PERCENT:g} compares them too. They bring autonomy, "
            "and cost more."
        )


def nearest(choice: Choice) -> int:
    """Return the candidate that misses the constraints by the least in all."""
    places = range(len(choice.outcomes))
    return min(places, key=lambda place: _missed(choice, place))


def _missed(choice: Choice, place: int) -> float:
    outcome, asked = choice.outcomes[place], choice.constraints
    shares = {
        Rule.AUTONOMY: lambda: 1 - outcome.autonomy_h / asked.autonomy_h,
        Rule.RELAY_LIFE: lambda: (
            1 - (outcome.relay_life_years or 0.0) / asked.relay_life_years
        ),
        Rule.FLOOR_WHILE_FED: lambda: (
            1 - (outcome.lowest_percent or 0.0) / max(1.0, asked.floor_percent)
        ),
        Rule.MAX_WINDOW: lambda: (
            outcome.candidate.high_percent / asked.max_window_percent - 1
        ),
    }
    return sum(
        shares[rule]() if rule in shares else _WHOLLY for rule in choice.broken[place]
    )
