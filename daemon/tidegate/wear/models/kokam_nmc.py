"""A 75 Ah NMC pouch of Kokam, as fitted at NREL: the cell nearest in its format.

Paper: Smith, Saxon, Keyser, Lundstrom, Cao, Roc 2017, "Life prediction model for
grid-connected Li-ion battery energy storage system", American Control Conference,
DOI 10.23919/ACC.2017.7963578 (paper not read; its own equations differ, what is here
is NREL's later fit). Cell: Kokam 75 Ah pouch, NMC on graphite, the ratio of the
metals not certain.

    loss = max(lithium, material - 0.01), where
    lithium  = q1 * t**0.357 + q3 * EFC**0.778                             t in days
    q1 = 2.66e7 * exp(-17.8 / th) * exp(-5.21 * (Ua / 0.123) / th)     th = T/308.15 K
    q3 = 3800 * exp(-18.4 / th) * exp(1.04 * exp(depth**2))
    material = 1 - 2 / (1 + exp(x**10)),  x = sum(dEFC / q5)
    q5 = 1e4 + 153 * (T - 328.15 K) * depth * (mean / 0.6)

with Ua the potential of the anode. Source of every constant: as coded in blast-lite
1.1.1 (``nmc111_gr_Kokam75Ah_2017``), which is where the competition of lithium and
active material is from; it starts the material at 1e-8 instead of nothing, which its
stepping needs. q5 is kept at 1 at least, where the fit would fall under it (below
-20 °C). Its resistance is not used.

Tested (docstring and ``experimental_range`` of that file): storage and cycles at 0 to
55 °C, 0 to 45 °C declared for cycling; nearly all cycles 80 % deep, one test 100 %;
1 C, and C/3 for charging at 0 °C. The model knows no rate. Longest test: not known
here; the README of blast-lite says 1 to 3 years of all its data.
"""

from __future__ import annotations

from functools import lru_cache
from math import exp, fsum, tanh
from typing import Final

from tidegate.wear.duty import DAY_S, Duty
from tidegate.wear.model import KELVIN, Model, State
from tidegate.wear.ocv import anode_potential_v
from tidegate.wear.tested import Tested

_REFERENCE_K: Final = KELVIN + 35
_TIME_POWER: Final = 0.357
_CYCLE_POWER: Final = 0.778
_MATERIAL_POWER: Final = 10
_MATERIAL_SPARE: Final = 0.01


class KokamNmc(Model):
    """See the module."""

    name = "kokam_nmc"
    cell = "Kokam pouch, NMC/graphite, 75 Ah"
    chemistry = "nmc"
    paper = "Smith et al. 2017, American Control Conference"
    doi = "10.23919/ACC.2017.7963578"
    tested = Tested(
        resting_c=(0, 55),
        cycling_c=(0, 45),
        soc_percent=(0, 100),
        depth_percent=(80, 100),
        rate_per_h=(0.33, 1),
        days=3 * 365,
    )

    def resting_pace(self, soc_percent: float, temperature_c: float) -> float:
        return _resting(soc_percent, temperature_c)

    def cycling_pace(
        self, depth_percent: float, *, mean_percent: float, rate_per_h: float
    ) -> float:
        del mean_percent, rate_per_h
        return _cycling(depth_percent)

    def cycling_heat(self, temperature_c: float) -> float:
        warmth = (temperature_c + KELVIN) / _REFERENCE_K
        return exp(-18.4 / warmth / _CYCLE_POWER)

    def material_grown(self, duty: Duty) -> float:
        return fsum(
            share * count * depth / 100 / _cycles_of_material(depth * mean, celsius)
            for celsius, share in duty.shares_by_heat.items()
            for (depth, mean), count in duty.cycles.items()
        )

    def loss(self, state: State) -> float:
        lithium: float = state.calendar**_TIME_POWER + state.cycling**_CYCLE_POWER
        material = tanh(state.material**_MATERIAL_POWER / 2)
        return min(1.0, max(lithium, material - _MATERIAL_SPARE))


@lru_cache(maxsize=16_384)
def _resting(soc_percent: float, temperature_c: float) -> float:
    warmth = (temperature_c + KELVIN) / _REFERENCE_K
    anode = anode_potential_v(soc_percent) / 0.123
    factor = 2.66e7 * exp((-17.8 - 5.21 * anode) / warmth)
    per_day: float = factor ** (1 / _TIME_POWER)
    return per_day / DAY_S


@lru_cache(maxsize=4096)
def _cycling(depth_percent: float) -> float:
    depth = depth_percent / 100
    factor: float = (3800 * exp(1.04 * exp(depth**2))) ** (1 / _CYCLE_POWER)
    return factor * depth


def _cycles_of_material(depth_by_mean: float, temperature_c: float) -> float:
    """Return q5; the depth and the mean are in percent, and multiplied."""
    return max(1.0, 1e4 + 153 * (temperature_c - 55) * depth_by_mean / 1e4 / 0.6)
