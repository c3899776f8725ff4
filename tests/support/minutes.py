"""A year in minutes, for whoever steps through it: levels and temperatures, invented.

Plain Python without anything of the project, so that another environment reads the
same series from here.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, floor, pi

YEAR = 365 * 24 * 60
DAY = 24 * 60


@dataclass(frozen=True, kw_only=True)
class Case:
    """A triangle between two levels, or a hold where they are one.

    ``up_share`` of each period the level rises. ``is_read``: as a gauge tells it, in
    whole percents and half degrees, 4 °C cooler by night and warmer by day.
    """

    low_percent: float
    high_percent: float
    period_h: float = 1.0
    up_share: float = 0.5
    celsius: float
    is_read: bool = False

    def levels_percent(self) -> list[float]:
        period = round(self.period_h * 60)
        once = [self._level(minute / period) for minute in range(period)]
        return (once * (YEAR // period + 1))[: YEAR + 1]

    def temperatures_c(self) -> list[float]:
        if not self.is_read:
            return [self.celsius] * (YEAR + 1)
        swing = [round(8 * cos(2 * pi * minute / DAY)) / 2 for minute in range(DAY)]
        day = [self.celsius - each for each in swing]
        return (day * (YEAR // DAY + 1))[: YEAR + 1]

    def _level(self, phase: float) -> float:
        up = self.up_share
        share = phase / up if phase < up else (1 - phase) / (1 - up)
        level = self.low_percent + (self.high_percent - self.low_percent) * share
        return float(floor(level + 1e-9)) if self.is_read else level
