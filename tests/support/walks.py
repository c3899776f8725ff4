"""Invented series of a gauge in whole percents."""

from __future__ import annotations

import random
from collections.abc import Sequence

# A walk that moves at each sample, and one that stays for a third of them.
MOVING = (-1, 1)
LINGERING = (-1, 0, 1)


def percent_walk(number: int, *, steps: Sequence[int], seed: int = 1) -> list[int]:
    """Return a random walk from 50 % on, held within 0 to 100 %."""
    draw = random.Random(seed)
    level = 50
    levels = []
    for _ in range(number):
        level = min(100, max(0, level + draw.choice(steps)))
        levels.append(level)
    return levels
