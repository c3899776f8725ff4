"""Capacitors as they are made: so many in parallel, with tolerance and age."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from tidegate.eliminator.holdup import needed_f
from tidegate.eliminator.regulator import Load
from tidegate.eliminator.series import E6, at_least

# Beyond this a small electrolytic capacitor is hardly made, and more of them than
# that are a double-layer capacitor's work (common practice, no source).
LARGEST_F: Final = 10e-3
MOST_PARTS: Final = 20
# The rated voltage stands so far above the highest that can come (common practice, no
# source), and is one of these (from memory of catalogues).
VOLTAGE_FACTOR: Final = 1.25
RATED_V: Final = (4.0, 6.3, 10.0, 16.0, 25.0, 35.0, 50.0, 63.0, 80.0, 100.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bank:
    """``parts`` of the same marked value in parallel; ``part_esr_ohm`` is of one of
    them at the end of its life.
    """

    parts: int
    part_f: float
    part_esr_ohm: float
    tolerance: float
    ageing: float

    @property
    def marked_f(self) -> float:
        """What is printed on them together."""
        return self.parts * self.part_f

    @property
    def least_f(self) -> float:
        """What is surely there when they are old."""
        return self.marked_f * (1 - self.tolerance) * (1 - self.ageing)

    @property
    def most_f(self) -> float:
        """What may be there when they are new: that counts for inrush."""
        return self.marked_f * (1 + self.tolerance)

    @property
    def esr_ohm(self) -> float:
        """The resistance of all of them."""
        return self.part_esr_ohm / self.parts

    @property
    def is_double_layer(self) -> bool:
        """Whether so much comes in double-layer capacitors only."""
        return self.part_f > LARGEST_F * (1 + 1e-9)


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """What a bank is to carry."""

    load: Load
    from_v: float
    drop_v: float
    for_s: float
    part_esr_ohm: float
    tolerance: float
    ageing: float

    def needed_f(self, parts: int) -> float | None:
        """Return what must be there with so many parts, as of ``holdup.needed_f``."""
        return needed_f(
            self.load,
            from_v=self.from_v,
            drop_v=self.drop_v,
            for_s=self.for_s,
            esr_ohm=self.part_esr_ohm / parts,
        )


def of_parts(task: Task, parts: int) -> Bank | None:
    """Return the smallest bank of so many parts that does it, if any does."""
    needed = task.needed_f(parts)
    if needed is None:
        return None
    marked_f = needed / (1 - task.tolerance) / (1 - task.ageing)
    return Bank(
        parts=parts,
        part_f=at_least(marked_f / parts, E6),
        part_esr_ohm=task.part_esr_ohm,
        tolerance=task.tolerance,
        ageing=task.ageing,
    )


def choices(task: Task) -> list[Bank]:
    """Return the banks that do it, the fewest parts first, of each value the smallest.

    A double-layer capacitor stands there alone, where small ones cannot do it.
    """
    found = [of_parts(task, parts) for parts in range(1, MOST_PARTS + 1)]
    banks = [each for each in found if each is not None]
    fewest: dict[float, Bank] = {}
    for each in banks:
        if not each.is_double_layer:
            fewest.setdefault(each.part_f, each)
    return list(fewest.values()) or banks[:1]


def rated_v(highest_v: float) -> float:
    """Return the rated voltage to buy for the highest that can come."""
    return next(each for each in RATED_V if each >= highest_v * VOLTAGE_FACTOR - 1e-9)


def ripple_most_a(peak_a: float) -> float:
    """Return the most ripple that a load between 0 and a peak makes, at any rhythm.

    Its alternating part is I √(D (1 - D)), at most half of the peak, at D = 1/2.
    """
    return peak_a / 2
