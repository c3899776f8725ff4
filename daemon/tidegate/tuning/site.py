"""A device laid out for walking: its lines of load and charge, its temperatures."""

from __future__ import annotations

from typing import Final

from tidegate.tuning.device import Device
from tidegate.tuning.paths import WEEK_H, Line, Stretch, feed_of
from tidegate.wear.duty import YEAR_DAYS

YEAR_H: Final = 24 * YEAR_DAYS
# Long enough for a year after the first week, in which the way settles, and for a
# cycle that begins at its end.
LAID_H: Final = 56 * WEEK_H
# A load of nothing never reaches a mark; the charge then lasts for decades.
LEAST_LOAD: Final = 1e-4
# Where no temperature was ever read; a guess.
GUESSED_C: Final = 25.0


class Site:
    """A device, and what all of its candidates share.

    ``heats`` are the temperatures to whole °C, ``fed_heat``, ``unfed_heat`` and
    ``held_heat`` the places in it by hour of the span. What is held was not always
    seen so; it is then as warm as what is not fed, since neither is charged.
    """

    def __init__(self, device: Device) -> None:
        self.device = device
        rise = [each.percent_per_h for each in device.rise]
        self.loads = [max(LEAST_LOAD, each.percent_per_h) for each in device.load]
        self.rise = rise
        self.stretch = Stretch(device.slowing)
        self.load = Line(self.loads, LAID_H)
        self.feed = feed_of(rise, self.stretch, LAID_H)
        fed = _degrees(device.fed_c)
        unfed = _degrees(device.unfed_c)
        held = _degrees(device.held_c or device.unfed_c)
        self.heats = sorted({*fed, *unfed, *held})
        weeks = LAID_H // WEEK_H
        self.fed_heat = [self.heats.index(each) for each in fed] * weeks
        self.unfed_heat = [self.heats.index(each) for each in unfed] * weeks
        self.held_heat = [self.heats.index(each) for each in held] * weeks

    @property
    def rest_percent(self) -> float:
        """What of the extra swing neither the gauge's step nor the delay explains."""
        return self.device.unexplained_percent

    @property
    def is_carried(self) -> bool:
        """Whether the supply brings in more over the week than the load takes."""
        return sum(self.rise) > 0


def _degrees(celsius: tuple[float, ...]) -> list[float]:
    return [float(round(each)) for each in celsius or (GUESSED_C,) * WEEK_H]
