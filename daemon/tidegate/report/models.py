"""Loss by model: this duty, float and hold side by side, and the span between them.

A large mark is what the verdict rests on; small ones on its way are shorter times.
A lane for each, so that equal losses do not hide one another; a shape for each, so
that black and white says the same. There is no average.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from tidegate.report.ahead import Named
from tidegate.report.ink import (
    CHARACTER,
    LINE,
    bar,
    path,
    picture_of,
    round_step,
    text,
)
from tidegate.wear.account import ModelLoss
from tidegate.wear.finding import against_float

LANE: Final = 15
ROW: Final = 3 * LANE + 12
# The room of a number beside its mark.
NUMBER: Final = 62
# The size of the mark of a shorter time.
SMALL: Final = 0.5


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
DUTY: Final = "M-5.5,0a5.5,5.5 0 1,0 11,0a5.5,5.5 0 1,0 -11,0z"
FLOAT: Final = "M0,-6.5l6.5,6.5l-6.5,6.5l-6.5,-6.5z"
HOLD: Final = "M-5,-5h10v10h-10z"


def models(accounts: Sequence[Named], room: Room, *, finding: str) -> str:
    """Return the picture in one width, of at least one account, the last one large.

    All are of the same models in the same order.
    """
    drawn = _Picture(accounts, room)
    parts = [drawn.legend(), *map(drawn.row, range(len(accounts[-1][1].models)))]
    axis = drawn.axis()
    return picture_of(
        f"models {room.name}",
        [axis, *parts],
        width=room.width,
        height=drawn.top,
        finding=finding,
    )


class _Picture:
    """Draws row under row; ``top`` is where the next one begins."""

    def __init__(self, accounts: Sequence[Named], room: Room) -> None:
        self.top = 0.0
        self._room = room
        self._accounts = [account for _, account in accounts]
        self._shorter = [name for name, _ in accounts[:-1]]
        self._hold = self._accounts[-1].hold_percent
        losses = [
            lane.loss
            for account in self._accounts
            for each in account.models
            for lane in _lanes(each)
        ]
        self._step = round_step(max(*losses, 0.01), steps=room.ticks)
        self._most = max(*losses, self._step)
        self._first_row = 0.0

    def _x(self, loss_percent: float) -> float:
        track = self._room.width - self._room.right - self._room.left - NUMBER
        # A model may say that a cell gains at first; that is drawn as no loss.
        return round(self._room.left + track * max(loss_percent, 0) / self._most, 2)

    def legend(self) -> str:
        """Return what the marks mean, on as many lines as it takes."""
        said = [
            ("duty", DUTY, 1.0, "this duty"),
            ("float", FLOAT, 1.0, "float at 100 %"),
            ("hold", HOLD, 1.0, f"hold at {self._hold:g} %"),
            ("duty hollow", DUTY, 1.0, "hollow: partly outside its tests"),
        ]
        if self._shorter:
            said.append(("duty", DUTY, SMALL, f"small: {', '.join(self._shorter)}"))
        parts, x, y = [], 8.0, 10.0
        for kind, shape, size, words in said:
            wide = 26 + CHARACTER * len(words)
            if x > 8 and x + wide > self._room.width:
                x, y = 8.0, y + LINE
            parts.append(_mark(kind, shape, x + 6, y, size=size))
            parts.append(text(x + 18, y + 4, words))
            x += wide + 8
        self.top = self._first_row = y + 16
        return "".join(parts)

    def row(self, place: int) -> str:
        """Return a model's name, its span, its three lanes with their numbers."""
        *shorter, model = [account.models[place] for account in self._accounts]
        names = self._names(model)
        top = self.top + 2
        self.top += ROW
        lanes = _lanes(model)
        least = self._x(min(lane.loss for lane in lanes))
        most = self._x(max(lane.loss for lane in lanes))
        parts = [
            bar("span", x=least, y=top, width=max(most - least, 1), height=3 * LANE + 4)
        ]
        on_the_way = zip(*map(_lanes, shorter), strict=True) if shorter else [()] * 3
        for index, (lane, before) in enumerate(zip(lanes, on_the_way, strict=True)):
            y = top + 2 + (index + 0.5) * LANE
            parts += self._way([*before, lane], y)
            kind = f"{lane.kind} hollow" if lane.is_outside else lane.kind
            parts.append(_mark(kind, lane.shape, self._x(lane.loss), y))
            parts.append(self._number(lane.loss, y + 4))
        return names + "".join(parts)

    def _way(self, lanes: Sequence[_Lane], y: float) -> list[str]:
        """Return a line through all times, and a small mark for each but the last."""
        if len(lanes) == 1:
            return []
        places = [self._x(lane.loss) for lane in lanes]
        last = lanes[-1]
        way = path(f"{last.kind} way", f"M{min(places):g},{y:g}H{max(places):g}")
        return [
            way,
            *(_mark(last.kind, last.shape, x, y, size=SMALL) for x in places[:-1]),
        ]

    def _number(self, loss: float, y: float) -> str:
        return text(self._x(loss) + 11, y, f"{loss:.1f} %")

    def _names(self, model: ModelLoss) -> str:
        room, words = self._room, against_float(model)
        aside = "" if model.counts else "not counted"
        if room.is_narrow:
            y = self.top + LINE - 4
            self.top += LINE + 2
            said = f"{words}, {aside}" if aside else words
            return text(room.left, y, model.name, kind="name") + text(
                room.width - 4, y, said, anchor="end"
            )
        middle = self.top + ROW / 2
        right = room.width - 126
        return (
            text(4, middle + 2, model.name, kind="name")
            + text(right, middle + (-4 if aside else 2), words)
            + (text(right, middle + 13, aside) if aside else "")
        )

    def axis(self) -> str:
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
        title = text(self._room.left, bottom + 2 * LINE - 2, "loss of capacity")
        return "".join(parts) + title


@dataclass(frozen=True, slots=True, kw_only=True)
class _Lane:
    """One of the three that a model tells apart."""

    kind: str
    shape: str
    loss: float
    is_outside: bool


def _lanes(model: ModelLoss) -> tuple[_Lane, _Lane, _Lane]:
    return (
        _Lane(
            kind="float",
            shape=FLOAT,
            loss=model.float_loss_percent,
            is_outside=bool(model.float_outside),
        ),
        _Lane(
            kind="duty",
            shape=DUTY,
            loss=model.loss_percent,
            is_outside=bool(model.outside),
        ),
        _Lane(
            kind="hold",
            shape=HOLD,
            loss=model.hold_loss_percent,
            is_outside=bool(model.hold_outside),
        ),
    )


def _mark(kind: str, shape: str, x: float, y: float, *, size: float = 1.0) -> str:
    smaller = "" if size == 1.0 else f" scale({size:g})"
    return f'<path class="{kind}" transform="translate({x:g},{y:g}){smaller}" d="{shape}"/>'
