"""A charge over its level: how fast it rose, beside what a charger without a taper does.

The level runs from left to right, the fifths are marked and their hours stand above. A
pale band is constant current, then constant voltage, from a worn cell to a new one.
Below, on the same axis, the voltage. Parts that nobody saw are left out.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from tidegate.report.ink import CHARACTER, LINE, path, picture_of, round_step, text
from tidegate.taper.curve import Part
from tidegate.taper.measured import Measured
from tidegate.taper.reference import quickest_rate, slowest_rate

GAP: Final = 16
_BAND_STEP: Final = 1.0
_FIFTHS: Final = (0, 20, 40, 60, 80, 100)


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """How wide the picture is, and how high its panels are."""

    name: str
    width: int
    left: int
    right: int
    rate_height: int
    voltage_height: int


ROOMS: Final = (
    Room(
        name="wide",
        width=960,
        left=56,
        right=24,
        rate_height=240,
        voltage_height=130,
    ),
    Room(
        name="medium",
        width=660,
        left=56,
        right=20,
        rate_height=210,
        voltage_height=120,
    ),
    Room(
        name="narrow",
        width=344,
        left=46,
        right=12,
        rate_height=180,
        voltage_height=100,
    ),
)


def charge_over_level(measured: Measured, room: Room, *, finding: str) -> str:
    """Return the picture in one width; ``finding`` is its text alternative."""
    drawn = _Picture(measured, room)
    parts = [drawn.rate(), drawn.voltage(), drawn.axis()]
    return picture_of(
        f"taper {room.name}",
        [drawn.fifths(), *parts],
        width=room.width,
        height=drawn.top,
        finding=finding,
    )


class _Picture:
    """Draws panel under panel; ``top`` is where the next one begins."""

    def __init__(self, measured: Measured, room: Room) -> None:
        self._measured = measured
        self._room = room
        self._begin = float(LINE)
        self._bottom = 0.0
        self.top = self._begin

    def _x(self, level_percent: float) -> float:
        room = self._room
        wide = room.width - room.left - room.right
        return round(room.left + wide * level_percent / 100, 2)

    # --- panels -----------------------------------------------------------------------

    def rate(self) -> str:
        """Return the rate of every part over the band of the reference."""
        measured, room = self._measured, self._room
        parts = measured.curve.parts
        most = max(measured.rate_percent_h, *(part.rate_percent_h for part in parts))
        step = round_step(1.05 * most, steps=4)
        most = 1.05 * most
        title = self._title("rate in % an hour")
        top, height = self.top, room.rate_height

        def y(rate: float) -> float:
            return round(top + (1 - min(rate, most) / most) * height, 2)

        self.top = top + height + GAP
        grid = self._levels(y, step=step, most=most, form="g")
        key = self._legend()
        return title + grid + self._band(y) + self._steps(parts, _rate_of, y) + key

    def voltage(self) -> str:
        """Return the voltage of every part, where it was told."""
        told = [p for p in self._measured.curve.parts if p.voltage_v is not None]
        if len(told) < 2:
            return ""
        volts = [part.voltage_v or 0.0 for part in told]
        low, high = min(volts) - 0.02, max(volts) + 0.02
        self.top += LINE
        title = self._title("voltage in V, the median of each part")
        top, height = self.top, self._room.voltage_height

        def y(value: float) -> float:
            return round(top + (1 - (value - low) / (high - low)) * height, 2)

        self.top = top + height + GAP
        step = round_step(high - low, steps=5)
        grid = self._levels(y, step=step, most=high, least=low, form=".2f")
        return title + grid + self._steps(told, lambda part: part.voltage_v or 0.0, y)

    def fifths(self) -> str:
        """Return a line at each fifth, and its hours above."""
        curve, parts = self._measured.curve, []
        for level in _FIFTHS:
            x = self._x(level)
            parts.append(path("grid", f"M{x:g},{self._begin:g}V{self._bottom:g}"))
        for low in _FIFTHS[:-1]:
            end = min(low + 20.0, curve.top_percent)
            hours = curve.hours(float(low), end) if end > low + 3 else None
            said = "" if hours is None else f"{hours:.1f} h"
            parts.append(text(self._x(low + 10), LINE - 4, said, anchor="middle"))
        return "".join(parts)

    def axis(self) -> str:
        """Return the scale of the level under all panels."""
        bottom = self._bottom = self.top - GAP
        self.top = bottom + 2 * LINE + 4
        parts = []
        for level in _FIFTHS:
            label = f"{level} %"
            half = CHARACTER * len(label) / 2 + 4
            place = min(max(self._x(level), half), self._room.width - half)
            parts.append(text(place, bottom + LINE - 2, label, anchor="middle"))
        said = "charge (SoC); above: hours of each fifth"
        return "".join(parts) + text(self._room.left, bottom + 2 * LINE, said)

    # --- shapes -----------------------------------------------------------------------

    def _title(self, said: str) -> str:
        self.top += LINE
        return text(self._room.left, self.top - 6, said, kind="name")

    def _levels(
        self,
        y: Callable[[float], float],
        *,
        step: float,
        most: float,
        form: str,
        least: float = 0.0,
    ) -> str:
        room, parts = self._room, []
        value = step * -(-least // step)
        while value <= most:
            at = y(value)
            parts.append(path("grid", f"M{room.left},{at:g}H{room.width - room.right}"))
            label = f"{value:{form}}"
            parts.append(text(room.left - 6, at + 4, label, anchor="end"))
            value = round(value + step, 6)
        return "".join(parts)

    def _band(self, y: Callable[[float], float]) -> str:
        measured = self._measured
        begin = measured.curve.parts[0].low_percent
        rate = measured.rate_percent_h
        top = measured.end_percent if measured.rests else 100.0
        count = round((top - begin) / _BAND_STEP)
        levels = [begin + (top - begin) * each / count for each in range(count + 1)]
        upper = [
            f"{self._x(each):g},{y(quickest_rate(each, top_percent=top, rate=rate)):g}"
            for each in levels
        ]
        lower = [
            f"{self._x(each):g},{y(slowest_rate(each, top_percent=top, rate=rate)):g}"
            for each in reversed(levels)
        ]
        return path("span", f"M{' '.join(upper + lower)}z") + path(
            "floor", f"M{' '.join(upper)}"
        )

    def _steps(
        self,
        parts: Sequence[Part],
        of: Callable[[Part], float],
        y: Callable[[float], float],
    ) -> str:
        pieces = []
        for place, part in enumerate(parts):
            at = f"{self._x(part.low_percent):g},{y(of(part)):g}"
            goes_on = place and parts[place - 1].high_percent == part.low_percent
            begin = f"L{at}" if goes_on else f"M{at}"
            pieces.append(f"{begin}H{self._x(part.high_percent):g}")
        return path("soc", "".join(pieces))

    def _legend(self) -> str:
        """Return what is what, under the panel."""
        room = self._room
        said = [
            ("soc", "read"),
            ("span", "constant current, then voltage:"),
            ("floor", "a new cell,"),
            ("", "lower edge: a worn one"),
        ]
        parts = []
        x, y = float(room.left), self.top + 2
        for kind, words in said:
            wide = CHARACTER * len(words) + (24 if kind else 0)
            if x > room.left and x + wide > room.width:
                x, y = float(room.left), y + LINE
            if kind in ("soc", "floor"):
                parts.append(path(kind, f"M{x:g},{y - 4:g}h16"))
            elif kind:
                parts.append(path("span", f"M{x:g},{y - 9:g}h16v10h-16z"))
            parts.append(text(x + (22 if kind else 0), y, words))
            x += wide + 6
        self.top = y + GAP
        return "".join(parts)


def _rate_of(part: Part) -> float:
    return part.rate_percent_h
