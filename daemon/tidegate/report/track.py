"""A quantity over time as lines or, where those would blot, as mean and extremes."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

from tidegate.report.story import Line

# Columns of an envelope over the whole time: about three pixels of a wide picture.
COLUMNS: Final = 280
# A line that goes up and down by more than this for each step to the right is a blot.
BLOT: Final = 12.0


@dataclass(slots=True)
class Column:
    """What a quantity did within a part of the time; ``weighted`` is value times ms."""

    from_ms: float
    until_ms: float
    low: float
    high: float
    weighted: float

    @property
    def mean(self) -> float:
        """The mean by time."""
        lasted_ms = self.until_ms - self.from_ms
        return self.weighted / lasted_ms if lasted_ms else self.low


@dataclass(frozen=True)
class Track:
    """Lines without a gap, over the time of a picture."""

    lines: Sequence[Line]
    from_ms: int
    until_ms: int

    @cached_property
    def travel(self) -> float:
        """How far the value went up and down in all, in its unit."""
        return sum(
            abs(after - before)
            for line in self.lines
            for (_, before), (_, after) in itertools.pairwise(line)
        )

    def is_blot(self, *, width: float, per_unit: float) -> bool:
        """Whether the lines fill their area; ``per_unit`` is the height of a unit."""
        return self.travel * per_unit > BLOT * width

    @cached_property
    def envelope(self) -> list[list[Column]]:
        """For each line its columns, in order; a line within one column has one."""
        return [self._columns(line) for line in self.lines]

    def _columns(self, line: Line) -> list[Column]:
        wide_ms = max(self.until_ms - self.from_ms, 1) / COLUMNS
        first_ms, first = line[0]
        column = Column(first_ms, first_ms, first, first, 0.0)
        found = [column]
        edge_ms = self._edge_after(first_ms, wide_ms)
        at_ms, value = first_ms, first
        for next_ms, after in line[1:]:
            begin_ms, before = float(at_ms), value
            slope = (after - value) / (next_ms - at_ms) if next_ms > at_ms else 0.0
            while next_ms > edge_ms:
                between = value + slope * (edge_ms - at_ms)
                _extend(column, begin_ms, edge_ms, before, between)
                column = Column(edge_ms, edge_ms, between, between, 0.0)
                found.append(column)
                begin_ms, before = edge_ms, between
                edge_ms += wide_ms
            # A long log has far more points than columns: no call for each.
            if after < column.low:
                column.low = after
            elif after > column.high:
                column.high = after
            column.weighted += (before + after) / 2 * (next_ms - begin_ms)
            column.until_ms = at_ms = next_ms
            value = after
        return found

    def _edge_after(self, at_ms: float, wide_ms: float) -> float:
        place = (at_ms - self.from_ms) // wide_ms + 1
        return self.from_ms + place * wide_ms


def _extend(
    column: Column, from_ms: float, until_ms: float, before: float, after: float
) -> None:
    column.until_ms = until_ms
    column.low = min(column.low, after)
    column.high = max(column.high, after)
    column.weighted += (before + after) / 2 * (until_ms - from_ms)
