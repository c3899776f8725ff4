"""What limits the charge: the charger, the supply beside the load, and slowing.

While fed the charge rises by the smaller of what the charger takes and what the supply
leaves beside the load. Where the load varies, the rise shows which it was: the same in
hours of any load for the charger, smaller by the load for the supply. Near full the
charger slows down; how far, each level tells by itself.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import log
from typing import Final, NamedTuple

LEVEL_STEP_PERCENT: Final = 5.0
# A charger does not slow down so far from full, and slower by less is noise; choices.
_SLOWS_FROM_PERCENT: Final = 50.0
_SLOWER: Final = 0.92
_COARSELY_SLOWER: Final = 0.8
_GROUPS: Final = 40
# A group that falls by less than that share of the usual pace is noise; a choice.
_FALLS: Final = 0.05
_LEAST_H: Final = 0.02


class Piece(NamedTuple):
    """Charging between two moments: hours, points an hour of rise and of load."""

    hours: float
    rise: float
    load: float
    level_percent: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Points an hour; ``None`` where nothing showed it, but never both."""

    charger: float | None
    supply: float | None

    def net(self, load: float) -> float:
        """Return the net charge beside a load."""
        left = None if self.supply is None else self.supply - load
        if self.charger is None:
            assert left is not None
            return left
        return self.charger if left is None else min(self.charger, left)


def limits_and_slowing(
    pieces: Sequence[Piece], whole: Sequence[tuple[Piece, float]]
) -> tuple[Limits, dict[float, float]]:
    """Return both. There is at least one piece.

    ``whole`` are whole charges, each with the level that it came to. Where most are too
    quick for the polls, their pieces tell the slowing only, and only what is more than
    the polls blur.
    """
    quick_h = sum(piece.hours for piece, _ in whole)
    is_coarse = quick_h > sum(each.hours for each in pieces) / 3
    slowing: dict[float, float] = {}
    used = _lowest(pieces)
    for number in range(4):
        from_percent = min(slowing, default=100.0)
        below = [each for each in pieces if each.level_percent < from_percent]
        rated = [piece for piece, high in whole if high <= from_percent]
        if is_coarse and rated:
            used = rated
        elif number and below:
            used = below
        limits = _limits(used)
        before, slowing = slowing, _slowing(pieces, limits, is_coarse=is_coarse)
        if number and slowing.keys() == before.keys():
            break
    return limits, slowing


def _lowest(pieces: Sequence[Piece]) -> list[Piece]:
    """Return those that no charger slows down at, else the lowest there are."""
    lowest = min(each.level_percent for each in pieces)
    most = max(_SLOWS_FROM_PERCENT, lowest + 2 * LEVEL_STEP_PERCENT)
    return [each for each in pieces if each.level_percent < most]


def _limits(pieces: Sequence[Piece]) -> Limits:
    groups = _grouped(pieces)
    total = sum(hours for hours, _, _ in groups)
    charger = sum(hours * rise for hours, rise, _ in groups) / total
    supply = sum(hours * (rise + load) for hours, rise, load in groups) / total
    tries = [Limits(charger=None, supply=supply)]
    # From here on the load outran the supply: that is no limit of any charger.
    carried = _carried(groups)
    if carried == len(groups) and charger > 0:
        tries.append(Limits(charger=charger, supply=None))
    splits = (
        _split(groups, place) for place in range(1, min(carried + 1, len(groups)))
    )
    tries += [each for each in splits if each.charger is not None and each.charger > 0]
    # The noise is that between neighbours in load.
    noise = _noise(groups)

    def cost(each: Limits) -> float:
        misfit = sum(
            hours * (rise - each.net(load)) ** 2 for hours, rise, load in groups
        )
        unknown = 1 + (each.charger is not None and each.supply is not None)
        return misfit / noise + unknown * log(len(groups) + 1)

    return min(tries, key=cost)


def _carried(groups: Sequence[tuple[float, float, float]]) -> int:
    """Return how many of the groups, from the lightest load on, do not fall.

    A charger takes something or nothing, so what falls while fed tells of the supply.
    """
    usual = sum(hours * abs(rise) for hours, rise, _ in groups)
    usual /= sum(hours for hours, _, _ in groups)
    for place, (_, rise, _) in enumerate(groups):
        if rise < -_FALLS * usual:
            return place
    return len(groups)


def _grouped(pieces: Sequence[Piece]) -> list[tuple[float, float, float]]:
    """Return (hours, rise, load) of pieces of like load, from little load to much."""
    ordered = sorted(pieces, key=lambda each: each.load)
    share = sum(each.hours for each in ordered) / _GROUPS
    groups, part = [], []
    hours = 0.0
    for each in ordered:
        part.append(each)
        hours += each.hours
        if hours >= share:
            groups.append(_mean(part, hours))
            part, hours = [], 0.0
    if part:
        groups.append(_mean(part, hours))
    return groups


def _mean(part: Sequence[Piece], hours: float) -> tuple[float, float, float]:
    rise = sum(each.hours * each.rise for each in part) / hours
    return hours, rise, sum(each.hours * each.load for each in part) / hours


def _noise(groups: Sequence[tuple[float, float, float]]) -> float:
    """Return the variance of a group's rise, times its hours."""
    if len(groups) < 3:
        return 1e-6
    off = [
        hours * (rise - (before[1] + after[1]) / 2) ** 2 / 1.5
        for before, (hours, rise, _), after in zip(
            groups, groups[1:], groups[2:], strict=False
        )
    ]
    # The median of a chi square of one degree of freedom is 0.455.
    middle = sorted(off)[len(off) // 2] / 0.455
    mean = sum(rise for _, rise, _ in groups) / len(groups)
    return max(middle, (0.01 * mean) ** 2 * min(hours for hours, _, _ in groups), 1e-9)


def _split(groups: Sequence[tuple[float, float, float]], place: int) -> Limits:
    """Return the limits where those below a load show one, those above the other."""
    low, high = groups[:place], groups[place:]
    charger = sum(h * rise for h, rise, _ in low) / sum(h for h, _, _ in low)
    supply = sum(h * (rise + load) for h, rise, load in high)
    return Limits(charger=charger, supply=supply / sum(h for h, _, _ in high))


def _slowing(
    pieces: Sequence[Piece], limits: Limits, *, is_coarse: bool
) -> dict[float, float]:
    """Return by the lower end of each 5 points which share of the rise is left."""
    seen: dict[float, list[float]] = {}
    for each in pieces:
        net = limits.net(each.load)
        # What falls while fed shows a supply that is too weak, whatever the charger.
        if min(net, each.rise) > 0 and each.level_percent >= _SLOWS_FROM_PERCENT:
            level = each.level_percent // LEVEL_STEP_PERCENT * LEVEL_STEP_PERCENT
            sums = seen.setdefault(level, [0.0, 0.0])
            sums[0] += each.rise * each.hours
            sums[1] += net * each.hours
    shares = {
        level: risen / would for level, (risen, would) in seen.items() if would > 0
    }
    return _falling(shares, slower=_COARSELY_SLOWER if is_coarse else _SLOWER)


def _falling(shares: Mapping[float, float], *, slower: float) -> dict[float, float]:
    """Keep what is slow all the way up from some level, ever slower."""
    found: dict[float, float] = {}
    for level in sorted(shares, reverse=True):
        if shares[level] >= slower:
            break
        found[level] = max(0.01, shares[level])
    most = 1.0
    for level in sorted(found):
        most = found[level] = min(most, found[level])
    return found
