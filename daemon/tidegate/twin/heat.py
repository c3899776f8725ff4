"""A lumped battery temperature: C dT/dt = P - (T - T_around) / R, solved exactly."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp


@dataclass(frozen=True, slots=True, kw_only=True)
class Heat:
    """How the battery warms and cools.

    ``load_share``: the part of the device's own power that ends up in the battery's
    place. The defaults are engineering choices, no source.
    """

    resistance_k_per_w: float = 4.0
    capacity_j_per_k: float = 200.0
    load_share: float = 0.5

    def after(
        self, temperature_c: float, around_c: float, power_w: float, for_s: float
    ) -> float:
        """Return the temperature after a constant power in constant surroundings."""
        settled = around_c + power_w * self.resistance_k_per_w
        time_constant_s = self.resistance_k_per_w * self.capacity_j_per_k
        return settled + (temperature_c - settled) * exp(-for_s / time_constant_s)
