"""The voltage ladder: each place on the way is a bar from lowest to highest voltage,
and a stair leads from one down to the next. A dashed line is what it is held against.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from tidegate.eliminator.ladder import Step
from tidegate.report.ink import CHARACTER, LINE, bar, path, picture_of, round_step, text
from tidegate.report.lanes import Room

ROOMS: Final = (
    Room(name="wide", width=960, left=190, right=174, ticks=10),
    Room(name="medium", width=660, left=185, right=174, ticks=6),
    Room(name="narrow", width=344, left=10, right=14, ticks=5),
)
BAR: Final = 12
ROW: Final = 30
NARROW_ROW: Final = 40
# The least from one number of the scale to the next, in V.
STEP_V: Final = 0.5
# A single voltage is a bar as thin as can be seen.
LEAST: Final = 3


def ladder_picture(steps: Sequence[Step], room: Room, *, finding: str) -> str:
    """Return the picture in one width; ``finding`` is its text alternative."""
    drawn = _Picture(steps, room)
    parts = [drawn.axis(), *map(drawn.row, range(len(steps)))]
    return picture_of(
        f"ladder {room.name}",
        parts,
        width=room.width,
        height=drawn.bottom + 2 * LINE + 4,
        finding=finding,
    )


class _Picture:
    """Rows from the source at the top down to the terminals."""

    def __init__(self, steps: Sequence[Step], room: Room) -> None:
        self._steps = steps
        self._room = room
        volts = [volt for each in steps for volt in (each.low_v, each.high_v)]
        volts += [each.limit_v for each in steps if each.limit_v is not None]
        reach = max(volts) - min(volts) + 0.1
        self._step = step = max(round_step(reach, steps=room.ticks), STEP_V)
        self._least_v = math.floor((min(volts) - 0.05) / step) * step
        self._most_v = math.ceil((max(volts) + 0.05) / step) * step
        self._row = NARROW_ROW if room.is_narrow else ROW
        self._first = 4
        self.bottom = self._first + len(steps) * self._row

    def _x(self, volt: float) -> float:
        room = self._room
        share = (volt - self._least_v) / (self._most_v - self._least_v)
        return round(room.left + share * (room.width - room.left - room.right), 2)

    def _y(self, place: int) -> float:
        """Return the top of a bar."""
        above = NARROW_ROW - BAR - 4 if self._room.is_narrow else (ROW - BAR) // 2
        return self._first + place * self._row + above

    def row(self, place: int) -> str:
        """Return a place: its name, its bar, its limit, the stair to the next."""
        step, y = self._steps[place], self._y(place)
        left, right = self._x(step.low_v), self._x(step.high_v)
        width = max(right - left, LEAST)
        kind = "alarm" if step.fails else "time"
        parts = [bar(kind, x=left, y=y, width=width, height=BAR), self._words(place)]
        if step.limit_v is not None:
            x = self._x(step.limit_v)
            parts.append(path("floor", f"M{x:g},{y - 5:g}V{y + BAR + 5:g}"))
        if place + 1 < len(self._steps):
            after = self._x(self._steps[place + 1].low_v)
            below = self._y(place + 1)
            # Close under the bar, where no name of a narrow picture stands.
            turn = y + BAR + 4
            drawn = f"M{left:g},{y + BAR:g}V{turn:g}H{after:g}"
            parts.append(path("grid", f"{drawn}V{below:g}"))
        return "".join(parts)

    def _words(self, place: int) -> str:
        step, room, y = self._steps[place], self._room, self._y(place)
        name = step.name
        if step.limit_v is not None:
            name += f", {step.limit_name} {step.limit_v:.2f} V"
        said = f"{step.low_v:.2f} V"
        if step.high_v - step.low_v >= 0.005:
            said = f"{step.low_v:.2f} to {step.high_v:.2f} V"
        if step.fails:
            said += ", fails"
        if room.is_narrow:
            return text(4, y - 7, name, kind="name") + text(
                room.width - 4, y - 7, said, anchor="end"
            )
        return text(4, y + BAR - 2, name, kind="name") + text(
            room.width - room.right + 12, y + BAR - 2, said
        )

    def axis(self) -> str:
        """Return the scale of voltage behind all rows."""
        parts = []
        for place in range(round((self._most_v - self._least_v) / self._step) + 1):
            volt = self._least_v + place * self._step
            x, label = self._x(volt), f"{volt:g} V"
            half = CHARACTER * len(label) / 2
            at = min(max(x, half), self._room.width - half)
            parts.append(path("grid", f"M{x:g},{self._first:g}V{self.bottom:g}"))
            parts.append(text(at, self.bottom + LINE - 3, label, anchor="middle"))
        title = f"voltage; the scale begins at {self._least_v:g} V"
        at = self._room.left
        return "".join(parts) + text(at, self.bottom + 2 * LINE - 2, title)
