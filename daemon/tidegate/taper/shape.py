"""What a charge looks like over its level, part by part: where it falls, what is held."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from tidegate.taper.curve import Part

# Less than this share of the plateau, and it has begun to fall; a choice, no source.
FALLEN: Final = 0.85
# So near its highest a voltage is held: the charger's own accuracy and the gauge's.
HELD_V: Final = 0.03
# A rise of the current again after a fall, of its height: somebody used the device.
UNSTEADY: Final = 0.3
# JEITA's bands as chips implement them (TI BQ25882, register 08h), less what a sensor
# outside the cell may be wrong by.
WARM_C: Final = 43.0
COOL_C: Final = 11.0
# From here on a taper may be under way, and heat be taken for one.
_WATCHED_PERCENT: Final = 40
# A share that varies by no more than this is one level; a choice, no source.
_ONE_LEVEL: Final = 1.3
# More than this of the plateau, early, is a step down to it; so much less from part
# to part is a slope. Choices, no source.
_STEP: Final = 2.0
_SLOPE: Final = 1.12
# From here on the voltage may be held even with a small current.
_HELD_PERCENT: Final = 90


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """The shape in figures; ``None`` is what its log cannot tell.

    ``falls_at_percent`` is where the rate or current falls under 85 % of its plateau for
    good. ``share_before_voltage`` is what was left of it where the voltage was about to
    reach its highest, ``last_share`` at its end. ``mid_v`` is the voltage around 50 %,
    ``end_v`` that of the end, ``fall_v`` the most that it fell from a part to any later
    one. ``heat_share`` is of the time from 40 % on in a band in which chargers hold
    back, ``unsteady_share`` the largest rise again after a fall. ``step_share`` is what
    was left after one fall to one level that it then kept.
    """

    falls_at_percent: float | None
    share_before_voltage: float | None
    last_share: float
    held_from_percent: float | None
    held_h: float | None
    mid_v: float | None
    highest_v: float | None
    end_v: float | None
    fall_v: float | None
    fall_from_percent: float | None
    heat_share: float | None
    unsteady_share: float
    step_share: float | None

    @property
    def voltage_change_v(self) -> float | None:
        """From mid charge to full, negative where it fell."""
        if self.mid_v is None or self.end_v is None:
            return None
        return self.end_v - self.mid_v


def shape_of(parts: Sequence[Part], shares: Sequence[float]) -> Shape:
    """Return the shape; ``shares`` is what each part had left of the plateau."""
    held = _held(parts)
    fall = _fall(parts)
    falls = _falls(parts, shares)
    return Shape(
        falls_at_percent=None if falls is None else parts[falls].low_percent,
        share_before_voltage=_before_voltage(parts, shares, held),
        last_share=shares[-1],
        held_from_percent=None if held is None else parts[held].low_percent,
        held_h=None if held is None else sum(part.hours for part in parts[held:]),
        mid_v=_mid_v(parts),
        highest_v=_highest_v(parts),
        end_v=parts[-1].voltage_v,
        fall_v=None if fall is None else fall[0],
        fall_from_percent=None if fall is None else fall[1],
        heat_share=_heat_share(parts),
        unsteady_share=_unsteady(shares),
        step_share=_step(parts, shares, falls),
    )


def _falls(parts: Sequence[Part], shares: Sequence[float]) -> int | None:
    """Return the part from which on all is under the limit, lone parts forgiven."""
    smooth = [
        statistics.median(shares[max(0, i - 1) : i + 2]) for i in range(len(shares))
    ]
    smooth[-1] = shares[-1]
    place = len(parts)
    while place > 0 and smooth[place - 1] < FALLEN:
        place -= 1
    return place if place < len(parts) else None


def _step(
    parts: Sequence[Part], shares: Sequence[float], falls: int | None
) -> float | None:
    """Return the level that it kept from its fall on, before any held voltage.

    The part in which it fell holds some of both, as does the last.
    """
    if falls is None:
        return None
    begin, end = falls + 1, len(shares) - 1
    late = sum(1 for part in parts[:end] if part.high_percent <= _HELD_PERCENT)
    kept = shares[begin : late if late - begin >= 3 else end]
    if len(kept) < 3 or not _is_one_level(kept):
        return None
    # What fell before as well, or goes on falling part by part, made no lone step.
    is_slope = kept[0] > _SLOPE * kept[1] > _SLOPE * _SLOPE * kept[2]
    if max(shares[:begin]) > _STEP or is_slope:
        return None
    return statistics.median(kept)


def _is_one_level(shares: Sequence[float]) -> bool:
    levels = list(shares)
    if len(shares) > 3:
        # A read or two decide over a whole percent: lone parts are forgiven.
        levels = [statistics.median(shares[i : i + 3]) for i in range(len(shares) - 2)]
    return 0 < max(levels) <= _ONE_LEVEL * min(levels)


def _held(parts: Sequence[Part]) -> int | None:
    """Return the first part from which on the voltage is held at its highest."""
    highest = _highest_v(parts)
    if highest is None or parts[-1].voltage_v is None:
        return None
    place = len(parts)
    while place > 0:
        volts = parts[place - 1].voltage_v
        if volts is not None and volts < highest - HELD_V:
            break
        place -= 1
    return place if place < len(parts) else None


def _before_voltage(
    parts: Sequence[Part], shares: Sequence[float], held: int | None
) -> float | None:
    """Return the share that was left in the two parts before the voltage was held.

    The larger counts, as use of the device makes either smaller. ``None`` without
    voltage, or where it was held from the beginning.
    """
    if _highest_v(parts) is None:
        return None
    end = len(parts) if held is None else held
    # The part in which it gets there holds some of both.
    before = (
        shares[max(end - 3, 0) : max(end - 1, 0)] if held is not None else shares[-2:]
    )
    return max(before, default=None)


def _highest_v(parts: Sequence[Part]) -> float | None:
    values = [
        part.voltage_v
        for part in parts
        if part.voltage_v is not None and part.high_percent > 30
    ]
    # All but a part or two must tell it.
    return max(values) if len(values) >= 3 else None


def _fall(parts: Sequence[Part]) -> tuple[float, float] | None:
    """Return the most that the voltage fell, and from which level on."""
    told = [
        (part.low_percent, part.voltage_v)
        for part in parts
        if part.voltage_v is not None and part.high_percent > 30
    ]
    if len(told) < 3:
        return None
    found = (0.0, told[0][0])
    highest = told[0][1]
    for level, volts in told:
        highest = max(highest, volts)
        found = max(found, (highest - volts, level))
    return found


def _mid_v(parts: Sequence[Part]) -> float | None:
    values = [
        part.voltage_v
        for part in parts
        if part.voltage_v is not None
        and part.low_percent >= 45
        and part.high_percent <= 55
    ]
    return statistics.fmean(values) if values else None


def _heat_share(parts: Sequence[Part]) -> float | None:
    """Return for which share of the time from 40 % on a charger holds back for heat."""
    told = [
        part
        for part in parts
        if part.temperature_c is not None and part.low_percent >= _WATCHED_PERCENT
    ]
    hours = sum(part.hours for part in told)
    if not hours:
        return None
    outside = sum(
        part.hours for part in told if not COOL_C < (part.temperature_c or 0) < WARM_C
    )
    return outside / hours


def _unsteady(shares: Sequence[float]) -> float:
    """Return the largest rise again after a fall: somebody used the device."""
    lowest, found = shares[0], 0.0
    for share in shares[1:]:
        lowest = min(lowest, share)
        found = max(found, share - lowest)
    return found
