"""Loss by model as marks on lanes, side by side, and the span between them.

A large mark is what is decided on; small ones on its way are shorter times. A lane for
each, so that equal losses do not hide one another. There is no average.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from tidegate.report.ink import (
    CHARACTER,
    LINE,
    bar,
    path,
    picture_of,
    round_step,
    text,
)
from tidegate.report.marks import SMALL, Kind, legend, mark
from tidegate.wear.account import ModelLoss
from tidegate.wear.finding import against_float

LANE: Final = 15
# The room of a number beside its mark.
NUMBER: Final = 62


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """How wide the picture is, and what its left and right columns hold."""

    name: str
    width: int
    left: int
    right: int
    ticks: int

    @property
    def is_narrow(self) -> bool:
        """Whether names stand above their rows, for want of columns."""
        return self.name == "narrow"


ROOMS: Final = (
    Room(name="wide", width=960, left=150, right=130, ticks=8),
    Room(name="medium", width=660, left=140, right=130, ticks=5),
    Room(name="narrow", width=344, left=8, right=4, ticks=4),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Lane:
    """One of those that a model tells apart: its losses, the shortest time first."""

    kind: Kind
    losses: tuple[float, ...]
    is_outside: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A model with its lanes; every row has as many."""

    model: ModelLoss
    lanes: tuple[Lane, ...]


def drawn(
    rows: Sequence[Row],
    marks: Sequence[tuple[Kind, bool]],
    room: Room,
    *,
    name: str,
    finding: str,
    title: str = "loss of capacity",
) -> str:
    """Return the picture in one width, of at least one row.

    ``marks`` are those of the legend, hollow or not; ``title`` stands at the axis.
    """
    made = _Picture(rows, room)
    parts = [made.legend(marks), *map(made.row, rows)]
    axis = made.axis(title)
    return picture_of(
        f"{name} {room.name}",
        [axis, *parts],
        width=room.width,
        height=made.top,
        finding=finding,
    )


class _Picture:
    """Draws row under row; ``top`` is where the next one begins."""

    def __init__(self, rows: Sequence[Row], room: Room) -> None:
        self.top = 0.0
        self._room = room
        losses = [loss for row in rows for lane in row.lanes for loss in lane.losses]
        self._step = round_step(max(*losses, 0.01), steps=room.ticks)
        self._most = max(*losses, self._step)
        self._first_row = 0.0

    def _x(self, loss_percent: float) -> float:
        track = self._room.width - self._room.right - self._room.left - NUMBER
        # A model may say that a cell gains at first; that is drawn as no loss.
        return round(self._room.left + track * max(loss_percent, 0) / self._most, 2)

    def legend(self, marks: Sequence[tuple[Kind, bool]]) -> str:
        """Return what the marks mean, on as many lines as it takes."""
        parts, self.top = legend(marks, width=self._room.width)
        self._first_row = self.top
        return parts

    def row(self, row: Row) -> str:
        """Return a model's name, its span, its lanes with their numbers."""
        names = self._names(row)
        top = self.top + 2
        self.top += _high(row)
        ends = [self._x(lane.losses[-1]) for lane in row.lanes]
        parts = [
            bar(
                "span",
                x=min(ends),
                y=top,
                width=max(max(ends) - min(ends), 1),
                height=len(row.lanes) * LANE + 4,
            )
        ]
        for index, lane in enumerate(row.lanes):
            parts += self._lane(lane, top + 2 + (index + 0.5) * LANE)
        return names + "".join(parts)

    def _lane(self, lane: Lane, y: float) -> list[str]:
        """Return a line through all times, a small mark for each but the last."""
        *shorter, last = places = [self._x(loss) for loss in lane.losses]
        parts = []
        if shorter:
            way = f"M{min(places):g},{y:g}H{max(places):g}"
            parts.append(path(f"{lane.kind.kind} way", way))
            small = replace(lane.kind, size=SMALL)
            parts += [mark(small, x, y) for x in shorter]
        parts.append(mark(lane.kind, last, y, is_hollow=lane.is_outside))
        parts.append(text(last + 11, y + 4, f"{lane.losses[-1]:.1f} %"))
        return parts

    def _names(self, row: Row) -> str:
        room, words = self._room, against_float(row.model)
        aside = "" if row.model.counts else "not counted"
        if room.is_narrow:
            y = self.top + LINE - 4
            self.top += LINE + 2
            said = f"{words}, {aside}" if aside else words
            return text(room.left, y, row.model.name, kind="name") + text(
                room.width - 4, y, said, anchor="end"
            )
        middle = self.top + _high(row) / 2
        right = room.width - 126
        return (
            text(4, middle + 2, row.model.name, kind="name")
            + text(right, middle + (-4 if aside else 2), words)
            + (text(right, middle + 13, aside) if aside else "")
        )

    def axis(self, title: str) -> str:
        """Return the scale of loss under all rows."""
        bottom = self.top
        self.top += 2 * LINE + 2
        parts, loss = [], 0.0
        while loss <= self._most * 1.001:
            x = self._x(loss)
            label = f"{loss:g} %" if loss else "0"
            place = min(x, self._room.width - CHARACTER * len(label) / 2)
            parts.append(path("grid", f"M{x:g},{self._first_row:g}V{bottom:g}"))
            parts.append(text(place, bottom + LINE - 3, label, anchor="middle"))
            loss = round(loss + self._step, 6)
        return "".join(parts) + text(self._room.left, bottom + 2 * LINE - 2, title)


def _high(row: Row) -> int:
    return len(row.lanes) * LANE + 12
