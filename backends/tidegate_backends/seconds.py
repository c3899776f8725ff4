"""Short times in a backend's settings, written as everywhere in the file: "0.5s"."""

from __future__ import annotations

import re
from typing import Annotated, Final

from pydantic import BeforeValidator, PlainSerializer, WithJsonSchema

_SHAPE: Final = re.compile(r"([0-9]{1,4}(?:\.[0-9]{1,3})?) ?(s|min)")
_UNITS_S: Final = {"s": 1.0, "min": 60.0}


def _seconds(value: object) -> float:
    match = _SHAPE.fullmatch(value.strip()) if isinstance(value, str) else None
    if match is None:
        raise ValueError('allowed is a time in quotes such as "0.5s" or "10s"')
    return float(match[1]) * _UNITS_S[match[2]]


Seconds = Annotated[
    float,
    BeforeValidator(_seconds),
    PlainSerializer(lambda value_s: f"{value_s:g}s", when_used="json"),
    WithJsonSchema({"type": "string", "examples": ["0.5s", "10s"]}),
]
