"""NCA on graphite: storage tests by Keil 2016, cycling tests by Preger 2020, one fit.

Papers: Keil et al. 2016, J. Electrochem. Soc. 163(9) A1872-A1880, DOI
10.1149/2.0411609jes (storage); Preger et al. 2020, DOI 10.1149/1945-7111/abae37
(cycling); neither read. Cell: Panasonic NCR18650B, 3.2 Ah. The fit over both is that
of blast-lite: nobody tested the two on the same cells.

    loss  = k_cal * t**0.512 + k_cyc * EFC**0.699                          t in days
    k_cal = 75.4 * exp(-3340 / T) * exp(353 * soc / T)               T in K, soc 0..1
    k_cyc = 2 * (1.86e-6 + 1.77e-4 * depth)

Source of every constant: as coded in blast-lite 1.1.1 (``nca_gr_Panasonic3Ah_2018``).
Its k_cyc has also 4.74e-11 times the C-rate and, for the 2, exp(3.34e-11 / T) +
exp(-2.81e-9 / T): at any rate and heat of use these change k_cyc by less than a part
in 10 000, and are left out. So the cycle term knows neither temperature nor rate.

Another group's fit to the same storage data (simses 1.3.12, ``nca_panasonicNCR``)
leaves 94.8 % after a year at 100 % and 25 °C, this one 93.1 %: what two honest fits
differ by.

Tested (docstring and ``experimental_range`` of that file): storage at 25, 40 and
50 °C, 300 days at most; cycles at 15 to 35 °C, 80 to 100 % deep, up to 0.5 C in and
2 C out (as the range declares; the docstring says 25, 35 and 45 °C instead). That the
depth counts linearly is an assumption of the fit.
"""

from __future__ import annotations

from functools import lru_cache
from math import exp
from typing import Final

from tidegate.wear.duty import DAY_S
from tidegate.wear.model import KELVIN, Model, State
from tidegate.wear.tested import Tested

_TIME_POWER: Final = 0.512
_CYCLE_POWER: Final = 0.699


class NcaKeilPreger(Model):
    """See the module."""

    name = "nca_keil_preger"
    cell = "Panasonic NCR18650B, NCA/graphite, 3.2 Ah"
    chemistry = "nca"
    paper = "Keil et al. 2016 and Preger et al. 2020, J. Electrochem. Soc."
    doi = "10.1149/2.0411609jes, 10.1149/1945-7111/abae37"
    tested = Tested(
        resting_c=(25, 50),
        cycling_c=(15, 35),
        soc_percent=(0, 100),
        depth_percent=(80, 100),
        rate_per_h=(0.5, 2),
        days=300,
    )

    def resting_pace(self, soc_percent: float, temperature_c: float) -> float:
        return _resting(soc_percent, temperature_c)

    def cycling_pace(
        self, depth_percent: float, *, mean_percent: float, rate_per_h: float
    ) -> float:
        del mean_percent, rate_per_h
        return _cycling(depth_percent)

    def loss(self, state: State) -> float:
        lost: float = state.calendar**_TIME_POWER + state.cycling**_CYCLE_POWER
        return min(1.0, lost)


@lru_cache(maxsize=16_384)
def _resting(soc_percent: float, temperature_c: float) -> float:
    kelvin = temperature_c + KELVIN
    factor = 75.4 * exp((-3340 + 353 * soc_percent / 100) / kelvin)
    per_day: float = factor ** (1 / _TIME_POWER)
    return per_day / DAY_S


@lru_cache(maxsize=4096)
def _cycling(depth_percent: float) -> float:
    depth = depth_percent / 100
    factor: float = (2 * (1.86e-6 + 1.77e-4 * depth)) ** (1 / _CYCLE_POWER)
    return factor * depth
