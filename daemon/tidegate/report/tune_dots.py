"""Candidates as dots: largest regret against autonomy in the worst hour, if known.

Better is to the right and down. Filled dots are on the front, which also weighs
switchings; the line joins those that nothing beats in the two that are drawn.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from tidegate.report.ink import (
    CHARACTER,
    LINE,
    across,
    path,
    picture_of,
    round_step,
    text,
)
from tidegate.report.lanes import Room
from tidegate.report.marks import DISC, Kind, legend, mark
from tidegate.report.tune_losses import NOW, RECOMMENDED
from tidegate.tuning import said
from tidegate.tuning.choice import Choice

LEFT: Final = 52
RIGHT: Final = 16
HEIGHT: Final = 220
# A load of nearly nothing runs for weeks; beyond this one is as good as another.
LONGEST_H: Final = 200.0
ON_FRONT: Final = Kind(kind="time", shape=DISC, words="on the front", size=0.6)
BEATEN: Final = Kind(kind="off", shape=DISC, words="open: beaten", size=0.6)
_APART: Final = 16


def dots(choice: Choice, room: Room, *, finding: str) -> str:
    """Return the picture in one width; something is recommended."""
    return _Picture(choice, room).picture(finding)


def seen(choice: Choice) -> str:
    """Return in words what the picture shows."""
    assert choice.recommended is not None
    told = [
        f"Of {len(choice.feasible)} candidates that meet the constraints "
        f"{len(choice.front)} are on the front."
    ]
    places = {"Recommended": choice.recommended}
    if choice.is_change and choice.present is not None:
        places["The present settings"] = choice.present
    for name, place in places.items():
        it = choice.outcomes[place]
        told.append(
            f"{name}: {said.named(it.candidate)}, largest regret "
            f"{choice.regret(place)[0]:.1f} points, autonomy "
            f"{said.hours(it.autonomy_h)}."
        )
    return " ".join(told)


class _Picture:
    """Every feasible candidate and the present one; marks with words lie on top."""

    def __init__(self, choice: Choice, room: Room) -> None:
        self._choice, self._room = choice, room
        self._shown = list(choice.feasible)
        if choice.present is not None and choice.present not in self._shown:
            self._shown.append(choice.present)
        regrets = [choice.regret(place)[0] for place in self._shown]
        self._step_y = round_step(max(*regrets, 0.1), steps=6)
        self._least = min(0.0, *regrets)
        self._most = max(*regrets, self._step_y)
        longest = max(self._hours(place) for place in self._shown)
        asked = choice.constraints.autonomy_h
        self._step_x = round_step(max(longest, asked, 0.5), steps=room.ticks)
        self._longest = max(longest, asked, self._step_x)
        self._top = 0.0

    def _hours(self, place: int) -> float:
        return min(self._choice.outcomes[place].autonomy_h, LONGEST_H)

    def picture(self, finding: str) -> str:
        """Return the whole picture."""
        drawn, begin = legend(self._kinds(), width=self._room.width)
        # A row of its own for what is asked, where no dot can be.
        self._top = begin + 2 * LINE - 2
        title = text(8, begin + 8, "largest regret, points of the capacity")
        parts = [drawn, title, *self._scales(), self._joined(), *self._dots()]
        return picture_of(
            f"candidates {self._room.name}",
            parts,
            width=self._room.width,
            height=self._top + HEIGHT + 2 * LINE + 6,
            finding=finding,
        )

    def _kinds(self) -> list[tuple[Kind, bool]]:
        kinds = [(RECOMMENDED, False), (ON_FRONT, False), (BEATEN, False)]
        if self._choice.is_change and self._choice.present is not None:
            kinds.insert(1, (NOW, False))
        return kinds

    def _x(self, hours: float) -> float:
        wide = self._room.width - LEFT - RIGHT
        return round(LEFT + wide * hours / self._longest, 2)

    def _y(self, regret: float) -> float:
        share = (regret - self._least) / (self._most - self._least)
        return round(self._top + (1 - share) * HEIGHT, 2)

    def _place(self, place: int) -> tuple[float, float]:
        regret, _ = self._choice.regret(place)
        return self._x(self._hours(place)), self._y(regret)

    def _scales(self) -> Iterator[str]:
        room, bottom = self._room, self._top + HEIGHT
        value = 0.0
        while value <= self._most * 1.001:
            y = self._y(value)
            yield across("grid", y, left=LEFT, right=room.width - RIGHT)
            yield text(LEFT - 8, y + 4, f"{value:g}", anchor="end")
            value = round(value + self._step_y, 6)
        hours = 0.0
        while hours <= self._longest * 1.001:
            label = f"{hours:g} h"
            x = min(self._x(hours), room.width - CHARACTER * len(label) / 2)
            yield text(x, bottom + LINE, label, anchor="middle")
            hours = round(hours + self._step_x, 6)
        constraints = self._choice.constraints
        axis = f"autonomy {said.WORST[constraints.worst]}"
        yield text(LEFT, bottom + 2 * LINE, axis)
        asked = constraints.autonomy_h
        if asked > 0:
            x = self._x(asked)
            yield path("floor", f"M{x:g},{self._top - 14:g}V{bottom:g}")
            said_asked = f"asked: {asked:g} h"
            is_left = x - CHARACTER * len(said_asked) > LEFT
            anchor, place = ("end", x - 5) if is_left else ("start", x + 5)
            yield text(place, self._top - 4, said_asked, anchor=anchor)

    def _joined(self) -> str:
        """Return a line through what nothing beats in both measures, as steps."""
        feasible = self._choice.feasible
        points = sorted(
            (-self._hours(place), self._choice.regret(place)[0]) for place in feasible
        )
        kept: list[tuple[float, float]] = []
        for hours, regret in points:
            if not kept or regret < kept[-1][1]:
                kept.append((hours, regret))
        steps = [f"{self._x(-hours):g},{self._y(regret):g}" for hours, regret in kept]
        return path("duty way", f"M{' '.join(steps)}") if len(steps) > 1 else ""

    def _dots(self) -> Iterator[str]:
        choice = self._choice
        marked = {choice.recommended, choice.present}
        front = set(choice.front)
        for kind, those in ((BEATEN, False), (ON_FRONT, True)):
            for place in choice.feasible:
                if place not in marked and (place in front) is those:
                    yield mark(kind, *self._place(place))
        yield from self._marked()

    def _marked(self) -> Iterator[str]:
        choice = self._choice
        assert choice.recommended is not None
        words = "leave as it is" if not choice.is_change else "recommended"
        x, y = self._place(choice.recommended)
        is_apart = True
        if choice.is_change and choice.present is not None:
            other_x, other_y = self._place(choice.present)
            is_apart = abs(y - other_y) >= _APART
            is_missing = bool(choice.broken[choice.present])
            told = "present, misses a constraint" if is_missing else "present"
            yield mark(NOW, other_x, other_y)
            # Where both lie at one height, one of them is named above.
            yield self._label(other_x, other_y + (4 if is_apart else -8), told)
        yield mark(RECOMMENDED, x, y)
        yield self._label(x, y + (4 if is_apart else 18), words)

    def _label(self, x: float, y: float, words: str) -> str:
        """Return words beside a mark, on the side on which there is room."""
        wide = CHARACTER * len(words) + 12
        y = min(max(y, self._top + 12), self._top + HEIGHT - 4)
        if x + wide <= self._room.width:
            return text(x + 11, y, words)
        return text(x - 11, y, words, anchor="end")
