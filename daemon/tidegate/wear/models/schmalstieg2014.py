"""Schmalstieg, Käbitz, Ecker, Sauer 2014: an NMC 18650 with a depth and voltage term.

Paper: "A holistic aging model for Li(NiMnCo)O2 based 18650 lithium-ion batteries",
J. Power Sources 257, 325-334, DOI 10.1016/j.jpowsour.2014.02.012 (paper not read).
Cell: Sanyo UR18650E, NMC111 on graphite, 2.15 Ah.

    loss  = alpha * t**0.75 + beta * sqrt(Q)      t in days, Q in Ah, both ways summed
    alpha = (7.543 V - 23.75) * 1e6 * exp(-6976 / T)                V at rest, T in K
    beta  = 7.348e-3 * (Vrms - 3.667)**2 + 7.6e-4 + 4.081e-3 * depth

Source of every constant, and of the voltage over the charge: as coded in blast-lite
1.1.1 (``nmc111_gr_Sanyo2Ah_2014``); simses 1.3.12 (``nmc_sanyo_ur18650e``) codes the
same seven. They differ in the voltage of a cycle (blast-lite its root mean square,
taken here; simses the mean of its two ends), in the throughput (here that of the
rated 2.15 Ah; simses counts half of it, with the faded capacity; blast-lite lets
cycles shrink with the capacity), and in a floor of 3.149 V in simses, under which
alpha would be negative: the table ends at 3.331 V.

Tested (docstring of that file): storage over the charge at 50 °C and over the
temperature at 50 % (35 to 50 °C, from memory); cycles at 35 °C and 1 C over depth and
mean. Its ``experimental_range`` declares 20 to 40 °C for cycling, where nothing was
cycled, and is not taken. The cycle term knows neither temperature nor rate, and the
knee at deep cycles is not in it. Longest test: not known here; the README of
blast-lite says 1 to 3 years of all its data.
"""

from __future__ import annotations

from functools import lru_cache
from math import exp, sqrt
from typing import Final

from tidegate.wear.duty import DAY_S
from tidegate.wear.model import KELVIN, Model, State
from tidegate.wear.ocv import SANYO_UR18650E
from tidegate.wear.tested import Tested

CAPACITY_AH: Final = 2.15
_POWER: Final = 0.75


class Schmalstieg2014(Model):
    """See the module."""

    name = "schmalstieg2014"
    cell = "Sanyo UR18650E, NMC111/graphite, 2.15 Ah"
    chemistry = "nmc"
    paper = "Schmalstieg et al. 2014, J. Power Sources 257, 325-334"
    doi = "10.1016/j.jpowsour.2014.02.012"
    tested = Tested(
        resting_c=(35, 50),
        cycling_c=(35, 35),
        soc_percent=(0, 100),
        depth_percent=(0, 100),
        rate_per_h=(1, 1),
        days=3 * 365,
    )

    def resting_pace(self, soc_percent: float, temperature_c: float) -> float:
        return _resting(soc_percent, temperature_c)

    def cycling_pace(
        self, depth_percent: float, *, mean_percent: float, rate_per_h: float
    ) -> float:
        del rate_per_h
        return _cycling(depth_percent, mean_percent)

    def loss(self, state: State) -> float:
        lost: float = state.calendar**_POWER + sqrt(state.cycling)
        return min(1.0, lost)


@lru_cache(maxsize=16_384)
def _resting(soc_percent: float, temperature_c: float) -> float:
    volts = SANYO_UR18650E.at(soc_percent)
    alpha = (7.543 * volts - 23.75) * 1e6 * exp(-6976 / (temperature_c + KELVIN))
    per_day: float = alpha ** (1 / _POWER)
    return per_day / DAY_S


@lru_cache(maxsize=16_384)
def _cycling(depth_percent: float, mean_percent: float) -> float:
    half = depth_percent / 2
    volts = SANYO_UR18650E.rms(mean_percent - half, mean_percent + half)
    depth = depth_percent / 100
    beta = 7.348e-3 * (volts - 3.667) ** 2 + 7.6e-4 + 4.081e-3 * depth
    return beta**2 * 2 * CAPACITY_AH * depth
