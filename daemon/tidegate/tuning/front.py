"""The front: the candidates that nothing beats in regret, autonomy and switchings."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from tidegate.tuning.outcome import Candidate, Outcome

# A load of nearly nothing runs for ever; beyond this one is as good as another.
LONGEST_H: Final = 1_000.0

Measures = tuple[float, float, float]


def measures(
    outcome: Outcome, regrets: Mapping[str, float]
) -> tuple[float, float, float]:
    """Return what is to be small: largest regret, lost autonomy, switchings."""
    hours = min(outcome.autonomy_h, LONGEST_H)
    return (max(regrets.values()), -hours, outcome.switchings_per_year)


def front_of(
    outcomes: Sequence[Outcome],
    feasible: Sequence[int],
    regrets: Sequence[Mapping[str, float]],
) -> list[int]:
    """Return the feasible ones that no feasible one beats, of equal ones the nearest."""
    by_measure: dict[tuple[float, float, float], int] = {}
    present = outcomes[0].candidate if outcomes else None
    for place in feasible:
        assert present is not None
        key = measures(outcomes[place], regrets[place])
        rival = by_measure.setdefault(key, place)
        if distance(outcomes[place].candidate, present) < distance(
            outcomes[rival].candidate, present
        ):
            by_measure[key] = place
    kept: list[tuple[float, float, float]] = []
    # In this order nothing that comes later beats what came before.
    for key in sorted(by_measure):
        if not any(all(a <= b for a, b in zip(one, key, strict=True)) for one in kept):
            kept.append(key)
    return sorted(by_measure[key] for key in kept)


def distance(one: Candidate, other: Candidate) -> tuple[float, ...]:
    """Return how much would be changed: supply, a hold or not, marks, dwell."""
    marks = abs(one.low_percent - other.low_percent)
    marks += abs(one.high_percent - other.high_percent)
    dwell_ms = abs(one.dwell_on_ms - other.dwell_on_ms)
    dwell_ms += abs(one.dwell_off_ms - other.dwell_off_ms)
    is_held = (one.hold_percent is None) != (other.hold_percent is None)
    return (one.supply_a != other.supply_a, is_held, marks, dwell_ms)


def spread(
    points: Mapping[int, Measures],
    front: Sequence[int],
    first: Iterable[int],
    most: int,
) -> list[int]:
    """Return ``first`` and places of the front, far apart in what the front weighs.

    Each taken next is the one farthest from all that were taken, every measure counted
    as a share of its reach.
    """
    reach = [
        max(values) - min(values) or 1.0
        for values in zip(*points.values(), strict=True)
    ]

    def apart(one: int, other: int) -> float:
        return math.dist(
            [value / size for value, size in zip(points[one], reach, strict=True)],
            [value / size for value, size in zip(points[other], reach, strict=True)],
        )

    kept = list(first)
    for measure in range(len(reach)):
        ends = min(front, key=lambda each: points[each][measure])
        if ends not in kept and len(kept) < most:
            kept.append(ends)
    rest = [place for place in front if place not in kept]
    while rest and len(kept) < most:
        farthest = max(rest, key=lambda each: min(apart(each, one) for one in kept))
        rest.remove(farthest)
        kept.append(farthest)
    return kept
