"""What a cable costs in voltage, and how warm a current makes it.

Sources: ASTM B258 for diameters by gauge; the annealed copper standard (IEC 60028)
for 0.017241 Ω mm²/m at 20 °C and 0.00393 /K; IEC 60228, class 5, for metric sizes.
The constants are from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

REFERENCE_C: Final = 20.0
RHO_OHM_MM2_PER_M: Final = 0.017241
ALPHA_PER_K: Final = 0.00393
# A stranded wire has up to 10 % more than the solid one of its gauge (common
# practice, no source).
STRANDING: Final = 0.10
AWG_RANGE: Final = (10, 36)
# IEC 60228 class 5, plain copper, the most in Ω/km at 20 °C, from memory; under
# 0.5 mm² after DIN VDE 0295, seen in secondary sources only.
CLASS_5: Final = {
    0.14: 138.0,
    0.25: 79.0,
    0.34: 57.0,
    0.5: 39.0,
    0.75: 26.0,
    1.0: 19.5,
    1.5: 13.3,
    2.5: 7.98,
    4.0: 4.95,
    6.0: 3.30,
}
# The longest USB 2.0 cable of a gauge, in m (seen in secondary sources only).
USB_2_LONGEST_M: Final = {20: 5.00, 22: 3.33, 24: 2.08, 26: 1.31, 28: 0.81}
# How a thin wire in still air gives its heat away: 10 W/(m² K) over the surface of an
# insulation 0.25 mm thick, up to 60 °C of plain PVC (from memory). A pair in a round
# sheath, twice as wide as one of them, comes to the same.
SURFACE_W_PER_M2_K: Final = 10.0
INSULATION_MM: Final = 0.25
MOST_C: Final = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Wire:
    """One conductor. ``ohm_per_km`` is at 20 °C, as a solid or a listed one;
    ``allowance`` is what stranding adds to that.
    """

    name: str
    area_mm2: float
    ohm_per_km: float
    allowance: float
    source: str
    gauge: int | None = None

    def stranded(self, allowance: float) -> Wire:
        """Return it with another allowance."""
        return replace(self, allowance=allowance)

    def ohm_per_m(self, celsius: float) -> float:
        """Return the resistance of a metre at a temperature of the copper."""
        nominal = self.ohm_per_km / 1000 * (1 + self.allowance)
        return nominal * (1 + ALPHA_PER_K * (celsius - REFERENCE_C))

    def pair_ohm(self, length_m: float, celsius: float) -> float:
        """Return the resistance of there and back, over a length one way."""
        return 2 * length_m * self.ohm_per_m(celsius)

    @property
    def least_ohm_per_m(self) -> float:
        """What it surely has: solid copper of its area at 20 °C. A listed resistance is
        the most that is allowed, so a wire may have less.
        """
        return min(self.ohm_per_km / 1000, RHO_OHM_MM2_PER_M / self.area_mm2)

    @property
    def gives_w_per_m_k(self) -> float:
        """How much heat a metre gives away for each K above the air."""
        across_mm = math.sqrt(4 * self.area_mm2 / math.pi) + 2 * INSULATION_MM
        return SURFACE_W_PER_M2_K * math.pi * across_mm / 1000

    def settled_c(self, current_a: float, ambient_c: float) -> float:
        """Return the temperature at which heat made and heat given away are equal.

        Infinite where a warmer wire makes more heat than it gives away.
        """
        slope = current_a**2 * self.ohm_per_m(REFERENCE_C) * ALPHA_PER_K
        if slope >= self.gives_w_per_m_k:
            return math.inf
        made_w_per_m = current_a**2 * self.ohm_per_m(ambient_c)
        return ambient_c + made_w_per_m / (self.gives_w_per_m_k - slope)

    def most_a(self, ambient_c: float) -> float:
        """Return the current that warms it to 60 °C; 0 in air as warm as that."""
        room_k = max(MOST_C - ambient_c, 0.0)
        return math.sqrt(self.gives_w_per_m_k * room_k / self.ohm_per_m(MOST_C))


def diameter_mm(gauge: int) -> float:
    """Return the diameter of an American wire gauge. Source: ASTM B258."""
    return float(0.127 * 92 ** ((36 - gauge) / 39))


def of_gauge(gauge: int) -> Wire:
    """Return the wire of a gauge, stranded."""
    area_mm2 = math.pi / 4 * diameter_mm(gauge) ** 2
    return Wire(
        name=f"{gauge} AWG",
        area_mm2=area_mm2,
        ohm_per_km=1000 * RHO_OHM_MM2_PER_M / area_mm2,
        allowance=STRANDING,
        source="ASTM B258 and the annealed copper standard (constants from memory); "
        "stranding: common practice, no source",
        gauge=gauge,
    )


def of_area(area_mm2: float) -> Wire:
    """Return a metric wire of the table; a limit of that includes its strands."""
    if area_mm2 >= 0.5:
        source = "IEC 60228 class 5 (from memory)"
    else:
        source = "DIN VDE 0295 (seen in secondary sources only)"
    return Wire(
        name=f"{area_mm2:g} mm²",
        area_mm2=area_mm2,
        ohm_per_km=CLASS_5[area_mm2],
        allowance=0.0,
        source=source,
    )


def thicker(wire: Wire) -> list[Wire]:
    """Return the thicker ones of the same kind, the next one first."""
    if wire.gauge is None:
        return [of_area(area) for area in CLASS_5 if area > wire.area_mm2]
    gauges = range(wire.gauge - 1, AWG_RANGE[0] - 1, -1)
    return [of_gauge(gauge).stranded(wire.allowance) for gauge in gauges]
