"""Which candidates meet the constraints, and which of those is least to be regretted.

There is no average over models and no score. Each model says of a candidate what it
would cost more than the best that can be had by that model alone: its regret. Taken
is the candidate whose largest regret is smallest.

Source: L. J. Savage, "The theory of statistical decision", Journal of the American
Statistical Association 46 (1951), 55-67, from memory.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from tidegate.tuning.constraints import Constraints, Rule, missed
from tidegate.tuning.front import LONGEST_H, distance, front_of, measures, spread
from tidegate.tuning.outcome import Outcome
from tidegate.wear.account import Account, is_less

# The years whose losses decide: over a few weeks the models rank otherwise.
DECIDING_YEARS: Final = 3
# Rows of a table that a person reads as a whole; a choice, no source.
ROWS_MOST: Final = 12
# So many more switchings are as few: the pace is hardly known better, and a contact
# does not tell. A choice, no source.
SAME_SWITCHINGS: Final = 0.05


# Losses so many points apart are no reason to change anything: two groups' fits of one
# and the same NCA cell differ by 1.3 to 1.7 points in its first year at 25 °C, as coded
# in blast-lite 1.1.1 and simses 1.3.12. A third of that; a choice.
SAME_POINTS: Final = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """Every candidate with what excludes it, and what is recommended.

    Lists run along ``outcomes``; numbers are places in it. ``regrets`` are by counted
    model, in points of the capacity over ``years``, against the least loss that any
    feasible candidate has in that model; empty where none is feasible. ``equals`` are
    those of about the smallest regret that nothing feasible is better than, as far as
    a model can tell. ``present`` is ``None`` where
    nothing is known to be set. ``recommended`` is the present one where it is among
    the equals, ``None`` where no candidate is feasible.
    """

    outcomes: tuple[Outcome, ...]
    constraints: Constraints
    years: int
    broken: tuple[tuple[Rule, ...], ...]
    regrets: tuple[Mapping[str, float], ...]
    front: tuple[int, ...]
    equals: tuple[int, ...]
    best: int | None
    present: int | None
    recommended: int | None

    @property
    def feasible(self) -> tuple[int, ...]:
        """The candidates that meet every constraint."""
        return tuple(place for place, rules in enumerate(self.broken) if not rules)

    @property
    def is_change(self) -> bool:
        """Whether something else than the present settings is recommended."""
        return self.recommended is not None and self.recommended != self.present

    def account(self, place: int) -> Account:
        """Return what the models say of a candidate over the deciding years."""
        return self.outcomes[place].losses[self.years]

    def regret(self, place: int) -> tuple[float, str]:
        """Return the largest regret of a candidate and the model that has it."""
        found = self.regrets[place]
        name = max(found, key=lambda each: found[each])
        return found[name], name

    def rows(self, most: int = ROWS_MOST) -> tuple[int, ...]:
        """Return those worth a look: the front, thinned out evenly.

        The present and the recommended one are always in it. In the order of their
        marks.
        """
        kept = [each for each in (self.present, self.recommended) if each is not None]
        if self.regrets:
            points = {
                place: measures(self.outcomes[place], self.regrets[place])
                for place in {*self.front, *kept}
            }
            kept = spread(points, self.front, dict.fromkeys(kept), most)
        return tuple(sorted(dict.fromkeys(kept), key=lambda each: self._order(each)))

    def _order(self, place: int) -> tuple[float, ...]:
        it = self.outcomes[place].candidate
        supply_a = math.inf if it.supply_a is None else it.supply_a
        return (it.low_percent, it.high_percent, it.dwell_on_ms, supply_a, place)


def choose(
    outcomes: Sequence[Outcome],
    constraints: Constraints,
    *,
    is_present_known: bool = True,
    years: int = DECIDING_YEARS,
) -> Choice:
    """Return the choice among outcomes, of which the first is the present one.

    ``is_present_known``: the first is really set, and does not just stand in.
    """
    broken = tuple(tuple(missed(each, constraints)) for each in outcomes)
    feasible = [place for place, rules in enumerate(broken) if not rules]
    regrets = _regrets(outcomes, feasible, years)
    front = front_of(outcomes, feasible, regrets)
    equals = _equals(outcomes, feasible, regrets, years)
    likely = front_of(outcomes, equals, regrets)
    best = _best(outcomes, likely) if likely else None
    present = 0 if outcomes and is_present_known else None
    return Choice(
        outcomes=tuple(outcomes),
        constraints=constraints,
        years=years,
        broken=broken,
        regrets=regrets,
        front=tuple(front),
        equals=tuple(equals),
        best=best,
        present=present,
        recommended=present if present in equals else best,
    )


# --- regret ---------------------------------------------------------------------------


def losses(outcome: Outcome, years: int) -> Mapping[str, float]:
    """Return the loss by every counted model, in percent of the capacity."""
    return {each.name: each.loss_percent for each in outcome.losses[years].counted}


def _regrets(
    outcomes: Sequence[Outcome], feasible: Sequence[int], years: int
) -> tuple[Mapping[str, float], ...]:
    if not feasible:
        return ()
    every = [losses(each, years) for each in outcomes]
    least = _least([every[place] for place in feasible])
    return tuple({name: each[name] - least[name] for name in least} for each in every)


def _least(every: Sequence[Mapping[str, float]]) -> dict[str, float]:
    return {name: min(each[name] for each in every) for name in every[0]}


def _equals(
    outcomes: Sequence[Outcome],
    feasible: Sequence[int],
    regrets: Sequence[Mapping[str, float]],
    years: int,
) -> list[int]:
    """Return those whose losses no model tells as more than the smallest regret allows.

    Left out is what another costs no more than by any model, and tellably less by one.
    What differs by less than a hundredth of a loss is told as the same, as everywhere,
    and here what differs by less than ``SAME_POINTS``.
    """
    if not feasible:
        return []
    smallest = min(max(regrets[place].values()) for place in feasible)
    every = {place: losses(outcomes[place], years) for place in feasible}
    least = _least(list(every.values()))
    near = {
        place: its
        for place, its in every.items()
        if not any(
            _is_told_less(least[name] + smallest, loss) for name, loss in its.items()
        )
    }
    # Whatever is better than one of these is one of these too.
    lowest = _lowest(list(near.values()))
    return [
        place
        for place, its in near.items()
        if not any(_is_better(other, its) for other in lowest)
    ]


def _lowest(every: Sequence[Mapping[str, float]]) -> list[Mapping[str, float]]:
    """Return those that no other is under in one model and not above in any."""
    kept: list[Mapping[str, float]] = []
    for each in sorted(every, key=lambda its: math.fsum(its.values())):
        if not any(all(one[name] <= each[name] for name in each) for one in kept):
            kept.append(each)
    return kept


def _is_better(one: Mapping[str, float], other: Mapping[str, float]) -> bool:
    """Whether it costs no more by any model, and tellably less by one."""
    return all(one[name] <= other[name] for name in other) and any(
        _is_told_less(one[name], other[name]) for name in other
    )


def _is_told_less(loss: float, other: float) -> bool:
    return is_less(loss, other) and other - loss > SAME_POINTS


def _best(outcomes: Sequence[Outcome], likely: Sequence[int]) -> int:
    """Return that of few switchings, of those the one of most autonomy, the nearest."""
    fewest = min(outcomes[place].switchings_per_year for place in likely)
    most = (1 + SAME_SWITCHINGS) * fewest

    def rank(place: int) -> tuple[float, ...]:
        outcome = outcomes[place]
        return (
            -round(min(outcome.autonomy_h, LONGEST_H), 2),
            *distance(outcome.candidate, outcomes[0].candidate),
            outcome.switchings_per_year,
        )

    few = (place for place in likely if outcomes[place].switchings_per_year <= most)
    return min(few, key=rank)
