"""Whether an answer of a gauge has the form of a sample; its truth is judged later.

A backend of someone else's may answer anything, and a text where a number belongs
would break the rules, or the cycle log, long after its cause is gone.
"""

from __future__ import annotations

from math import inf
from types import NoneType
from typing import Final

from tidegate.core.reading import (
    BatteryStatus,
    ExternalPower,
    Flag,
    Sample,
    WhyNot,
)

_NUMBER: Final = (float, int, NoneType)
_WHOLE: Final = (int, NoneType)
_TEXT: Final = (str, NoneType)
# No quantity of a battery comes near it, and the cycle log's steps of a smaller one are
# still numbers. What is infinite is judged like any other claim.
_NUMBER_AT_MOST: Final = 1e15
_FORM: Final[dict[str, tuple[type, ...]]] = {
    "soc_percent": _NUMBER,
    "battery_status": (BatteryStatus,),
    "external_power": (ExternalPower,),
    "present": (bool,),
    "voltage_v": _NUMBER,
    "current_a": _NUMBER,
    "current_sign_trusted": (bool,),
    "temperature_c": _NUMBER,
    "temperature_sensor": _TEXT,
    "charge_ah": _NUMBER,
    "full_charge_ah": _NUMBER,
    "design_charge_ah": _NUMBER,
    "cycle_count": _WHOLE,
    "health": _TEXT,
    "pack": _TEXT,
    "uptime_s": _WHOLE,
    "took_s": (float, int),
    "flags": (frozenset,),
    "claims": (WhyNot, NoneType),
    "raw": (str,),
}


def formed(answer: object) -> Sample:
    """Return the answer as the sample that it is. Raises TypeError where it is none."""
    if not isinstance(answer, Sample):
        raise TypeError(f"a sample is due, not {type(answer).__name__}")
    for name, kinds in _FORM.items():
        value = getattr(answer, name)
        if not isinstance(value, kinds):
            raise TypeError(f"{name} is {value!r}, a {type(value).__name__}")
        if isinstance(value, float | int) and _NUMBER_AT_MOST < abs(value) < inf:
            raise TypeError(f"{name} is beyond {_NUMBER_AT_MOST:g}")
    if not all(isinstance(flag, Flag) for flag in answer.flags):
        raise TypeError(f"flags are {answer.flags!r}")
    return answer
