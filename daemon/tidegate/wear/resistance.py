"""Resistance from a switching: how far the voltage steps when the current does.

R = (V_after - V_before) / (I_after - I_before), the current positive into the battery.
Right at the step this is the ohmic part. After it the voltage creeps on as the slower
parts of the cell charge, R0 + R1*(1 - exp(-t/tau)) in the usual circuit of one RC pair,
so a later sample shows an apparent resistance that is larger, and SoC moves too. The
limits below keep that small; within 2 s and a tau of 30 s it is 6 % of R1.

The limits are choices of ours; common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from statistics import median
from typing import Final

WITHIN_S: Final = 2.0
LEAST_STEP_A: Final = 0.3
MOST_SOC_PERCENT: Final = 1.0
# Sums and differences of decimal fractions err in the last digits: 1.2 - 0.9 is not
# quite 0.3. Far below the resolution of any log.
_SLACK: Final = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """What a gauge said near a switching; the current is positive into the battery.

    ``None`` where it said nothing.
    """

    at_s: float
    voltage_v: float | None
    current_a: float | None
    soc_percent: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Resistance:
    """A resistance, or a sentence why there is none (else empty)."""

    ohm: float | None
    why_not: str


def stepped(
    before: Moment, after: Moment, *, switched_s: float, sign_is_trusted: bool
) -> Resistance:
    """Return the resistance seen in a step of the supply at ``switched_s``.

    ``sign_is_trusted`` says that positive is known to mean into the battery for both
    samples: a gauge that reports only magnitudes would make the step too small.
    """
    why_not = _untimely(before, after, switched_s)
    if not why_not and not sign_is_trusted:
        why_not = "The sign of the current is not known."
    if why_not:
        return Resistance(ohm=None, why_not=why_not)
    return _divided(before, after)


def median_ohm(ohms: Iterable[float]) -> float | None:
    """Return the median of steps, ``None`` of none: one odd step does not move it."""
    known = list(ohms)
    return median(known) if known else None


def _untimely(before: Moment, after: Moment, switched_s: float) -> str:
    early_s, late_s = switched_s - before.at_s, after.at_s - switched_s
    if early_s < -_SLACK or late_s < -_SLACK:
        return "The two samples are not on both sides of the switching."
    if early_s > WITHIN_S + _SLACK:
        return (
            f"The sample before was {early_s:.1f} s early, more than {WITHIN_S:g} s: "
            "the current can have changed since."
        )
    if late_s > WITHIN_S + _SLACK:
        return (
            f"The sample after was {late_s:.1f} s late, more than {WITHIN_S:g} s: by "
            "then the slow parts of the cell add to what the step shows."
        )
    return ""


def _divided(before: Moment, after: Moment) -> Resistance:
    if before.voltage_v is None or after.voltage_v is None:
        return Resistance(ohm=None, why_not="The gauge told no voltage.")
    if before.current_a is None or after.current_a is None:
        return Resistance(ohm=None, why_not="The gauge told no current.")
    if before.soc_percent is None or after.soc_percent is None:
        return Resistance(ohm=None, why_not="The gauge told no SoC.")
    step_a = after.current_a - before.current_a
    why_not = ""
    if abs(step_a) < LEAST_STEP_A - _SLACK:
        why_not = (
            f"The current stepped by {abs(step_a):.2f} A only, less than "
            f"{LEAST_STEP_A:g} A."
        )
    elif abs(after.soc_percent - before.soc_percent) >= MOST_SOC_PERCENT - _SLACK:
        why_not = "The SoC moved by a point or more between the samples."
    else:
        ohm = (after.voltage_v - before.voltage_v) / step_a
        if ohm > 0:
            return Resistance(ohm=ohm, why_not="")
        why_not = (
            "The voltage did not follow the current: the current's sign is wrong or "
            "the voltage did not change."
        )
    return Resistance(ohm=None, why_not=why_not)
