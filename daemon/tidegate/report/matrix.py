"""The rainflow matrix: how many cycles of which depth around which level.

Each cell says its number; the shade only helps the eye.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from tidegate.audit.result import HalfCycles
from tidegate.report.ink import LINE, bar, picture_of, text

WIDTH: Final = 328
LEFT: Final = 72
RIGHT: Final = 318
ROW: Final = 26
COLUMNS_MOST: Final = 6
# A point is the noise of an integer gauge, ten a window, fifty an outage.
DEPTHS: Final = (0.0, 2.0, 5.0, 10.0, 20.0, 30.0, 50.0, 100.0)
# How dark the fewest and the most are; text stands out on both.
LIGHTEST: Final = 0.06
DARKEST: Final = 0.34


def depth_class(depth_percent: float) -> int:
    """Return the place of a depth in ``DEPTHS``: from it, up to the next."""
    inner = DEPTHS[1:-1]
    return sum(depth_percent >= edge for edge in inner)


def depth_label(place: int) -> str:
    """Return such as ``10 to 20``."""
    return f"{DEPTHS[place]:g} to {DEPTHS[place + 1]:g}"


def by_depth(half_cycles: Sequence[HalfCycles]) -> list[tuple[str, float, float]]:
    """Return for each class that occurs, deep ones first: label, cycles, EFC."""
    counts: dict[int, float] = {}
    moved: dict[int, float] = {}
    for each in half_cycles:
        place = depth_class(each.depth_percent)
        counts[place] = counts.get(place, 0.0) + each.count
        efc = each.count * each.depth_percent / 100
        moved[place] = moved.get(place, 0.0) + efc
    return [
        (depth_label(place), counts[place], moved[place])
        for place in sorted(counts, reverse=True)
    ]


def matrix(half_cycles: Sequence[HalfCycles], *, finding: str) -> str:
    """Return the matrix of at least one cycle: depth upwards, mean level across."""
    step = _step(half_cycles)
    cells: dict[tuple[int, int], float] = {}
    for each in half_cycles:
        # A cycle around 100 % belongs to the last column.
        column = min(int(each.mean_percent // step), math.ceil(100 / step) - 1)
        key = depth_class(each.depth_percent), column
        cells[key] = cells.get(key, 0.0) + each.count
    deepest = max(row for row, _ in cells)
    first = min(column for _, column in cells)
    columns = max(column for _, column in cells) - first + 1
    grid = _Grid(step=step, first=first, columns=columns, rows=deepest + 1)
    most = max(cells.values())
    parts = [text(LEFT, LINE - 5, "cycles: depth in points upwards"), *grid.axes()]
    for (row, column), count in sorted(cells.items()):
        parts += grid.cell(row, column, count, _shade(count, most))
    return picture_of(
        "small matrix", parts, width=WIDTH, height=grid.height, finding=finding
    )


def _step(half_cycles: Sequence[HalfCycles]) -> int:
    means = [each.mean_percent for each in half_cycles]
    for step in (5, 10, 20):
        if max(means) // step - min(means) // step < COLUMNS_MOST:
            break
    return step


def _shade(count: float, most: float) -> float:
    """Return how dark a cell is: by its order of magnitude, as counts differ by it."""
    share = math.log1p(count) / math.log1p(most)
    return round(LIGHTEST + (DARKEST - LIGHTEST) * share, 3)


class _Grid:
    """Where the cells are."""

    def __init__(self, *, step: int, first: int, columns: int, rows: int) -> None:
        self._step = step
        self._first = first
        self._columns = columns
        self._rows = rows
        self._wide = min((RIGHT - LEFT) / columns, 60.0)
        self._bottom = LINE + 4 + rows * ROW

    @property
    def height(self) -> float:
        """The height of the picture."""
        return self._bottom + 2 * LINE + 4

    def axes(self) -> list[str]:
        """Return the labels of depth and of mean level."""
        said = [
            text(LEFT - 8, self._top(row) + 17, depth_label(row), anchor="end")
            for row in range(self._rows)
        ]
        for place in range(self._columns + 1):
            value = (self._first + place) * self._step
            x = round(LEFT + place * self._wide, 2)
            said.append(text(x, self._bottom + LINE - 3, f"{value:g}", anchor="middle"))
        below = self._bottom + 2 * LINE
        return [*said, text(LEFT, below, "mean level of the cycle in %")]

    def cell(self, row: int, column: int, count: float, shade: float) -> list[str]:
        """Return a cell: its shade and its number."""
        x = LEFT + (column - self._first) * self._wide
        top = self._top(row)
        return [
            f'<g fill-opacity="{shade:g}">'
            + bar(
                "cell",
                x=round(x + 1, 2),
                y=top + 1,
                width=self._wide - 2,
                height=ROW - 2,
            )
            + "</g>",
            text(
                round(x + self._wide / 2, 2),
                top + 17,
                short(count),
                anchor="middle",
                kind="count",
            ),
        ]

    def _top(self, row: int) -> float:
        return self._bottom - (row + 1) * ROW


def short(count: float) -> str:
    """Return a count of at most five characters."""
    if count < 10:
        return f"{count:g}"
    if count < 9_999.5:
        return f"{count:,.0f}"
    return f"{count / 1_000:,.0f}k"
