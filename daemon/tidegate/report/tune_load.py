"""The load by hour of the week, with how sure it is; what was not seen is hollow."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import Final

from tidegate.report.ink import LINE, across, path, picture_of, round_step, text
from tidegate.report.lanes import Room
from tidegate.tuning.device import Device, Rate

DAYS: Final = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
LEFT: Final = 40
RIGHT: Final = 8
HEIGHT: Final = 130
_DAY_H: Final = 24


def load(device: Device, room: Room, *, finding: str) -> str:
    """Return the picture in one width, for a device with a calendar."""
    return _Picture(device.load, room).picture(finding)


def seen(device: Device) -> str:
    """Return in words what the picture shows."""
    rates = [each.percent_per_h for each in device.load]
    most, least = max(rates), min(rates)
    unseen = sum(1 for each in device.load if not each.hours)
    told = (
        f"The load is from {least:.1f} points an hour ({_hour(rates.index(least))}) to "
        f"{most:.1f} ({_hour(rates.index(most))})."
    )
    if unseen:
        told += f" For {unseen} of {len(rates)} hours of the week nothing was seen."
    return told


def _hour(place: int) -> str:
    day, hour = divmod(place, _DAY_H)
    return f"{DAYS[day]} {hour:02d}:00"


class _Picture:
    """Steps of an hour over the week; the shade is one sigma up and down."""

    def __init__(self, rates: Sequence[Rate], room: Room) -> None:
        self._rates = rates
        self._room = room
        self._top = 2.0 * LINE if room.is_narrow else LINE + 4.0
        most = max(each.percent_per_h + each.sigma for each in rates)
        self._step = round_step(max(most, 0.1), steps=4)
        self._most = max(most, self._step)

    def picture(self, finding: str) -> str:
        """Return the whole picture."""
        parts = [*self._title(), *self._scale(), *self._days()]
        for is_seen, run in groupby(
            enumerate(self._rates), key=lambda item: item[1].hours > 0
        ):
            hours = list(run)
            first, rates = hours[0][0], [rate for _, rate in hours]
            parts.append(
                path("soc shade" if is_seen else "off", self._band(first, rates))
            )
            parts.append(path("soc" if is_seen else "floor", self._line(first, rates)))
        height = self._top + HEIGHT + LINE + 6
        return picture_of(
            f"load {self._room.name}",
            parts,
            width=self._room.width,
            height=height,
            finding=finding,
        )

    def _x(self, hour: float) -> float:
        wide = self._room.width - LEFT - RIGHT
        return round(LEFT + wide * hour / len(self._rates), 2)

    def _y(self, percent_per_h: float) -> float:
        share = min(max(percent_per_h, 0.0), self._most) / self._most
        return round(self._top + (1 - share) * HEIGHT, 2)

    def _title(self) -> Iterator[str]:
        yield text(LEFT, LINE - 5, "load, points of charge an hour")
        told = "shade: one sigma; open, dashed: not seen"
        if self._room.is_narrow:
            yield text(LEFT, 2 * LINE - 7, told)
        else:
            yield text(self._room.width - RIGHT, LINE - 5, told, anchor="end")

    def _scale(self) -> Iterator[str]:
        value = 0.0
        while value <= self._most * 1.001:
            y = self._y(value)
            yield across("grid", y, left=LEFT, right=self._room.width - RIGHT)
            yield text(LEFT - 6, y + 4, f"{value:g}", anchor="end")
            value = round(value + self._step, 6)

    def _days(self) -> Iterator[str]:
        bottom = self._top + HEIGHT
        for day, name in enumerate(DAYS):
            x = self._x(_DAY_H * day)
            yield path("grid", f"M{x:g},{self._top:g}V{bottom:g}")
            middle = self._x(_DAY_H * (day + 0.5))
            yield text(middle, bottom + LINE - 2, name, anchor="middle")

    def _line(self, first: int, rates: Sequence[Rate]) -> str:
        steps = []
        for place, rate in enumerate(rates, start=first):
            y = self._y(rate.percent_per_h)
            steps.append(f"{self._x(place):g},{y:g} {self._x(place + 1):g},{y:g}")
        return f"M{' '.join(steps)}"

    def _band(self, first: int, rates: Sequence[Rate]) -> str:
        tops, bottoms = [], []
        for place, rate in enumerate(rates, start=first):
            left, right = self._x(place), self._x(place + 1)
            high = self._y(rate.percent_per_h + rate.sigma)
            low = self._y(rate.percent_per_h - rate.sigma)
            tops.append(f"{left:g},{high:g} {right:g},{high:g}")
            bottoms.append(f"{right:g},{low:g} {left:g},{low:g}")
        return f"M{' '.join([*tops, *reversed(bottoms)])}z"
