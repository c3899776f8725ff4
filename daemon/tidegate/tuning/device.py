"""What was learned of a device from its readings, with how sure that is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum


class Source(StrEnum):
    """Where the capacity is from, the best first."""

    MEASURED = "measured"
    SETTINGS = "settings"
    GAUGE = "gauge"


@dataclass(frozen=True, slots=True, kw_only=True)
class Rate:
    """A pace of the charge in points an hour, as a positive number where it is usual.

    ``sigma`` is one standard deviation of the estimate, ``hours`` what it rests on: 0
    where nothing was seen and a wider mean stands in.
    """

    percent_per_h: float
    sigma: float
    hours: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Capacity:
    """Ah between 0 and 100 % of the gauge, which turns A into points an hour."""

    ah: float
    sigma_ah: float | None
    source: Source


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """A fitted device. Hours of the week run from Monday 0:00, in the zone asked for.

    ``load`` is by hour of the week how fast the charge falls without supply;
    ``rise`` how fast it rises with it, where the charger still gives its current.
    ``charger_percent_per_h`` is what the charger takes at most, and
    ``supply_percent_per_h`` what the supply gives to load and battery together; one of
    them is ``None`` where nothing showed it: charging then was limited by the other
    alone. ``slowing`` is by level (the lower end of 5 points) which share of the rise
    is left from there on, for what was seen; ``seen_percent`` the levels seen while
    charging. ``swing_extra_percent`` is how much wider than its window a cycle is:
    rounding of the gauge, polls, delays. Of it ``step_percent`` is the step of the
    gauge, which meets each mark half a step early, and ``delay_h`` how long after a
    mark was met the contact moves; what these two do not explain, ``rest_percent``, is
    the same for every cycle and every supply. Temperatures are by hour of the week in
    °C, fed, not fed, and ``held_c`` fed but neither charged nor used; empty without
    any. ``sensor`` is where they are from, as the gauge said. ``is_calendar``: the
    hours of the week are known, else all hours are alike. ``steepest_percent_per_h`` is
    the steepest load that was seen over an hour or longer, where they are not, and
    ``None`` where they are or nothing lasted so long. ``flicker_percent``: how far
    before and after a step a gauge goes back and forth. ``back_h`` is how long after an on
    a gauge that needs the supply is read again. ``notes`` are sentences on what
    it rests on.
    """

    station: str
    days: float
    load: tuple[Rate, ...]
    rise: tuple[Rate, ...]
    load_mean: Rate
    rise_mean: Rate
    capacity: Capacity | None
    charger_percent_per_h: float | None
    supply_percent_per_h: float | None
    slowing: Mapping[float, float] = field(default_factory=dict)
    seen_percent: tuple[float, float] = (0.0, 100.0)
    swing_extra_percent: float = 0.0
    fed_c: tuple[float, ...] = ()
    unfed_c: tuple[float, ...] = ()
    sensor: str | None = None
    step_percent: float = 0.0
    delay_h: float = 0.0
    rest_percent: float | None = None
    held_c: tuple[float, ...] = ()
    steepest_percent_per_h: float | None = None
    is_calendar: bool = True
    flicker_percent: float = 0.0
    back_h: float = 0.0
    notes: tuple[str, ...] = ()

    @property
    def unexplained_percent(self) -> float:
        """What of the extra swing neither the gauge's step nor the delay explains."""
        if self.rest_percent is not None:
            return self.rest_percent
        explained = delayed_percent(self, self.rise_mean) - self.step_percent
        return self.swing_extra_percent - explained


def delayed_percent(device: Device, rise: Rate) -> float:
    """Return how far the charge goes on in the delays of a cycle, with a mean rise."""
    rates = device.load_mean.percent_per_h + max(0.0, rise.percent_per_h)
    return device.delay_h * rates
