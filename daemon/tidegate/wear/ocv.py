"""Open-circuit voltage over the state of charge, and the anode's own potential."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from functools import lru_cache
from itertools import pairwise
from math import exp, sqrt, tanh
from typing import Final


class Curve:
    """A voltage over the charge (0 to 100 %), linear between its points."""

    def __init__(self, shares: Sequence[float], volts: Sequence[float]) -> None:
        assert len(shares) == len(volts) >= 2
        self._shares = tuple(shares)
        self._volts = tuple(volts)
        # The integral of the squared voltage from the first point to each.
        self._squares = [0.0]
        for (low, high), (first, last) in zip(
            pairwise(shares), pairwise(volts), strict=True
        ):
            self._squares.append(self._squares[-1] + (high - low) * _mean(first, last))

    def at(self, soc_percent: float) -> float:
        """Return the voltage in V; beyond its ends the curve is level."""
        return self._find(soc_percent / 100)[1]

    def rms(self, low_percent: float, high_percent: float) -> float:
        """Return the root of the mean squared voltage of an even sweep, in V."""
        if high_percent <= low_percent:
            return self.at(low_percent)
        low, high = low_percent / 100, high_percent / 100
        return sqrt((self._integral(high) - self._integral(low)) / (high - low))

    def _integral(self, share: float) -> float:
        index, volts = self._find(share)
        width = min(max(share, self._shares[0]), self._shares[-1]) - self._shares[index]
        return self._squares[index] + width * _mean(self._volts[index], volts)

    def _find(self, share: float) -> tuple[int, float]:
        index = min(max(bisect_right(self._shares, share) - 1, 0), len(self._volts) - 2)
        low, high = self._shares[index], self._shares[index + 1]
        first, last = self._volts[index], self._volts[index + 1]
        way = min(max((share - low) / (high - low), 0.0), 1.0)
        return index, first + way * (last - first)


def _mean(first: float, last: float) -> float:
    """Return the mean of the square over a straight line."""
    return (first * first + first * last + last * last) / 3


@lru_cache(maxsize=4096)
def anode_potential_v(soc_percent: float) -> float:
    """Return the potential of a graphite anode against lithium, in V.

    Source: Safari and Delacourt 2011, J. Electrochem. Soc. 158(5) A562, DOI
    10.1149/1.3567007 (paper not read), as coded in blast-lite 1.1.1
    (``degradation_model._get_Ua``), with that code's lithiation of 0.0085 to 0.78.
    """
    filled = 8.5e-3 + soc_percent / 100 * (0.78 - 8.5e-3)
    return (
        0.6379
        + 0.5416 * exp(-305.5309 * filled)
        + 0.044 * tanh(-(filled - 0.1958) / 0.1088)
        - 0.1978 * tanh((filled - 1.0571) / 0.0854)
        - 0.6875 * tanh((filled + 0.0117) / 0.0529)
        - 0.0175 * tanh((filled - 0.5692) / 0.0875)
    )


def _numbers(text: str) -> tuple[float, ...]:
    return tuple(float(each) for each in text.split())


# Sanyo UR18650E. Source: re-typed from blast-lite 1.1.1 (nmc111_gr_Sanyo2Ah_2014.py,
# copyright 2023 Alliance for Energy Innovation, LLC; BSD-3-Clause text in its wheel),
# which took 0 and 10 % from Ecker 2014 (DOI 10.1016/j.jpowsour.2013.09.143) and read
# the rest off figure 1 of Schmalstieg 2014.
_SHARES: Final = """
    0 0.008637153 0.026779514 0.044921875 0.063064236 0.081206597 0.099348958
    0.117491319 0.135633681 0.153776042 0.171918403 0.190060764 0.208203125
    0.226345486 0.244487847 0.262630208 0.280772569 0.298914931 0.317057292
    0.335199653 0.353342014 0.371484375 0.389626736 0.407769097 0.425911458
    0.444053819 0.462196181 0.480338542 0.498480903 0.516623264 0.534765625
    0.552907986 0.571050347 0.589192708 0.607335069 0.625477431 0.643619792
    0.661762153 0.679904514 0.698046875 0.716189236 0.734331597 0.752473958
    0.770616319 0.788758681 0.806901042 0.825043403 0.843185764 0.861328125
    0.879470486 0.897612847 0.915755208 0.933897569 0.952039931 0.970182292
    0.988324653 0.998220486 1
"""
_VOLTS: Final = """
    3.331 3.345014187 3.37917149 3.411603677 3.440585632 3.466289865
    3.490268982 3.511315401 3.529946658 3.547197821 3.561688798 3.574972194
    3.586357962 3.597053683 3.605506753 3.613442288 3.620342753 3.626380661
    3.632073544 3.63690387 3.642079219 3.646909545 3.652084894 3.657605266
    3.663470662 3.670198615 3.677444104 3.686759732 3.696420384 3.708323686
    3.720572012 3.734372943 3.749553967 3.765252525 3.781123596 3.797857224
    3.814590852 3.832532062 3.849783226 3.866861877 3.884458064 3.900846669
    3.917752809 3.934831461 3.953462717 3.971921462 3.991415276 4.011771649
    4.03195551 4.05196686 4.070770628 4.087849279 4.104237884 4.120108955
    4.135980025 4.152541142 4.160649189 4.162
"""
SANYO_UR18650E: Final = Curve(_numbers(_SHARES), _numbers(_VOLTS))
