"""Whether an answer of a gauge has the form of a sample; its truth is judged later.

A backend of someone else's may answer anything, and a text where a number belongs
would break the rules, or the cycle log, long after its cause is gone.
"""

from __future__ import annotations

from functools import lru_cache
from math import inf
from operator import attrgetter
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
_NUMBERS: Final = tuple(n for n, kinds in _FORM.items() if int in kinds)
_values: Final = attrgetter(*_FORM)
_numbers: Final = attrgetter(*_NUMBERS)


def formed(answer: object) -> Sample:
    """Return the answer as the sample that it is. Raises TypeError where it is none."""
    if not isinstance(answer, Sample):
        raise TypeError(f"a sample is due, not {type(answer).__name__}")
    if name := _misfit(tuple(map(type, _values(answer)))):
        value = getattr(answer, name)
        raise TypeError(f"{name} is {value!r}, a {type(value).__name__}")
    for value in _numbers(answer):
        if value is not None and _NUMBER_AT_MOST < abs(value) < inf:
            name = _NUMBERS[_numbers(answer).index(value)]
            raise TypeError(f"{name} is beyond {_NUMBER_AT_MOST:g}")
    if not all(isinstance(flag, Flag) for flag in answer.flags):
        raise TypeError(f"flags are {answer.flags!r}")
    return answer


@lru_cache(maxsize=64)
def _misfit(types: tuple[type, ...]) -> str | None:
    """Return the first name whose value cannot be of this type, ``None`` if all can.

    Remembered, as the answers of a gauge hardly ever differ in this.
    """
    for (name, kinds), found in zip(_FORM.items(), types, strict=True):
        if not issubclass(found, kinds):
            return name
    return None
