"""What stands between cable and cell terminals: how much it needs, how hot it gets."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from tidegate.eliminator.wire import Wire

# The most at the junction that most data sheets allow (from memory).
JUNCTION_MOST_C: Final = 125.0
# The least that a converter that steps up as well as down runs from (assumed).
BOOST_LEAST_V: Final = 3.0
# Voltage lost in what blocks the way back (from memory of data sheets).
BLOCKING_V: Final = {"none": 0.0, "diode": 0.4, "ideal": 0.05}
_ROUNDS: Final = 60


class Kind(StrEnum):
    """``switching`` steps down only."""

    LINEAR = "linear"
    SWITCHING = "switching"
    BUCK_BOOST = "buck-boost"


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """What the device draws at its terminals: a current, or a power at any voltage."""

    current_a: float | None = None
    power_w: float | None = None

    def __post_init__(self) -> None:
        assert (self.current_a is None) != (self.power_w is None)

    def a(self, volt: float) -> float:
        """Return the current at a voltage."""
        if self.current_a is not None:
            return self.current_a
        assert self.power_w is not None
        return self.power_w / volt

    def w(self, volt: float) -> float:
        """Return the power at a voltage."""
        return self.a(volt) * volt


@dataclass(frozen=True, slots=True, kw_only=True)
class Regulator:
    """``efficiency`` is a switching one's; a linear one has Vout/Vin."""

    kind: Kind
    out_v: float
    dropout_v: float
    efficiency: float

    @property
    def needs_v(self) -> float:
        """The least at its input."""
        if self.kind is Kind.BUCK_BOOST:
            return BOOST_LEAST_V
        return self.out_v + self.dropout_v

    def input_a(self, load: Load, in_v: float) -> float:
        """Return the current that it takes at an input voltage."""
        if self.kind is Kind.LINEAR:
            return load.a(self.out_v)
        return load.w(self.out_v) / self.efficiency / in_v

    def heat_w(self, load: Load, in_v: float) -> float:
        """Return the heat that it makes: (Vin - Vout) I, or the losses."""
        if self.kind is Kind.LINEAR:
            return (in_v - self.out_v) * load.a(self.out_v)
        return load.w(self.out_v) * (1 / self.efficiency - 1)

    def efficiency_at(self, in_v: float) -> float | None:
        """Return the efficiency as a share of 1, ``None`` where a linear one has less at
        its input than it is to give.
        """
        if self.kind is not Kind.LINEAR:
            return self.efficiency
        return self.out_v / in_v if in_v >= self.out_v else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """From the source to the regulator. ``copper_c`` is given, or settles in air."""

    wire: Wire
    length_m: float
    contacts_ohm: float
    blocking_v: float
    ambient_c: float
    copper_c: float | None

    def copper_at_c(self, current_a: float) -> float:
        """Return the temperature of the copper at a current, infinite if it runs away."""
        if self.copper_c is not None:
            return self.copper_c
        return self.wire.settled_c(current_a, self.ambient_c)


@dataclass(frozen=True, slots=True, kw_only=True)
class Feed:
    """Voltages along the way at one current, and what they were worked out with."""

    source_v: float
    current_a: float
    copper_c: float
    cable_ohm: float
    contacts_ohm: float
    after_cable_v: float
    far_v: float
    in_v: float


def feed(way: Way, regulator: Regulator, load: Load, source_v: float) -> Feed | None:
    """Return the voltages along the way.

    A switching regulator takes more current the less voltage arrives, and a wire has
    more resistance the warmer it is: both are followed until they settle. ``None``
    where they do not: so much power cannot pass through this cable.
    """
    current_a = regulator.input_a(load, source_v - way.blocking_v)
    for _ in range(_ROUNDS):
        copper_c = way.copper_at_c(current_a)
        if not math.isfinite(copper_c):
            return None
        cable_ohm = way.wire.pair_ohm(way.length_m, copper_c)
        found_a = _current_a(
            regulator,
            load,
            open_v=source_v - way.blocking_v,
            ohm=cable_ohm + way.contacts_ohm,
        )
        if found_a is None:
            return None
        is_settled = abs(found_a - current_a) <= 1e-12 * found_a
        current_a = found_a
        if is_settled:
            break
    after_cable_v = source_v - current_a * cable_ohm
    far_v = after_cable_v - current_a * way.contacts_ohm
    return Feed(
        source_v=source_v,
        current_a=current_a,
        copper_c=copper_c,
        cable_ohm=cable_ohm,
        contacts_ohm=way.contacts_ohm,
        after_cable_v=after_cable_v,
        far_v=far_v,
        in_v=far_v - way.blocking_v,
    )


def _current_a(
    regulator: Regulator, load: Load, *, open_v: float, ohm: float
) -> float | None:
    """Return the current of a power P behind a resistance R: V = U/2 + √(U²/4 - PR)."""
    if regulator.kind is Kind.LINEAR:
        return load.a(regulator.out_v)
    power_w = load.w(regulator.out_v) / regulator.efficiency
    under = open_v**2 / 4 - power_w * ohm
    if open_v <= 0 or under < 0:
        return None
    return power_w / (open_v / 2 + math.sqrt(under))


def highest_in_v(
    way: Way, regulator: Regulator, load: Load, source_v: float
) -> float | None:
    """Return the most at the input under load: only what the copper surely has at
    20 °C is taken off, no contacts, no blocking. ``None`` as of ``feed``.
    """
    ohm = 2 * way.length_m * way.wire.least_ohm_per_m
    current_a = _current_a(regulator, load, open_v=source_v, ohm=ohm)
    return None if current_a is None else source_v - current_a * ohm


def least_in_v(
    way: Way, regulator: Regulator, source_v: float, *, far_least_v: float = 0.0
) -> float:
    """Return how low the input may go: the regulator has enough, so has the far end of
    the cable, and more power would come through at a higher voltage only.
    """
    least_v = max(regulator.needs_v, far_least_v - way.blocking_v)
    if regulator.kind is not Kind.LINEAR:
        # A longer cable than that with half of the voltage left passes less power.
        least_v = max(least_v, (source_v - way.blocking_v) / 2)
    return least_v


def longest_m(
    way: Way,
    regulator: Regulator,
    load: Load,
    source_v: float,
    *,
    far_least_v: float = 0.0,
) -> float:
    """Return the longest cable, one way, at which regulator and far end have enough."""
    least_v = least_in_v(way, regulator, source_v, far_least_v=far_least_v)
    current_a = regulator.input_a(load, least_v)
    copper_c = way.copper_at_c(current_a)
    if not math.isfinite(copper_c):
        return 0.0
    most_ohm = (source_v - way.blocking_v - least_v) / current_a
    length_m = (most_ohm - way.contacts_ohm) / (2 * way.wire.ohm_per_m(copper_c))
    return max(length_m, 0.0)


def gives_a(way: Way, regulator: Regulator, found: Feed, most_a: float) -> float:
    """Return the most at the output for a moment, while the copper stays as warm as it
    is: as much as the source may give, and as the input stands on this cable.
    """
    least_v = least_in_v(way, regulator, found.source_v)
    room_v = found.source_v - way.blocking_v - least_v
    ohm = found.cable_ohm + found.contacts_ohm
    input_a = min(most_a, max(room_v, 0.0) / ohm)
    if regulator.kind is Kind.LINEAR:
        return input_a
    in_v = found.source_v - way.blocking_v - input_a * ohm
    return input_a * in_v * regulator.efficiency / regulator.out_v
