"""The picture of a station in block characters, for a terminal.

The same picture as everywhere: the charge as a line before its window, marks and floor
named at the right edge, below it on the same axis the supply, alarms, temperature. A
row of text holds two steps of height. Colour goes with shape, never alone.

Source of the characters: Unicode, block elements (U+2580 to U+259F), box drawing.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import tzinfo
from enum import StrEnum
from typing import Final

from tidegate.core.policy import Marks
from tidegate.report.axis import ticks, zone_name
from tidegate.report.story import InForce, Line, Story


class Style(StrEnum):
    """What a piece of the picture is; whoever shows it knows a colour for each."""

    SOC = "soc"
    BAND = "band"
    ALARM = "alarm"
    HEAT = "heat"
    SOFT = "soft"
    PLAIN = "plain"


Ink = Callable[[Style, str], str]
Cell = tuple[Style, str]

LEFT: Final = 4
RIGHT: Final = 15
LEAST_WIDTH: Final = 60
LEAST_HEIGHT: Final = 9
BLANK: Final[Cell] = (Style.PLAIN, " ")
# Beyond the marks, the floor and the charge, in points.
_MARGIN: Final = 5.0
_STEPS: Final = (5, 10, 20, 25, 50)
_HEIGHTS: Final = "▁▂▃▄▅▆▇█"
_TICK_WIDTH: Final = 14


@dataclass(frozen=True, slots=True)
class _Scale:
    """Time to columns and percent to half rows."""

    told: Story
    columns: int
    rows: int
    least: float
    most: float

    @classmethod
    def of(cls, told: Story, columns: int, rows: int) -> _Scale:
        levels = [level for line in told.soc for _, level in line]
        for each in told.in_force:
            levels.append(each.floor_percent)
            if each.marks is not None:
                levels += [each.marks.low_percent, each.marks.high_percent]
        least = max(0.0, min(levels, default=0.0) - _MARGIN)
        most = min(100.0, max(levels, default=100.0) + _MARGIN)
        return cls(told, columns, rows, least, most)

    def column(self, at_ms: float) -> int:
        told = self.told
        share = (at_ms - told.from_ms) / max(1, told.until_ms - told.from_ms)
        return math.floor(share * self.columns)

    def within(self, from_ms: float, until_ms: float) -> range:
        """The columns of a span; one that is there has at least one."""
        first, last = self.column(from_ms), self.column(until_ms)
        return range(max(0, first), min(self.columns - 1, last) + 1)

    def half(self, percent: float) -> int:
        share = (self.most - percent) / (self.most - self.least)
        return round(share * (2 * self.rows - 1))

    def percent(self, row: int) -> float:
        """The level in the middle of a row."""
        return self.most - (row + 0.5) / self.rows * (self.most - self.least)


def picture(
    told: Story, *, width: int, height: int, ink: Ink, zone: tzinfo
) -> list[str]:
    """Return the picture in lines of at most ``width`` characters, ``height`` of them.

    At least ``LEAST_WIDTH`` by ``LEAST_HEIGHT``. ``zone`` is the reader's.
    """
    heat = _heat(told, width - LEFT - RIGHT)
    strips = [_supply(told, width - LEFT - RIGHT), _alarms(told, width - LEFT - RIGHT)]
    if heat is not None:
        strips.append(heat)
    rows = height - len(strips) - 2
    scale = _Scale.of(told, width - LEFT - RIGHT, rows)
    lefts, rights = _levels(scale), _labels(scale)
    lines = [
        _line(cells, lefts.get(row, ""), rights.get(row, BLANK), ink)
        for row, cells in enumerate(_grid(scale))
    ]
    lines += [_line(cells, "", label, ink) for cells, label in strips]
    return [*lines, *_axis(scale, ink, zone)]


def _line(cells: Iterable[Cell], left: str, right: Cell, ink: Ink) -> str:
    inner = "".join(
        ink(style, "".join(text for _, text in run))
        for style, run in itertools.groupby(cells, key=lambda cell: cell[0])
    )
    style, label = right
    return ink(Style.SOFT, f"{left:>{LEFT - 1}} ") + inner + " " + ink(style, label)


# --- charge, window and floor ----------------------------------------------------------


def _grid(scale: _Scale) -> list[list[Cell]]:
    cells = [[BLANK] * scale.columns for _ in range(scale.rows)]
    for each in scale.told.in_force:
        _behind(cells, each, scale)
    _draw(cells, scale)
    return cells


def _behind(cells: list[list[Cell]], each: InForce, scale: _Scale) -> None:
    floor_row = scale.half(each.floor_percent) // 2
    for column in scale.within(each.from_ms, each.until_ms):
        for row in _band(each.marks, scale):
            cells[row][column] = (Style.BAND, "░")
        cells[floor_row][column] = (Style.SOFT, "╌")


def _band(marks: Marks | None, scale: _Scale) -> range:
    if marks is None:
        return range(0)
    first = scale.half(marks.high_percent) // 2
    return range(first, scale.half(marks.low_percent) // 2 + 1)


def _draw(cells: list[list[Cell]], scale: _Scale) -> None:
    """Draw each line without a gap; gaps stay gaps."""
    for line in scale.told.soc:
        last: int | None = None
        for column, halves in _halves(line, scale).items():
            # Joined to the one before, so that a steep line stays one.
            for half in halves:
                for each in (half, *_between(last, half)):
                    _dot(cells, each, column)
                last = half


def _between(before: int | None, after: int) -> range:
    if before is None:
        return range(0)
    step = 1 if after > before else -1
    return range(before + step, after, step)


def _halves(line: Line, scale: _Scale) -> dict[int, list[int]]:
    """Return for each column the half rows that the line passes, in order of time."""
    found: dict[int, list[int]] = {}
    points = [(scale.column(at_ms), scale.half(level)) for at_ms, level in line]
    ends = zip(points, [*points[1:], points[-1]], strict=True)
    for (column, half), (next_column, next_half) in ends:
        _append(found, column, half, scale)
        for between in range(column + 1, next_column):
            share = (between - column) / (next_column - column)
            _append(found, between, round(half + share * (next_half - half)), scale)
    return found


def _append(found: dict[int, list[int]], column: int, half: int, scale: _Scale) -> None:
    # What was read just now stands in the last column.
    column = scale.columns - 1 if column == scale.columns else column
    if 0 <= column < scale.columns:
        found.setdefault(column, []).append(half)


def _dot(cells: list[list[Cell]], half: int, column: int) -> None:
    row, lower = divmod(half, 2)
    _, there = cells[row][column]
    other = "▀" if lower else "▄"
    both = there in (other, "█")
    cells[row][column] = (Style.SOC, "█" if both else "▄" if lower else "▀")


def _levels(scale: _Scale) -> dict[int, str]:
    """Return the levels at the left edge, round ones and not too many."""
    most = max(2, scale.rows // 3)
    span = scale.most - scale.least
    step = next((each for each in _STEPS if span / each <= most), _STEPS[-1])
    first = math.ceil(scale.least / step) * step
    levels = range(first, math.floor(scale.most) + 1, step)
    return {scale.half(level) // 2: str(level) for level in levels}


def _labels(scale: _Scale) -> dict[int, Cell]:
    """Return what stands at the right edge: the marks and the floor in force."""
    if not scale.told.in_force:
        return {}
    last = scale.told.in_force[-1]
    wanted = [(last.floor_percent, "floor")]
    if last.marks is not None:
        wanted = [
            (last.marks.high_percent, "high mark"),
            (last.marks.low_percent, "low mark"),
            *wanted,
        ]
    found: dict[int, Cell] = {}
    for level, name in wanted:
        row = scale.half(level) // 2
        while row in found:
            row += 1
        if row < scale.rows:
            found[row] = (Style.PLAIN, f"{level:g} % {name}")
    return found


# --- strips ----------------------------------------------------------------------------


def _supply(told: Story, columns: int) -> tuple[list[Cell], Cell]:
    """Filled is on, a low line is off, blank is not known."""
    scale = _Scale(told, columns, 1, 0, 1)
    cells = [BLANK] * columns
    for span in told.supply:
        is_on = span.label == "on"
        cell = (Style.SOC, "█") if is_on else (Style.SOFT, "▁")
        for column in scale.within(span.from_ms, span.until_ms):
            cells[column] = cell
    now = f" {told.supply[-1].label}" if told.supply else ""
    return cells, (Style.PLAIN, f"supply{now}")


def _alarms(told: Story, columns: int) -> tuple[list[Cell], Cell]:
    """A mark where an alarm begins, its code where there is room, then a line."""
    scale = _Scale(told, columns, 1, 0, 1)
    cells = [BLANK] * columns
    for span in told.alarms:
        within = scale.within(span.from_ms, span.until_ms)
        text = f"!{span.label}" if len(within) > len(span.label) else "!"
        for place, column in enumerate(within):
            cells[column] = (Style.ALARM, text[place] if place < len(text) else "─")
    return cells, (Style.PLAIN, "alarms")


def _heat(told: Story, columns: int) -> tuple[list[Cell], Cell] | None:
    """Return the temperature as heights, ``None`` where there is none."""
    values = [celsius for line in told.heat for _, celsius in line]
    if not values:
        return None
    scale = _Scale(told, columns, 1, 0, 1)
    least, most = min(values) - 1, max(values) + 1
    cells = [BLANK] * columns
    for line in told.heat:
        ends = zip(line, [*line[1:], line[-1]], strict=True)
        for (at_ms, celsius), (next_ms, _) in ends:
            place = (celsius - least) / (most - least) * (len(_HEIGHTS) - 1)
            for column in scale.within(at_ms, next_ms):
                cells[column] = (Style.HEAT, _HEIGHTS[round(place)])
    return cells, (Style.PLAIN, f"{values[-1]:.1f} °C")


def _axis(scale: _Scale, ink: Ink, zone: tzinfo) -> list[str]:
    told = scale.told
    most = max(1, scale.columns // _TICK_WIDTH)
    rule, names = ["─"] * scale.columns, [" "] * (scale.columns + RIGHT)
    free = 0
    for at_ms, label in ticks(told.from_ms, told.until_ms, zone, most=most):
        column = min(scale.columns - 1, scale.column(at_ms))
        rule[column] = "┬"
        first = max(0, column - len(label) // 2)
        if first >= free and first + len(label) <= scale.columns:
            names[first : first + len(label)] = label
            free = first + len(label) + 1
    zone_text = zone_name(told.from_ms, told.until_ms, zone)
    names[scale.columns + 1 :] = zone_text[: RIGHT - 1]
    blank = " " * LEFT
    return [
        blank + ink(Style.SOFT, "".join(rule)),
        blank + ink(Style.SOFT, "".join(names).rstrip()),
    ]
