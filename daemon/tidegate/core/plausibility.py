"""Whether a sample can be believed, judged across its fields.

``judge`` looks at one sample alone and remembers nothing; what needs memory (jumps,
frozen values, age) is judged by the controller. The order is that of ``VERDICTS``:
a battery that is not there outweighs everything, then comes what only the gauge can
know, then what the numbers say of each other. The first verdict is the reading's
``why_not``.

A number that cannot be true becomes ``None``; none is ever invented. The one number
that is changed is the claim of an over-full pack, which becomes 100 %, flagged.
Rejecting keeps the raw claim of charge, as evidence for the log.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final

from tidegate.core.frozen import replace
from tidegate.core.reading import Flag, Reading, Sample, WhyNot

# A read that lasts longer tells what was, and on a real board came back as zeros.
# Source: a bq27000 gauge whose time-out took 15.8 s (kernel patch mail, w1:
# omap-hdq timeouts, 8 May 2020); the limit itself is our own choice.
SLOW_S: Final = 5.0

# Single cells from deep discharge up to packs of large devices; the kernel's
# attributes were seen to give 16 mV and 65.5 V as nonsense. Our own choice.
VOLTAGE_V: Final = (2.5, 60.0)
TEMPERATURE_C: Final = (-40.0, 100.0)
CURRENT_A: Final = (-1000.0, 1000.0)
FULL_CHARGE_AH: Final = (0.02, 10_000.0)

# Claims of 101 % to 119 % come from packs that are simply full, as long as their own
# charge figures agree. Common practice, no source.
OVER_FULL_PERCENT: Final = 120.0
OVER_FULL_RATIO: Final = (0.9, 1.1)

# Units of one quantity that differ, differ by a factor of 1000.
UNIT_PERCENT: Final = (0.1, 1000.0)

# Full charge and design charge of one pack differ less than this, whatever its age.
DESIGN_FACTOR: Final = 10.0

# What a bus without an answer reads: 16 bits, all ones, in the units of a reading.
_ALL_ONES: Final = {
    "soc_percent": (255.0, 65_535.0),
    "voltage_v": (65.535,),
    "temperature_c": (6_553.5, 6_280.4),  # as tenths of °C, or as tenths of a kelvin
    "current_a": (65.535,),
    "charge_ah": (65.535,),
    "full_charge_ah": (65.535,),
    "design_charge_ah": (65.535,),
    "cycle_count": (65_535,),
}
_ABSOLUTE_ZERO_C: Final = -270.0
_INVALID_CYCLES: Final = 65_535


def judge(sample: Sample, *, at_ms: int, wall_ms: int) -> Reading:
    """Return the reading that this sample makes at this time."""
    settled = _over_full_settled(sample)
    return Reading(
        sample=_without_impossible(settled).rounded(),
        at_ms=at_ms,
        wall_ms=wall_ms,
        why_not=_why_not(settled),
    )


def _why_not(sample: Sample) -> WhyNot | None:
    for verdict in VERDICTS:
        found = verdict(sample)
        if found is not None:
            return found
    return None


def is_over_full(percent: float, ratio: float | None) -> bool:
    """Return whether a claim above 100 % is a full pack and not a wrong number.

    ``ratio`` is the charge (or energy) now over that of a full pack.
    """
    return (
        ratio is not None
        and 100.0 < percent <= OVER_FULL_PERCENT
        and _within(ratio, OVER_FULL_RATIO)
    )


def _not_present(sample: Sample) -> WhyNot | None:
    return None if sample.present else WhyNot.NOT_PRESENT


def _claimed_by_gauge(sample: Sample) -> WhyNot | None:
    return sample.claims


def _level_only(sample: Sample) -> WhyNot | None:
    return WhyNot.LEVEL_ONLY if sample.soc_percent is None else None


def _slow(sample: Sample) -> WhyNot | None:
    return WhyNot.SLOW if sample.took_s > SLOW_S else None


def _all_zero(sample: Sample) -> WhyNot | None:
    """Judge whether a silent bus is behind the numbers: all zeros, or all ones.

    Charge at zero alone is an empty battery. Together with no voltage, with absolute
    zero, or with a full charge of nothing, nobody has answered.
    """
    zero = sample.soc_percent == 0 and (
        sample.voltage_v == 0
        or sample.full_charge_ah == 0
        or (
            sample.temperature_c is not None
            and sample.temperature_c <= _ABSOLUTE_ZERO_C
        )
    )
    if zero:
        return WhyNot.ALL_ZERO
    if sample.soc_percent not in _ALL_ONES["soc_percent"]:
        return None
    ones = sum(getattr(sample, name) in values for name, values in _ALL_ONES.items())
    return WhyNot.ALL_ZERO if ones > 1 else None


def _unit_mismatch(sample: Sample) -> WhyNot | None:
    """Judge whether a computed charge divides one unit by another."""
    if Flag.COMPUTED not in sample.flags or sample.soc_percent is None:
        return None
    low, high = UNIT_PERCENT
    percent = sample.soc_percent
    return WhyNot.UNIT_MISMATCH if 0 < percent <= low or percent >= high else None


def _out_of_range(sample: Sample) -> WhyNot | None:
    inside = sample.soc_percent is not None and 0.0 <= sample.soc_percent <= 100.0
    return None if inside else WhyNot.OUT_OF_RANGE


VERDICTS: tuple[Callable[[Sample], WhyNot | None], ...] = (
    _not_present,
    _claimed_by_gauge,
    _level_only,
    _slow,
    _all_zero,
    _unit_mismatch,
    _out_of_range,
)


def _over_full_settled(sample: Sample) -> Sample:
    percent = sample.soc_percent
    if percent is None or not is_over_full(percent, _ratio(sample)):
        return sample
    flags = sample.flags | {Flag.OVER_FULL, Flag.CLAMPED}
    return replace(sample, soc_percent=100.0, flags=flags)


def _ratio(sample: Sample) -> float | None:
    if Flag.COMPUTED in sample.flags and sample.soc_percent is not None:
        return sample.soc_percent / 100.0
    if sample.charge_ah is None or not sample.full_charge_ah:
        return None
    return sample.charge_ah / sample.full_charge_ah


def _without_impossible(sample: Sample) -> Sample:
    """Return the sample without the side values that cannot be true."""
    temperature_c = _kept(sample.temperature_c, TEMPERATURE_C)
    if temperature_c == 0 and sample.voltage_v == 0:
        temperature_c = None  # both are placeholders; 0 °C alone is a winter's day
    charge_ah, full_ah, design_ah = _charges(sample)
    soc = sample.soc_percent
    return replace(
        sample,
        soc_percent=soc if soc is not None and math.isfinite(soc) else None,
        voltage_v=_kept(sample.voltage_v, VOLTAGE_V),
        current_a=_kept(sample.current_a, CURRENT_A),
        temperature_c=temperature_c,
        temperature_sensor=sample.temperature_sensor
        if temperature_c is not None
        else None,
        charge_ah=charge_ah,
        full_charge_ah=full_ah,
        design_charge_ah=design_ah,
        cycle_count=_cycles(sample.cycle_count),
    )


def _charges(sample: Sample) -> tuple[float | None, float | None, float | None]:
    """Return charge, full charge and design charge as far as they fit each other."""
    full = _kept(sample.full_charge_ah, FULL_CHARGE_AH)
    design = _kept(sample.design_charge_ah, FULL_CHARGE_AH)
    charge = _kept(sample.charge_ah, (0.0, FULL_CHARGE_AH[1]))
    unit_is_known = full is not None or sample.full_charge_ah is None
    if not unit_is_known or (
        full is not None and (charge or 0.0) > DESIGN_FACTOR * full
    ):
        charge = None
    if full is not None and design is not None:
        larger, smaller = max(full, design), min(full, design)
        if larger > DESIGN_FACTOR * smaller:
            design = None
    return charge, full, design


def _cycles(count: int | None) -> int | None:
    return count if count is not None and 0 <= count < _INVALID_CYCLES else None


def _kept(value: float | None, bounds: tuple[float, float]) -> float | None:
    return value if value is not None and _within(value, bounds) else None


def _within(value: float, bounds: tuple[float, float]) -> bool:
    """Return whether a value lies inside both bounds; no-number never does."""
    return bounds[0] <= value <= bounds[1]
