"""What a battery went through, in the form that every ageing model takes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, Self

DAY_S: Final = 86_400.0
YEAR_DAYS: Final = 365.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Duty:
    """A time at rest and in cycles. Levels are percent of SoC, temperatures °C.

    ``rests`` are the seconds spent at each (level, temperature); all of the time is in
    them, that in movement too. ``cycles`` are counts by (depth, mean level), 1 for a
    full cycle and ½ for a half one, as rainflow counts them. ``moved`` is by
    temperature the equivalent full cycles that were moved at it. ``rate_per_h`` is
    the C-rate of the movement: depth over time from turning point to turning point,
    the mean by depth.
    """

    rests: Mapping[tuple[float, float], float]
    cycles: Mapping[tuple[float, float], float] = field(default_factory=dict)
    moved: Mapping[float, float] = field(default_factory=dict)
    rate_per_h: float = 0.0

    def __post_init__(self) -> None:
        """Refuse cycles that were nowhere warm or cold. Errors: ValueError."""
        if self.cycles and not self.rests and not self.moved:
            raise ValueError("cycles without a temperature")

    @classmethod
    def hold(cls, soc_percent: float, *, temperature_c: float, days: float) -> Self:
        """Return a time at one level and temperature."""
        return cls(rests={(soc_percent, temperature_c): days * DAY_S})

    @classmethod
    def cycling(
        cls,
        low_percent: float,
        high_percent: float,
        *,
        period_h: float,
        temperature_c: float,
        days: float,
    ) -> Self:
        """Return a triangle between two levels: as long up as down.

        Errors: ValueError where the levels are not in order or the period is none.
        """
        if not (0 <= low_percent < high_percent <= 100 and period_h > 0):
            raise ValueError(f"{low_percent}-{high_percent} % in {period_h} h")
        depth = high_percent - low_percent
        count = days * 24 / period_h
        slices = max(2, round(10 * depth))
        share_s = days * DAY_S / slices
        rests = {
            (low_percent + (index + 0.5) * depth / slices, temperature_c): share_s
            for index in range(slices)
        }
        return cls(
            rests=rests,
            cycles={(depth, (low_percent + high_percent) / 2): count},
            moved={temperature_c: count * depth / 100},
            rate_per_h=depth / 100 / (period_h / 2),
        )

    @property
    def days(self) -> float:
        """How long it lasted."""
        return sum(self.rests.values()) / DAY_S

    @property
    def efc(self) -> float:
        """Equivalent full cycles: half the summed absolute change of SoC."""
        return sum(depth / 100 * count for (depth, _), count in self.cycles.items())

    @property
    def efc_per_year(self) -> float:
        """Equivalent full cycles in 365 days at this pace, 0 for no time."""
        return self.efc * YEAR_DAYS / self.days if self.days else 0.0

    @property
    def shares_by_heat(self) -> Mapping[float, float]:
        """The share of the throughput at each temperature; they add up to 1.

        Where nobody said at which it was moved, the shares of the time stand in.
        """
        amounts = dict(self.moved)
        if not any(amounts.values()):
            amounts = {}
            for (_, celsius), seconds in self.rests.items():
                amounts[celsius] = amounts.get(celsius, 0.0) + seconds
        total = sum(amounts.values())
        return {celsius: each / total for celsius, each in amounts.items() if total}

    def times(self, factor: float) -> Self:
        """Return the same duty, that many times over."""
        return type(self)(
            rests={key: value * factor for key, value in self.rests.items()},
            cycles={key: value * factor for key, value in self.cycles.items()},
            moved={key: value * factor for key, value in self.moved.items()},
            rate_per_h=self.rate_per_h,
        )

    def held(self, soc_percent: float) -> Self:
        """Return the same time at the same temperatures, held at one level."""
        rests: dict[tuple[float, float], float] = {}
        for (_, celsius), seconds in self.rests.items():
            key = (soc_percent, celsius)
            rests[key] = rests.get(key, 0.0) + seconds
        return type(self)(rests=rests)
