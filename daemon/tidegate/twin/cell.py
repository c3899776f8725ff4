"""A lithium cell as an equivalent circuit: open-circuit voltage, R0 and one RC pair.

Current into the cell is positive. With s the state of charge (0..1) and u the voltage
over the RC pair: ds/dt = I / (3600 C), du/dt = -u / (R1 C1) + I / C1 and
V = OCV(s) + u + I R0. Both steps below solve these equations in closed form, so their
length is not a matter of accuracy.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import pairwise
from math import exp, inf, sqrt
from typing import Final, NamedTuple

_HALVINGS: Final = 48
_SECONDS_AN_HOUR: Final = 3600.0


class State(NamedTuple):
    """What a cell remembers. A tuple, because a simulated week makes 1e5 of them.

    ``soc`` is a fraction, ``rc_v`` the voltage over the RC pair.
    """

    soc: float
    rc_v: float = 0.0


@dataclass(frozen=True, slots=True)
class Curve:
    """Open-circuit voltage over state of charge, straight between its points.

    Beyond its ends the outermost pieces go on.
    """

    points: tuple[tuple[float, float], ...]
    _socs: tuple[float, ...] = field(init=False, repr=False, compare=False)
    _volts: tuple[float, ...] = field(init=False, repr=False, compare=False)
    _slopes: tuple[float, ...] = field(init=False, repr=False, compare=False)
    _areas: tuple[float, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        assert len(self.points) >= 2
        slopes, areas = [], [0.0]
        for (left, low), (right, high) in pairwise(self.points):
            assert right > left, "points go from empty to full"
            assert high > low, "the curve must rise"
            slopes.append((high - low) / (right - left))
            areas.append(areas[-1] + (right - left) * (low + high) / 2)
        object.__setattr__(self, "_socs", tuple(soc for soc, _ in self.points))
        object.__setattr__(self, "_volts", tuple(volt for _, volt in self.points))
        object.__setattr__(self, "_slopes", tuple(slopes))
        object.__setattr__(self, "_areas", tuple(areas))

    def _piece(self, soc: float) -> int:
        # Between its limits, so that what lies beyond an end is of the outermost piece.
        return bisect_right(self._socs, soc, 1, len(self._slopes)) - 1

    def volts(self, soc: float) -> float:
        """Return the open-circuit voltage."""
        piece = bisect_right(self._socs, soc, 1, len(self._slopes)) - 1
        return self._volts[piece] + self._slopes[piece] * (soc - self._socs[piece])

    def slope(self, soc: float) -> float:
        """Return volts per unit of state of charge, to the right of a point."""
        return self._slopes[self._piece(soc)]

    def next_point(self, soc: float) -> float:
        """Return where the piece above ``soc`` ends, infinity in the last one."""
        after = self._piece(soc) + 1
        return self._socs[after] if after < len(self._slopes) else inf

    def area(self, soc: float) -> float:
        """Return the integral of the voltage from the first point up to ``soc``."""
        piece = self._piece(soc)
        width = soc - self._socs[piece]
        middle = self._volts[piece] + self._slopes[piece] * width / 2
        return self._areas[piece] + width * middle


AI2020_LCO: Final = Curve(
    (
        (0.00, 3.0000),
        (0.10, 3.6396),
        (0.20, 3.6954),
        (0.30, 3.7331),
        (0.40, 3.7622),
        (0.50, 3.7925),
        (0.55, 3.8122),
        (0.60, 3.8365),
        (0.65, 3.8675),
        (0.70, 3.9089),
        (0.80, 3.9945),
        (0.90, 4.0879),
        (1.00, 4.2000),
    )
)
"""An LCO/graphite pouch cell of the phone class.

Source: parameter set Ai2020 as pybamm ships it, Ai et al., J. Electrochem. Soc. 167
(2020) 013512, DOI 10.1149/2.0122001JES (the reference from memory).
"""


def first_time(reached: Callable[[float], bool], within_s: float) -> float:
    """Return the first time within ``within_s`` at which ``reached`` holds.

    It must hold at ``within_s``, and once it holds go on holding. The answer is on
    the side where it holds.
    """
    before, after = 0.0, within_s
    for _ in range(_HALVINGS):
        middle = (before + after) / 2
        if reached(middle):
            after = middle
        else:
            before = middle
    return after


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """The constants of a cell, or of a pack with one cell in series.

    The defaults are of the size of a tablet's battery; an engineering choice, no
    source.
    """

    capacity_ah: float = 4.0
    r0_ohm: float = 0.06
    r1_ohm: float = 0.04
    c1_f: float = 750.0
    curve: Curve = AI2020_LCO

    def voltage_v(self, state: State, current_a: float) -> float:
        """Return the voltage at the terminals."""
        return self.curve.volts(state.soc) + state.rc_v + current_a * self.r0_ohm

    def holding_current_a(self, state: State, voltage_v: float) -> float:
        """Return the current that flows when the terminals are held at a voltage."""
        return (voltage_v - self.curve.volts(state.soc) - state.rc_v) / self.r0_ohm

    def carried(self, state: State, current_a: float, for_s: float) -> State:
        """Return the state after a constant current."""
        return self.flowed(state, current_a, for_s)[0]

    def heat_j(self, state: State, current_a: float, for_s: float) -> float:
        """Return the heat of both resistors under a constant current."""
        return self.flowed(state, current_a, for_s)[1]

    def flowed(
        self, state: State, current_a: float, for_s: float
    ) -> tuple[State, float]:
        """Return the state after a constant current, and the heat of both resistors."""
        tau = self.r1_ohm * self.c1_f
        settled = current_a * self.r1_ohm
        start = state.rc_v - settled
        left = exp(-for_s / tau)
        moved = current_a * for_s / (_SECONDS_AN_HOUR * self.capacity_ah)
        squared = (
            settled * settled * for_s
            + 2 * settled * start * tau * (1 - left)
            + start * start * tau / 2 * (1 - left * left)
        )
        heat_j = current_a * current_a * self.r0_ohm * for_s + squared / self.r1_ohm
        return State(state.soc + moved, settled + start * left), heat_j

    def held(self, state: State, voltage_v: float, for_s: float) -> State:
        """Return the state after charging at a constant voltage.

        Exact: the linear system is solved piece by piece of the curve.
        """
        left_s = for_s
        while True:
            edge = self.curve.next_point(state.soc)
            after = self._held_in_piece(state, voltage_v, left_s)
            if after.soc <= edge:
                return after
            took_s = self._reaches(state, voltage_v, edge, left_s)
            state = State(edge, self._held_in_piece(state, voltage_v, took_s).rc_v)
            left_s -= took_s

    def _reaches(
        self, state: State, voltage_v: float, edge: float, within_s: float
    ) -> float:
        return first_time(
            lambda t: self._held_in_piece(state, voltage_v, t).soc >= edge, within_s
        )

    def _held_in_piece(self, state: State, voltage_v: float, for_s: float) -> State:
        # With w = V - OCV(s) the system is homogeneous: dw/dt = -k I and
        # du/dt = I / C1 - u / tau, where I = (w - u) / R0 and k is volts per coulomb.
        coulombs = _SECONDS_AN_HOUR * self.capacity_ah
        k = self.curve.slope(state.soc) / coulombs
        w, u = voltage_v - self.curve.volts(state.soc), state.rc_v
        g, tau = 1 / self.r0_ohm, self.r1_ohm * self.c1_f
        a11, a12 = -k * g, k * g
        a21, a22 = g / self.c1_f, -g / self.c1_f - 1 / tau
        mean, spread = (a11 + a22) / 2, (a11 - a22) / 2
        root = sqrt(spread * spread + a12 * a21)
        fast = exp((mean - root) * for_s)
        # The slow eigenvalue as determinant over the fast one: no cancellation.
        slow = exp(k * g / tau / (mean - root) * for_s)
        even, odd = (slow + fast) / 2, (slow - fast) / (2 * root)
        w_after = even * w + odd * ((a11 - mean) * w + a12 * u)
        u_after = even * u + odd * (a21 * w + (a22 - mean) * u)
        return State(state.soc + (w - w_after) / (k * coulombs), u_after)

    def stored_j(self, state: State) -> float:
        """Return the energy in the cell, counted from empty and at rest."""
        open_circuit = _SECONDS_AN_HOUR * self.capacity_ah * self.curve.area(state.soc)
        return open_circuit + self.c1_f * state.rc_v * state.rc_v / 2
