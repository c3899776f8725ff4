"""The device's own charger: constant current, then constant voltage, in bands of heat.

Device and battery share one supply: the load comes first, the battery gets the rest.
Source of the temperature bands: the JEITA/BAJ guide of 2007 as charger chips implement
it, TI BQ25882 data sheet, register 08h: nothing under 0 or over 60 °C, 20 % of the
current from 0 to 10 °C, 4.0 V per cell from 45 to 60 °C.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final, NamedTuple

from tidegate.twin.cell import Cell, State, first_time

COLD_C: Final = 0.0
COOL_C: Final = 10.0
WARM_C: Final = 45.0
HOT_C: Final = 60.0
COOL_SHARE: Final = 0.2
WARM_V: Final = 4.0


class Band(StrEnum):
    """What the charger does at a battery temperature."""

    TOO_COLD = "too_cold"
    COOL = "cool"
    NORMAL = "normal"
    WARM = "warm"
    TOO_HOT = "too_hot"


_NORMAL: Final = Band.NORMAL


def band(temperature_c: float) -> Band:
    """Return the band; 0 and 10 °C begin theirs, 45 and 60 °C are warm."""
    if temperature_c < COLD_C:
        return Band.TOO_COLD
    if temperature_c < COOL_C:
        return Band.COOL
    if temperature_c < WARM_C:
        return _NORMAL
    return Band.WARM if temperature_c <= HOT_C else Band.TOO_HOT


class Offer(NamedTuple):
    """What the charger would give: at most this current, up to this voltage."""

    current_a: float
    voltage_v: float


class Stretch(NamedTuple):
    """A piece of a charge: the state after it, how long it took, the heat of it.

    ``ended``: the current fell to the end current, so the charger stops.
    """

    state: State
    took_s: float
    heat_j: float
    ended: bool


# Where constant current turns to constant voltage both are the same but for rounding, and
# what is left of the former is a stretch of no length, again and again.
_SAME_A = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Charger:
    """The constants of a charger. ``supply_a``: what supply, cable and input allow.

    A charge that ended begins again once the battery at rest is ``again_below_v``
    under the voltage of its band, or when the supply returns.
    """

    charge_a: float = 2.0
    full_v: float = 4.2
    end_a: float = 0.2
    supply_a: float = 3.0
    again_below_v: float = 0.1

    def __post_init__(self) -> None:
        assert self.end_a > 0, "a charge at constant voltage must end"

    def offer(self, temperature_c: float, spare_a: float) -> Offer | None:
        """Return what the battery may get of the spare current, ``None`` if nothing."""
        if spare_a <= 0:
            return None
        now = band(temperature_c)
        if now is _NORMAL:
            return Offer(min(self.charge_a, spare_a), self.full_v)
        if now is Band.TOO_COLD or now is Band.TOO_HOT:
            return None
        share = COOL_SHARE if now is Band.COOL else 1.0
        return Offer(min(self.charge_a * share, spare_a), self._limit_v(now))

    def _limit_v(self, now: Band) -> float:
        return min(WARM_V, self.full_v) if now is Band.WARM else self.full_v

    def begins_again(self, cell: Cell, state: State, temperature_c: float) -> bool:
        """Return whether a charge that ended has become needed again."""
        limit_v = self._limit_v(band(temperature_c))
        return cell.voltage_v(state, 0.0) < limit_v - self.again_below_v

    def charge(self, cell: Cell, state: State, offer: Offer, for_s: float) -> Stretch:
        """Return the charge up to its next change of mode, at most ``for_s`` long."""
        holding_a = cell.holding_current_a(state, offer.voltage_v)
        if offer.current_a < holding_a - _SAME_A:
            return _at_current(cell, state, offer, for_s)
        if holding_a <= self.end_a:
            return Stretch(state, 0.0, 0.0, ended=True)
        return _at_voltage(cell, state, offer.voltage_v, self.end_a, for_s)


def _at_current(cell: Cell, state: State, offer: Offer, for_s: float) -> Stretch:
    current_a, volts = offer

    def over(after_s: float) -> bool:
        after = cell.carried(state, current_a, after_s)
        return cell.voltage_v(after, current_a) > volts

    after, heat_j = cell.flowed(state, current_a, for_s)
    if cell.voltage_v(after, current_a) > volts:
        for_s = first_time(over, for_s)
        after, heat_j = cell.flowed(state, current_a, for_s)
    return Stretch(after, for_s, heat_j, ended=False)


def _at_voltage(
    cell: Cell, state: State, volts: float, end_a: float, for_s: float
) -> Stretch:
    def done(after_s: float) -> bool:
        after = cell.held(state, volts, after_s)
        return cell.holding_current_a(after, volts) <= end_a

    after = cell.held(state, volts, for_s)
    ended = cell.holding_current_a(after, volts) <= end_a
    if ended:
        for_s = first_time(done, for_s)
        after = cell.held(state, volts, for_s)
    # What went in and was not stored became heat: exact, as the voltage is constant.
    coulombs = (after.soc - state.soc) * 3600 * cell.capacity_ah
    heat_j = volts * coulombs - (cell.stored_j(after) - cell.stored_j(state))
    return Stretch(after, for_s, heat_j, ended)
