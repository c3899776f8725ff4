"""The hold-up over time: the voltage while the bank carries the peak alone."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from tidegate.eliminator.sizing import Sizing
from tidegate.eliminator.units import shown
from tidegate.report.ink import LINE, across, bar, path, picture_of, text
from tidegate.report.plot import spread

WIDTH: Final = 328
LEFT: Final = 8
RIGHT: Final = 196
HEIGHT: Final = 130
# The share of the width before the outage.
BEFORE: Final = 0.12
APART: Final = 14


def dip_picture(sizing: Sizing, *, finding: str) -> str:
    """Return the picture; there is a bank, so a curve of at least one point."""
    drawn = _Picture(sizing)
    return picture_of(
        "small dip",
        drawn.parts(),
        width=WIDTH,
        height=drawn.bottom + 2 * LINE + 2,
        finding=finding,
    )


class _Picture:
    """Time to the right, voltage up; labels at the right edge."""

    def __init__(self, sizing: Sizing) -> None:
        self._asked = sizing.asked
        self._curve: Sequence[tuple[float, float]] = sizing.dip()
        self._allowed_v = self._asked.out_v - self._asked.drop_v
        self._cut_off_v = self._asked.cell.cut_off_v
        volts = [volt for _, volt in self._curve]
        volts += [self._asked.out_v, self._allowed_v, self._cut_off_v]
        room_v = 0.08 * (max(volts) - min(volts))
        self._least_v, self._most_v = min(volts) - room_v, max(volts) + room_v
        self._top = LINE + 4
        self.bottom = self._top + HEIGHT

    def _x(self, at_s: float) -> float:
        share = BEFORE + (1 - BEFORE) * at_s / self._asked.for_s
        return round(LEFT + share * (RIGHT - LEFT), 2)

    def _y(self, volt: float) -> float:
        share = (self._most_v - volt) / (self._most_v - self._least_v)
        return round(self._top + share * HEIGHT, 2)

    def parts(self) -> list[str]:
        """Return what the picture is made of."""
        out_v = self._asked.out_v
        allowed = bar(
            "window",
            x=self._x(0),
            y=self._y(out_v),
            width=RIGHT - self._x(0),
            height=self._y(self._allowed_v) - self._y(out_v),
        )
        points = " ".join(
            f"{self._x(at_s):g},{self._y(volt):g}" for at_s, volt in self._curve
        )
        curve = f"M{LEFT},{self._y(out_v):g}H{self._x(0):g}L{points}"
        return [
            text(LEFT, LINE - 5, "voltage while the bank alone gives"),
            allowed,
            across("edge", self._y(self._allowed_v), left=self._x(0), right=RIGHT),
            across("floor", self._y(self._cut_off_v), left=LEFT, right=RIGHT),
            path("soc", curve),
            *self._labels(),
            *self._time(),
        ]

    def _labels(self) -> list[str]:
        said = [
            (self._asked.out_v, "output"),
            (self._curve[-1][1], "at its end"),
            (self._allowed_v, "allowed"),
            (self._cut_off_v, "cut-off"),
        ]
        said.sort(key=lambda each: -each[0])
        places = spread(
            [self._y(volt) + 4 for volt, _ in said],
            apart=APART,
            top=self._top + 4,
            bottom=self.bottom + 4,
        )
        return [
            text(RIGHT + 6, place, f"{volt:.2f} V {name}")
            for place, (volt, name) in zip(places, said, strict=True)
        ]

    def _time(self) -> list[str]:
        axis = across("grid", self.bottom, left=LEFT, right=RIGHT)
        start = path("grid", f"M{self._x(0):g},{self._top:g}V{self.bottom:g}")
        y = self.bottom + LINE - 2
        return [
            axis,
            start,
            text(self._x(0), y, "0", anchor="middle"),
            text(RIGHT, y, shown(self._asked.for_s, "s"), anchor="end"),
            text(LEFT, y + LINE - 2, "time from the outage or step"),
        ]
