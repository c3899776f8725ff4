"""Xu, Oudalov, Ulbig, Andersson, Kirschen 2016: fatigue per cycle, LMO.

Paper: "Modeling of lithium-ion battery degradation for cell life assessment", IEEE
Trans. Smart Grid, DOI 10.1109/TSG.2016.2578950 (paper not read). Cell: LMO, more is
not known here.

    loss = 1 - a * exp(-b * f) - (1 - a) * exp(-f)            a = 5.75e-2, b = 121
    f    = 4.14e-10 * seconds * S_soc * S_heat + sum(count * S_depth * S_mean * S_heat)
    S_soc   = exp(1.04 * (soc - 0.5)), at rest and for the mean of a cycle
    S_heat  = exp(0.0693 * (T - 298.15) * 298.15 / T)                          T in K
    S_depth = 1 / (1.40e5 * depth**-0.501 - 1.23e5)

Source of every constant: at least five unrelated public codes that implement the
paper agree on them. One has a = 5.57e-2, two digits swapped; one divides °C by °C in
S_heat where the ratio needs kelvin; some put S_depth = 1.0487e-4 * depth**2.03 for
NMC. None of these is taken. The exponents of time and of cycles are 1, and a loss of
a few percent right after new (the a) grows with everything.

Tested: not known here. It knows no rate.
"""

from __future__ import annotations

from functools import lru_cache
from math import exp
from typing import Final

from tidegate.wear.model import KELVIN, Model, State

_REFERENCE_K: Final = KELVIN + 25
_EARLY_SHARE: Final = 5.75e-2
_EARLY_PACE: Final = 121.0


class Xu2016(Model):
    """See the module."""

    name = "xu2016"
    cell = "LMO cell"
    chemistry = "lmo"
    paper = "Xu et al. 2016, IEEE Trans. Smart Grid"
    doi = "10.1109/TSG.2016.2578950"
    tested = None

    def resting_pace(self, soc_percent: float, temperature_c: float) -> float:
        return _resting(soc_percent, temperature_c)

    def cycling_pace(
        self, depth_percent: float, *, mean_percent: float, rate_per_h: float
    ) -> float:
        del rate_per_h
        return _cycling(depth_percent, mean_percent)

    def cycling_heat(self, temperature_c: float) -> float:
        return _heat(temperature_c)

    def loss(self, state: State) -> float:
        worn = state.calendar + state.cycling
        early = _EARLY_SHARE * exp(-_EARLY_PACE * worn)
        return 1 - early - (1 - _EARLY_SHARE) * exp(-worn)


@lru_cache(maxsize=16_384)
def _resting(soc_percent: float, temperature_c: float) -> float:
    return 4.14e-10 * _charge(soc_percent) * _heat(temperature_c)


@lru_cache(maxsize=16_384)
def _cycling(depth_percent: float, mean_percent: float) -> float:
    if depth_percent <= 0:
        return 0.0
    cycles: float = 1.40e5 * (depth_percent / 100) ** -0.501 - 1.23e5
    return _charge(mean_percent) / cycles


def _charge(soc_percent: float) -> float:
    return exp(1.04 * (soc_percent / 100 - 0.5))


def _heat(temperature_c: float) -> float:
    kelvin = temperature_c + KELVIN
    return exp(0.0693 * (kelvin - _REFERENCE_K) * _REFERENCE_K / kelvin)
