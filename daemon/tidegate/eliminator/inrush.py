"""What an empty bank does to its source when it meets it, and what holds it back."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from tidegate.eliminator.series import E12, FUSES, at_least, between

# A small fuse carries at most so much of its rating for long (common practice, no
# source).
FUSE_SHARE: Final = 0.75
# Of the I²t at which it melts, so much may pass 10,000 times (from memory of makers'
# guides to fuses).
PULSE_SHARE: Final = 0.29
# Only at so many times its rating does it surely melt, and that within minutes (IEC
# 60127-2, from memory).
SURE_FACTOR: Final = 2.1
# A small fuse of less is not made (32 mA, IEC 60127, from memory; 31.5 in its series).
LEAST_RATING_A: Final = 0.0315
# A time-lag fuse stands ten times its rating for at least 10 ms (IEC 60127-2, from
# memory). So it melts at (10 In)² 0.01 s = In² × 1 s, if not later.
MELTING_S: Final = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Inrush:
    """An empty bank at the highest voltage, behind a resistance.

    The current is V/R at first and falls with the time constant R C.
    """

    volt: float
    farad: float
    ohm: float

    @property
    def peak_a(self) -> float:
        """V/R."""
        return self.volt / self.ohm

    @property
    def charge_c(self) -> float:
        """C V."""
        return self.farad * self.volt

    @property
    def energy_j(self) -> float:
        """What ends as heat in the resistance: C V²/2, as much as in the bank."""
        return self.farad * self.volt**2 / 2

    @property
    def i2t_a2s(self) -> float:
        """∫ i² dt = V² C/(2 R)."""
        return self.volt**2 * self.farad / (2 * self.ohm)

    @property
    def settled_s(self) -> float:
        """When 95 % is reached: 3 R C."""
        return 3 * self.ohm * self.farad

    def bridged_s(self, bare_ohm: float, most_a: float) -> float:
        """When the resistor may be bridged: 95 % are reached, and what is missing
        drives no more than a current through the loop that is left.
        """
        step_v = most_a * bare_ohm
        if step_v >= self.volt:
            return self.settled_s
        within_s = self.ohm * self.farad * math.log(self.volt / step_v)
        return max(self.settled_s, within_s)


def precharge_ohm(bare: Inrush, most_a: float, chosen: Fuse | None) -> float:
    """Return the resistor, as it is made, that keeps the peak within a current and the
    fuse alive; 0 where the loop alone does.
    """
    wanted = bare.volt / most_a
    if chosen is not None:
        wanted = max(wanted, spared_ohm(bare, chosen))
    missing = wanted - bare.ohm
    return at_least(missing, E12) if missing > 0 else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Fuse:
    """A fuse at the near end of the cable. ``melting_a2s`` is of its data sheet, or
    the least that a time-lag one has.
    """

    rating_a: float
    melting_a2s: float

    @property
    def sure_a(self) -> float:
        """The current at which it surely melts, within minutes."""
        return SURE_FACTOR * self.rating_a


def spared_ohm(start: Inrush, chosen: Fuse) -> float:
    """Return the least in the loop with which a start spares a fuse: its I²t is small
    enough, or its peak is not above the rating.
    """
    by_i2t = start.volt**2 * start.farad / (2 * PULSE_SHARE * chosen.melting_a2s)
    return min(by_i2t, start.volt / chosen.rating_a)


def fuse(
    *, current_a: float, most_a: float, rating_a: float | None, melting: float | None
) -> Fuse | None:
    """Return the fuse that was named, else the smallest that carries a current and is
    not above what wire and source stand. ``None`` where there is no such.
    """
    least_a = max(current_a / FUSE_SHARE, LEAST_RATING_A)
    found = rating_a or between(least_a, most_a, FUSES)
    if found is None:
        return None
    return Fuse(rating_a=found, melting_a2s=melting or MELTING_S * found**2)
