"""How much capacitance carries a load for a while, and how far the voltage dips.

A constant current I for t from C behind its resistance R: the voltage falls by
I (R + t/C). A constant power P takes more current the lower the voltage v at the
terminals is. With i = P/v, the capacitor at v + i R and C d(v + P R/v)/dt = -P/v:

    C ((v1² - v2²)/2 - P R ln(v1/v2)) = P t

from v1, just after the step of R, down to v2. With R = 0 it is the usual
C = 2 P t/(v1² - v2²). Under √(P R) there is no such v: the bank gives no more power
than it has there, and the voltage breaks down.
"""

from __future__ import annotations

import math
from typing import Final

from tidegate.eliminator.regulator import Load

_HALVINGS: Final = 200


def needed_f(
    load: Load, *, from_v: float, drop_v: float, for_s: float, esr_ohm: float
) -> float | None:
    """Return the capacitance whose voltage falls by ``drop_v`` in that time.

    ``None`` where the resistance alone takes the whole drop: no capacitance will do.
    """
    to_v = from_v - drop_v
    if load.current_a is not None:
        left_v = drop_v - load.current_a * esr_ohm
        return load.current_a * for_s / left_v if left_v > 0 else None
    power_w = load.w(from_v)
    begins_v = _after_step_v(power_w, from_v, esr_ohm)
    if begins_v is None or to_v <= 0:
        return None
    to_v = max(to_v, math.sqrt(power_w * esr_ohm))
    if to_v >= begins_v:
        return None
    return power_w * for_s / _charge(power_w, begins_v, to_v, esr_ohm)


def voltage_v(
    load: Load, *, from_v: float, farad: float, esr_ohm: float, at_s: float
) -> float | None:
    """Return the voltage so long after the step, ``None`` once it has broken down."""
    if load.current_a is not None:
        left_v = from_v - load.current_a * (esr_ohm + at_s / farad)
        return left_v if left_v > 0 else None
    power_w = load.w(from_v)
    high_v = _after_step_v(power_w, from_v, esr_ohm)
    if high_v is None:
        return None
    begins_v, low_v = high_v, math.sqrt(power_w * esr_ohm)
    wanted = power_w * at_s / farad
    if low_v > 0 and _charge(power_w, begins_v, low_v, esr_ohm) < wanted:
        return None
    if low_v <= 0 and begins_v**2 / 2 <= wanted:
        return None
    for _ in range(_HALVINGS):
        middle_v = (low_v + high_v) / 2
        if middle_v > 0 and _charge(power_w, begins_v, middle_v, esr_ohm) < wanted:
            high_v = middle_v
        else:
            low_v = middle_v
    return (low_v + high_v) / 2


def step_v(load: Load, *, from_v: float, esr_ohm: float) -> float | None:
    """Return what the resistance takes at once; ``None`` where it takes it all."""
    if load.current_a is not None:
        return load.current_a * esr_ohm
    begins_v = _after_step_v(load.w(from_v), from_v, esr_ohm)
    return None if begins_v is None else from_v - begins_v


def _after_step_v(power_w: float, from_v: float, esr_ohm: float) -> float | None:
    under = from_v**2 - 4 * power_w * esr_ohm
    return None if under < 0 else (from_v + math.sqrt(under)) / 2


def _charge(power_w: float, high_v: float, low_v: float, esr_ohm: float) -> float:
    """Return P t/C, the left side of the law above."""
    return (high_v**2 - low_v**2) / 2 - power_w * esr_ohm * math.log(high_v / low_v)
