"""The figures of one charge that tell a taper from constant current, then voltage."""

from __future__ import annotations

import statistics
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from tidegate.core.policy import HOUR_MS, MINUTE_MS
from tidegate.core.reading import BatteryStatus
from tidegate.history import Series
from tidegate.taper.charges import NEAR_PERCENT, Charge
from tidegate.taper.curve import Curve, Part
from tidegate.taper.reference import slowest_hours
from tidegate.taper.shape import Shape, shape_of

# Below this level a charger of any kind gives what it can; choices, no source.
PLATEAU_PERCENT: Final = 60.0
FULL_PERCENT: Final = 95.0
# So much of the last fifth must have been seen to speak of it.
_LAST_FROM_PERCENT: Final = 84.0
_NEAR_FULL_PERCENT: Final = 97.0
# A current under this share of the plateau is none.
NO_CURRENT: Final = 0.02
_STILL_MS: Final = HOUR_MS
_EARLY_STILL_MS: Final = 10 * MINUTE_MS
# A voltage in steps of so much does not tell where it is held.
_COARSE_V: Final = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """One charge in figures; ``None`` is what its log cannot tell.

    ``rate_percent_h`` is that of the constant part, ``plateau_a`` its current.
    ``reference_h`` is the most that constant current then constant voltage would take
    for what was seen of the last fifth. ``rests``: it was seen to be at its end.
    ``is_voltage_coarse``: there was one, always the same or in large steps, left out.
    """

    curve: Curve
    shape: Shape
    rests: bool
    rate_percent_h: float
    plateau_a: float | None
    fifth_before_h: float | None
    last_fifth_h: float | None
    last_fifth_sigma_h: float
    last_fifth_gap_h: float
    reference_h: float | None
    is_voltage_coarse: bool

    @property
    def charge(self) -> Charge:
        """The charge itself."""
        return self.curve.charge

    @property
    def end_percent(self) -> float:
        """The level up to which its last fifth was seen."""
        return self.curve.top_percent

    @property
    def by_current(self) -> bool:
        """Whether shares are of the current; else they are of the rate."""
        return self.plateau_a is not None

    @property
    def is_complete(self) -> bool:
        """Whether it was seen up to full, or up to where it stays."""
        return self.is_full or self.rests

    @property
    def is_full(self) -> bool:
        """Whether it was seen up to where a device counts as full."""
        return self.end_percent >= FULL_PERCENT

    @property
    def ratio(self) -> float | None:
        """Hours in the last fifth to those in the fifth before, both for each percent."""
        before, last = self.fifth_before_h, self.last_fifth_h
        if before is None or last is None or before <= 0:
            return None
        return (last / (self.end_percent - 80)) / (before / 20)

    @property
    def slowness(self) -> float | None:
        """How many times as long a percent of the last fifth took as a constant one."""
        if self.last_fifth_h is None:
            return None
        return self.last_fifth_h * self.rate_percent_h / (self.end_percent - 80)


def measure(charge: Charge, series: Series) -> Measured | None:
    """Return the figures of a charge; ``None`` where too little of it was seen."""
    sign = _sign(charge, series)
    is_coarse = _is_voltage_coarse(charge)
    if is_coarse:
        unsaid = (point._replace(voltage_v=None) for point in charge.points)
        charge = replace(charge, points=tuple(unsaid))
    curve = Curve(charge, is_whole=series.is_whole, sign=sign or 1)
    parts = curve.parts
    if len(parts) < 3:
        return None
    rate = _plateau(parts, lambda part: part.rate_percent_h)
    assert rate is not None
    plateau_a = _plateau(parts, lambda part: part.current_a) if sign else None
    if plateau_a is not None and plateau_a <= 0.02:
        plateau_a = None
    rests = _rests(charge, curve, plateau_a, sign or 1)
    top = curve.top_percent
    hours = curve.hours(80, top) if top >= _LAST_FROM_PERCENT else None
    full = top if rests or top >= _NEAR_FULL_PERCENT else 100.0
    return Measured(
        curve=curve,
        shape=shape_of(parts, _shares(parts, rate, plateau_a)),
        rests=rests,
        rate_percent_h=rate,
        plateau_a=plateau_a,
        fifth_before_h=curve.hours(60, 80),
        last_fifth_h=hours,
        last_fifth_sigma_h=0.0 if hours is None else curve.sigma_h(80, top),
        last_fifth_gap_h=0.0 if hours is None else curve.gap_h(80, top),
        reference_h=None
        if hours is None
        else slowest_hours(80, top, top_percent=full, rate=rate),
        is_voltage_coarse=is_coarse,
    )


def _is_voltage_coarse(charge: Charge) -> bool:
    """Return whether its voltage never changed, or is of whole twentieths of a volt."""
    told = {point.voltage_v for point in charge.points if point.voltage_v is not None}
    if len(told) == 1:
        return len(charge.points) > 1
    steps = [volts / _COARSE_V for volts in told]
    return bool(steps) and all(abs(each - round(each)) < 1e-6 for each in steps)


def _sign(charge: Charge, series: Series) -> int | None:
    """Return what makes a current positive into the battery; it is charging here."""
    if series.sign_is_trusted:
        is_told = any(point.current_a is not None for point in charge.points)
        return 1 if is_told else None
    told = [
        point.current_a
        for point in charge.points
        if point.current_a is not None and point.at_ms <= charge.reached_ms
    ]
    if not told:
        return None
    return 1 if statistics.median(told) >= 0 else -1


def _plateau(parts: Sequence[Part], of: Callable[[Part], float | None]) -> float | None:
    """Return what the constant part has: the upper middle of the parts up to 60 %.

    A part that began under way, or that somebody used the device in, is slower, so the
    median would be too low.
    """
    early = [part for part in parts if part.high_percent <= PLATEAU_PERCENT]
    if len(early) < 2:
        early = list(parts[:2])
    values = sorted(value for part in early if (value := of(part)) is not None)
    return values[(2 * len(values)) // 3] if values else None


def _shares(parts: Sequence[Part], rate: float, plateau_a: float | None) -> list[float]:
    """Return for each part how much of the constant current or rate was left."""
    found = []
    for part in parts:
        share = part.rate_percent_h / rate
        if plateau_a is not None and part.current_a is not None:
            share = part.current_a / plateau_a
        found.append(share)
    return found


def _rests(charge: Charge, curve: Curve, plateau_a: float | None, sign: int) -> bool:
    """Return whether it was seen to be at its end: full, or no more current, or still."""
    stay = [point for point in charge.points if point.at_ms >= charge.reached_ms]
    stayed_ms = charge.until_ms - charge.reached_ms
    if charge.top_percent - NEAR_PERCENT < FULL_PERCENT and stayed_ms < _STILL_MS:
        return False
    if any(point.status is BatteryStatus.FULL for point in stay):
        return True
    if plateau_a is not None and stayed_ms >= _EARLY_STILL_MS:
        since_ms = charge.until_ms - _EARLY_STILL_MS
        flowing = [
            sign * point.current_a
            for point in stay
            if point.at_ms >= since_ms and point.current_a is not None
        ]
        if flowing:
            return max(flowing) <= NO_CURRENT * plateau_a
    last_hours = curve.parts[-1].hours / (
        curve.parts[-1].high_percent - curve.parts[-1].low_percent
    )
    return stayed_ms >= max(_STILL_MS, 3 * last_hours * HOUR_MS)
