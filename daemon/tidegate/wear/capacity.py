"""Capacity from wide swings: the slope of charge over SoC by total least squares.

Both the swing of SoC (x) and the charge that moved it (y) are noisy. Plain least
squares lays all noise on the charge and comes out low; the fit here minimises
``sum (y - Q*x)**2 / (sigma_y**2 + Q**2 * sigma_x**2)``: Plett, "Recursive approximate
weighted total least squares estimation of battery cell total capacity", J. Power
Sources 196 (2011) 2319-2331, DOI 10.1016/j.jpowsour.2010.09.048. With one ratio
k = sigma_x/sigma_y for all swings it has a closed form in three running sums (derived
anew; it agrees with scipy's orthogonal distance regression).

What no fit can mend: a gauge that computes its SoC as charge over full charge gives
back its own idea of the full charge, and the steps of a gauge stand at the same codes
in every swing, so their error does not average out.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, sqrt
from typing import Final, Self

# Narrower swings do not count. With whole percents the error of a swing's SoC is 4 %
# of a window of 10 points and 1.4 % of 30. A choice of ours; common practice.
NARROWEST_PERCENT: Final = 30.0


def quantisation_sigma(step: float) -> float:
    """Return the standard deviation of rounding to steps: step/√12 (uniform error)."""
    return step / sqrt(12)


def difference_sigma(step: float) -> float:
    """Return that of the difference of two rounded values: 0.408 for whole numbers."""
    return sqrt(2) * quantisation_sigma(step)


@dataclass(frozen=True, slots=True)
class Fit:
    """A slope, its standard deviation, and chi square over the degrees of freedom.

    ``misfit`` is about 1 where the noise is what it was said to be; 0 for one pair.
    """

    slope: float
    sigma: float
    misfit: float


@dataclass(frozen=True, slots=True)
class Sums:
    """Running sums of x², xy and y² over pairs; ``weight`` is their number, faded."""

    xx: float = 0.0
    xy: float = 0.0
    yy: float = 0.0
    weight: float = 0.0

    def plus(self, x: float, y: float, *, fading: float = 1.0) -> Self:
        """Return them with one pair more, all before it weighing ``fading`` as much."""
        return type(self)(
            xx=fading * self.xx + x * x,
            xy=fading * self.xy + x * y,
            yy=fading * self.yy + y * y,
            weight=fading * self.weight + 1,
        )

    def fitted(self, *, sigma_x: float, sigma_y: float) -> Fit | None:
        """Return the fit of y = slope*x; ``None`` without a slope above 0.

        Both sigmas are above 0. ``sigma`` follows from the curvature of chi square:
        √(2/χ²''), at the minimum √((σy² + Q²σx²)/(Σx² - χ²σx²)).
        """
        if self.xy <= 0:
            return None
        ratio2 = (sigma_x / sigma_y) ** 2
        lean = self.xx - ratio2 * self.yy
        root = sqrt(lean * lean + 4 * ratio2 * self.xy**2)
        # The same root of the quadratic twice, the one without a difference of likes.
        if lean > 0:
            slope = 2 * self.xy / (root + lean)
        else:
            slope = (root - lean) / (2 * ratio2 * self.xy)
        noise = sigma_y**2 + (slope * sigma_x) ** 2
        residue = self.yy - 2 * slope * self.xy + slope**2 * self.xx
        chi2 = max(0.0, residue) / noise
        curved = self.xx - chi2 * sigma_x**2
        sigma = sqrt(noise / curved) if curved > 0 else inf
        free = self.weight - 1
        return Fit(slope, sigma, chi2 / free if free > 0 else 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Capacity:
    """A measured capacity, or a sentence why there is none (else empty).

    ``swings`` are those it rests on.
    """

    ah: float | None
    sigma_ah: float | None
    swings: int
    why_not: str


class Swings:
    """Takes swings as they come, in bounded memory.

    ``soc_sigma_percent`` and ``charge_sigma_ah`` are the standard deviations of one
    swing's two differences, both above 0 (``difference_sigma`` for a gauge's steps).
    A swing may have a larger one of its SoC; the largest is then taken for all.
    ``fading`` below 1 lets older swings weigh less by that factor for each newer one.
    """

    def __init__(
        self,
        *,
        soc_sigma_percent: float,
        charge_sigma_ah: float,
        fading: float = 1.0,
    ) -> None:
        if soc_sigma_percent <= 0 or charge_sigma_ah <= 0 or not 0 < fading <= 1:
            raise ValueError("sigmas must be above 0, fading above 0 and at most 1")
        self._sigma_x = soc_sigma_percent / 100
        self._sigma_y = charge_sigma_ah
        self._fading = fading
        self._sums = Sums()
        self._widest = 0.0
        self._swings = self._echoes = self._contradictions = 0

    def add(
        self, *, soc_percent: float, charge_ah: float, soc_sigma_percent: float = 0.0
    ) -> None:
        """Take a swing: how much SoC and charge changed, up positive for both.

        One narrower than 30 points is only counted (a gauge's echo), and so is one
        whose charge stood still or went the other way.
        """
        if abs(soc_percent) < NARROWEST_PERCENT:
            self._echoes += 1
        elif soc_percent * charge_ah <= 0:
            self._contradictions += 1
        else:
            x = soc_percent / 100
            self._sums = self._sums.plus(x, charge_ah, fading=self._fading)
            self._widest = max(self._widest, abs(x))
            self._sigma_x = max(self._sigma_x, soc_sigma_percent / 100)
            self._swings += 1

    def measured(self) -> Capacity:
        """Return the capacity by now.

        Its sigma is widened where the swings scatter more than their noise allows
        (by √misfit: Birge, Phys. Rev. 40 (1932) 207, from memory), and it never falls
        below what the SoC's own error makes of the widest swing, since repeating a
        swing between the same codes repeats that error.
        """
        fit = self._sums.fitted(sigma_x=self._sigma_x, sigma_y=self._sigma_y)
        if fit is None:
            return self._none(self._why_not())
        scattered = fit.sigma * sqrt(max(1.0, fit.misfit))
        sigma = max(scattered, fit.slope * self._sigma_x / self._widest)
        if sigma >= fit.slope:
            return self._none("The noise is as large as the capacity itself.")
        return Capacity(ah=fit.slope, sigma_ah=sigma, swings=self._swings, why_not="")

    def _none(self, why_not: str) -> Capacity:
        return Capacity(ah=None, sigma_ah=None, swings=self._swings, why_not=why_not)

    def _why_not(self) -> str:
        if self._contradictions:
            return (
                f"In {self._contradictions} wide swings the charge did not follow "
                "the SoC: the sign of the current or of the counter is wrong."
            )
        if self._echoes:
            return (
                f"No swing was {NARROWEST_PERCENT:g} points wide; {self._echoes} "
                "narrower ones only echo what the gauge believes."
            )
        return "There was no swing with both its SoC and its charge."
