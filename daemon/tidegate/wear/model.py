"""What an ageing model is: its terms, their exact state, and what it was tested for.

A term grows as ``k * x**p`` where ``x`` is time or throughput and ``k`` depends on
conditions. Its state is ``sum(k**(1/p) * dx)``, whose power ``p`` is the loss. That is
the exact solution of the law under changing ``k``: the order of what happened does
not matter, and ``k = 0`` leaves it as it is. A step of ``dloss/dx`` times ``dx`` would
err with the step's length.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from math import fsum
from typing import ClassVar, Final

from tidegate.wear.duty import Duty
from tidegate.wear.tested import UNKNOWN, Tested, outside

KELVIN: Final = 273.15
GAS_CONSTANT: Final = 8.314462618  # J/(mol K), CODATA 2018


@dataclass(frozen=True, slots=True)
class State:
    """How far the terms have come, each in its model's own unit; fresh is zeros.

    ``material`` is a third term, of the active material, that only one model has.
    """

    calendar: float = 0.0
    cycling: float = 0.0
    material: float = 0.0


class Model(ABC):
    """One published model of one kind of cell. Losses are shares of the capacity.

    ``tested`` is ``None`` where the ranges are not known here.
    """

    name: ClassVar[str]
    cell: ClassVar[str]
    chemistry: ClassVar[str]
    paper: ClassVar[str]
    doi: ClassVar[str]
    tested: ClassVar[Tested | None]

    @abstractmethod
    def resting_pace(self, soc_percent: float, temperature_c: float) -> float:
        """Return by how much a second at rest raises the calendar state."""

    @abstractmethod
    def cycling_pace(
        self, depth_percent: float, *, mean_percent: float, rate_per_h: float
    ) -> float:
        """Return by how much a full cycle raises its state where the heat is 1."""

    def cycling_heat(self, temperature_c: float) -> float:
        """Return the factor of a temperature on ``cycling_pace``; many know none."""
        del temperature_c
        return 1.0

    def material_grown(self, duty: Duty) -> float:
        """Return by how much a duty raises the state of the active material."""
        del duty
        return 0.0

    @abstractmethod
    def loss(self, state: State) -> float:
        """Return the share of the capacity that is lost: 0 is fresh, 1 is all."""

    def lived(self, duty: Duty, state: State | None = None) -> State:
        """Return the state after a whole duty, from ``state`` or fresh.

        The factor of heat of the cycles is the mean over where the throughput took
        place.
        """
        before = State() if state is None else state
        pace = self.resting_pace
        calendar = fsum(
            seconds * pace(level, celsius)
            for (level, celsius), seconds in duty.rests.items()
        )
        heat = fsum(
            share * self.cycling_heat(celsius)
            for celsius, share in duty.shares_by_heat.items()
        )
        cycling = fsum(
            count
            * self.cycling_pace(depth, mean_percent=mean, rate_per_h=duty.rate_per_h)
            for (depth, mean), count in duty.cycles.items()
        )
        return State(
            calendar=before.calendar + calendar,
            cycling=before.cycling + heat * cycling,
            material=before.material + self.material_grown(duty),
        )

    def outside(self, duty: Duty) -> tuple[str, ...]:
        """Return what of a duty lies outside the tested ranges, a phrase each."""
        if self.tested is None:
            return (UNKNOWN,)
        return tuple(outside(duty, self.tested))
