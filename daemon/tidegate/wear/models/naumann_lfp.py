"""Naumann et al. 2018 and 2020: LFP on graphite, for batteries declared as LFP.

Papers: Naumann, Schimpe, Keil, Hesse, Jossen 2018, "Analysis and modeling of calendar
aging of a commercial LiFePO4/graphite cell", J. Energy Storage 17, 153-169, DOI
10.1016/j.est.2018.01.019; Naumann, Spingler, Jossen 2020, "... of cycle aging ...",
J. Power Sources 451, 227666, DOI 10.1016/j.jpowsour.2019.227666 (neither read but for
the abstract of the first). Cell: Sony US26650FTC1, 3 Ah.

    loss = k_cal * sqrt(t) + k_cyc * sqrt(EFC) / 100                      t in seconds
    k_cal = 1.2571e-5 * exp(-17126 / R * (1/T - 1/298.15))
            * (2.8575 * (soc - 0.5)**3 + 0.60225)
    k_cyc = (0.0630 * rate + 0.0971) * (4.0253 * (depth - 0.6)**3 + 1.0923)

Source of every constant: as coded in simses 1.3.12 (``lfp_sony``, the row "Naumann" of
CLFP_Sony_US26650_capacity_decrease_param.csv, BSD-3-Clause). The same file holds a
refit and bootstraps with quite other constants (17 126 J/mol against 18 839 to
36 155): so uncertain is the influence of heat. blast-lite 1.1.1 takes a fit of its own
for this cell, not this one. The cycle term knows no temperature. Resistance is left
out: simses and blast-lite disagree on a power of it.

Tested: 17 storage conditions over 885 days (abstract of the 2018 paper), 0 to 60 °C
(from memory); cycles 80 to 100 % deep at 20 to 40 °C as blast-lite 1.1.1 declares
for the data (``lfp_gr_SonyMurata3Ah_2018``, whose docstring says 25 and 45 °C and
several depths instead); 0.2 to 1 C (from memory).
"""

from __future__ import annotations

from functools import lru_cache
from math import exp, sqrt
from typing import Final

from tidegate.wear.model import GAS_CONSTANT, KELVIN, Model, State
from tidegate.wear.tested import Tested

_REFERENCE_K: Final = KELVIN + 25
_ACTIVATION_K: Final = 17_126 / GAS_CONSTANT


class NaumannLfp(Model):
    """See the module."""

    name = "naumann_lfp"
    cell = "Sony US26650FTC1, LFP/graphite, 3 Ah"
    chemistry = "lfp"
    paper = "Naumann et al. 2018, J. Energy Storage 17, and 2020, J. Power Sources 451"
    doi = "10.1016/j.est.2018.01.019, 10.1016/j.jpowsour.2019.227666"
    tested = Tested(
        resting_c=(0, 60),
        cycling_c=(20, 40),
        soc_percent=(0, 100),
        depth_percent=(80, 100),
        rate_per_h=(0.2, 1),
        days=885,
    )

    def resting_pace(self, soc_percent: float, temperature_c: float) -> float:
        return _resting(soc_percent, temperature_c)

    def cycling_pace(
        self, depth_percent: float, *, mean_percent: float, rate_per_h: float
    ) -> float:
        del mean_percent
        return _cycling(depth_percent, rate_per_h)

    def loss(self, state: State) -> float:
        return min(1.0, sqrt(state.calendar) + sqrt(state.cycling))


@lru_cache(maxsize=16_384)
def _resting(soc_percent: float, temperature_c: float) -> float:
    colder = 1 / (temperature_c + KELVIN) - 1 / _REFERENCE_K
    shape = 2.8575 * (soc_percent / 100 - 0.5) ** 3 + 0.60225
    return (1.2571e-5 * exp(-_ACTIVATION_K * colder) * shape) ** 2


@lru_cache(maxsize=4096)
def _cycling(depth_percent: float, rate_per_h: float) -> float:
    depth = depth_percent / 100
    shape = 4.0253 * (depth - 0.6) ** 3 + 1.0923
    percent = (0.0630 * rate_per_h + 0.0971) * shape
    return (percent / 100) ** 2 * depth
