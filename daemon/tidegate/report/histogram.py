"""Time by level, charge or warmth: high at the top, as in the picture of a station.

Each bar says its share and its hours in words, so the lengths only help the eye.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from tidegate.audit.result import Bin
from tidegate.core.policy import Marks
from tidegate.report.ink import (
    LINE,
    across,
    bar,
    hours_of,
    picture_of,
    share_of,
    text,
)
from tidegate.report.plot import spread

WIDTH: Final = 328
LEFT: Final = 70
RIGHT: Final = 212
ROW: Final = 16
# From one number of the scale of charge to the next.
SCALE: Final = 20
# Labels nearer than this would touch.
APART: Final = 14


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """A line across: a mark of the window, or the limit of heat."""

    value: float
    label: str
    kind: str


def charge_histogram(bins: Sequence[Bin], marks: Marks | None, *, finding: str) -> str:
    """Return the time by charge, over the window if there is one.

    What lies lower or higher than all of it is left out, in whole steps of the scale.
    """
    levels = []
    if marks is not None:
        levels = [
            Level(value=value, label=f"{name} {value:g} %", kind="edge")
            for name, value in (
                ("high", marks.high_percent),
                ("low", marks.low_percent),
            )
        ]
    shown = _reached(bins, [level.value for level in levels])
    drawn = _Histogram(shown, levels, every=SCALE, unit="%")
    return drawn.picture("charge", "share of the time, by charge", finding)


def _reached(bins: Sequence[Bin], levels: Sequence[float]) -> list[Bin]:
    used = [each for each in bins if each.seconds > 0]
    low = min([*(each.low for each in used), *levels])
    high = max([*(each.high for each in used), *levels])
    low, high = low // SCALE * SCALE, -(-high // SCALE) * SCALE
    return [each for each in bins if low <= each.low < high]


def heat_histogram(bins: Sequence[Bin], hot_c: float, *, finding: str) -> str:
    """Return the time by temperature, with the limit of heat if it came so far."""
    levels = []
    if bins[0].low < hot_c < bins[-1].high:
        levels = [Level(value=hot_c, label=f"hot {hot_c:g} °C", kind="floor")]
    every = 5 if len(bins) <= 10 else 10
    drawn = _Histogram(bins, levels, every=every, unit="°C")
    return drawn.picture("warmth", "share of the time, by temperature", finding)


class _Histogram:
    """Bins on a scale of their own; ``levels`` fall from the highest."""

    def __init__(
        self, bins: Sequence[Bin], levels: Sequence[Level], *, every: int, unit: str
    ) -> None:
        self._bins = bins
        self._levels = levels
        self._every = every
        self._unit = unit
        self._low, self._high = bins[0].low, bins[-1].high
        self._per_unit = ROW / (bins[0].high - bins[0].low)

    def picture(self, kind: str, title: str, finding: str) -> str:
        """Return the whole picture."""
        height = self._y(self._low) + 8
        parts = [text(LEFT, LINE - 5, title), self._window(), *self._bars()]
        parts += [
            across(level.kind, self._y(level.value), left=LEFT, right=RIGHT)
            for level in self._levels
        ]
        parts += self._labels()
        return picture_of(
            f"small {kind}", parts, width=WIDTH, height=height, finding=finding
        )

    def _y(self, value: float) -> float:
        return round(LINE + 4 + (self._high - value) * self._per_unit, 2)

    def _window(self) -> str:
        edges = [self._y(each.value) for each in self._levels if each.kind == "edge"]
        if not edges:
            return ""
        top, bottom = edges
        return bar("window", x=LEFT, y=top, width=RIGHT - LEFT, height=bottom - top)

    def _bars(self) -> list[str]:
        total = sum(each.seconds for each in self._bins)
        longest = max(each.seconds for each in self._bins)
        parts = []
        for each in self._bins:
            if each.seconds <= 0:
                continue
            top = self._y(each.high)
            width = max(round((RIGHT - LEFT) * each.seconds / longest, 2), 1)
            said = f"{share_of(each.seconds, total)}, {hours_of(each.seconds)}"
            parts.append(bar("time", x=LEFT, y=top + 2, width=width, height=ROW - 4))
            parts.append(text(RIGHT + 8, top + ROW - 4, said))
        return parts

    def _labels(self) -> list[str]:
        """Return the scale; a label of a level drives away those that it touches."""
        top, bottom = self._y(self._high) + 4, self._y(self._low) + 4
        places = spread(
            [self._y(level.value) + 4 for level in self._levels],
            apart=APART,
            top=top,
            bottom=bottom,
        )
        said = [
            text(LEFT - 6, place, level.label, anchor="end")
            for place, level in zip(places, self._levels, strict=True)
        ]
        for value in range(round(self._low), round(self._high) + 1):
            place = self._y(value) + 4
            if value % self._every == 0 and all(
                abs(place - o) >= APART for o in places
            ):
                said.append(
                    text(LEFT - 6, place, f"{value} {self._unit}", anchor="end")
                )
        return [*said, f'<path class="grid" d="M{LEFT},{top - 4:g}V{bottom - 4:g}"/>']
