"""A failing world made small: fewer incidents, then a shorter life.

Delta debugging (Zeller and Hildebrandt 2002, "Simplifying and Isolating
Failure-Inducing Input", algorithm ddmin; from memory) over the incidents, then halving
over the hours. What is left breaks the same promise, and with no bound met each
incident of it is needed. Whether fewer incidents break more or less is not assumed.
"""

from __future__ import annotations

import math
import re
import time
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from support.search.plan import Outcome, Plan

LIVES_MAX: Final = 200
# Ends are tried at whole hundredths of an hour, so that the line to rerun stays short.
HOURS_PLACES: Final = 2


class _Spent(Exception):
    """No lives or no time are left."""


@dataclass(kw_only=True)
class Shrunk:
    """The smallest world found; ``repeats`` is whether the first one broke again."""

    least: Outcome
    lives: int = 0
    repeats: bool = False


def promise_of(outcome: Outcome) -> str:
    """Return which promise was broken first: its sentence without the numbers."""
    return without_numbers(outcome.broken[0])


def without_numbers(sentence: str) -> str:
    """Return a sentence that is the same for another moment or level."""
    return re.sub(r"\d+(?:\.\d+)?", "#", sentence)


def shrunk(
    failing: Outcome,
    live: Callable[[Plan], Outcome],
    *,
    lives_max: int = LIVES_MAX,
    seconds_max: float = math.inf,
    clock: Callable[[], float] = time.monotonic,
) -> Shrunk:
    """Return the smallest world that breaks the first promise that ``failing`` broke.

    The end is brought forward first, which makes every later life a short one.
    """
    hunt = _Hunt(failing, live, lives_max, clock() + seconds_max, clock)
    try:
        hunt.repeat()
        if hunt.found.repeats:
            hunt.end_early()
            hunt.leave_out()
            hunt.end_early()
    except _Spent:
        # The smallest so far is what there is.
        return hunt.found
    return hunt.found


class _Hunt:
    def __init__(
        self,
        failing: Outcome,
        live: Callable[[Plan], Outcome],
        lives_max: int,
        until_s: float,
        clock: Callable[[], float],
    ) -> None:
        self.found = Shrunk(least=failing)
        self._whole = failing.plan
        self._promise = promise_of(failing)
        self._live = live
        self._lives_max = lives_max
        self._until_s = until_s
        self._clock = clock
        self._held: set[tuple[frozenset[int], float]] = set()

    def repeat(self) -> None:
        """Find out whether it breaks again at all."""
        self.found.repeats = self._breaks(self._numbers, self._whole.hours)

    def end_early(self) -> None:
        """Halve between an end that is too early and one that breaks."""
        early, late = 0.0, self._hours
        while True:
            middle = round((early + late) / 2, HOURS_PLACES)
            if not early < middle < late:
                break
            if self._breaks(self._numbers, middle):
                late = middle
            else:
                early = middle
        # What comes after the end cannot matter; asked all the same.
        plan = self.found.least.plan
        before = [e.number for e in plan.incidents if e.at_s <= plan.hours * 3600]
        if len(before) < len(self._numbers):
            self._breaks(before, self._hours)

    def leave_out(self) -> None:
        """Leave out incidents until each that is left is needed."""
        if not self._numbers or self._breaks([], self._hours):
            return
        parts = 2
        while len(self._numbers) >= 2:
            if self._kept_a_part(parts):
                parts = 2
            elif self._left_out_a_part(parts):
                parts = max(parts - 1, 2)
            elif parts < len(self._numbers):
                parts = min(2 * parts, len(self._numbers))
            else:
                break

    def _kept_a_part(self, parts: int) -> bool:
        split = _split(self._numbers, parts)
        return any(self._breaks(part, self._hours) for part in split)

    def _left_out_a_part(self, parts: int) -> bool:
        numbers = self._numbers
        rests = [
            [each for each in numbers if each not in part]
            for part in _split(numbers, parts)
        ]
        return any(self._breaks(rest, self._hours) for rest in rests)

    @property
    def _numbers(self) -> list[int]:
        return [each.number for each in self.found.least.plan.incidents]

    @property
    def _hours(self) -> float:
        return self.found.least.plan.hours

    def _breaks(self, numbers: list[int], hours: float) -> bool:
        tried = frozenset(numbers), hours
        if tried in self._held:
            return False
        if self.found.lives >= self._lives_max or self._clock() >= self._until_s:
            raise _Spent
        self.found.lives += 1
        outcome = self._live(self._whole.only(set(numbers), hours=hours))
        if self._promise not in map(without_numbers, outcome.broken):
            self._held.add(tried)
            return False
        self.found.least = outcome
        return True


def _split(numbers: list[int], parts: int) -> list[list[int]]:
    """Split into so many parts of nearly equal size; none is empty."""
    edges = [len(numbers) * n // parts for n in range(parts + 1)]
    return [numbers[a:b] for a, b in pairwise(edges)]
