"""Times as people write them ("90s", "5min", "2h", "30d") and as the core counts."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, core_schema

from tidegate.settings.problems import problem, shown

_UNITS_MS = {"d": 86_400_000, "h": 3_600_000, "min": 60_000, "s": 1_000}
PATTERN = r"^[0-9]{1,9}(\.[0-9]{1,3})? ?(s|min|h|d)$"
_SHAPE = re.compile(r"([0-9]{1,9}(?:\.[0-9]{1,3})?) ?(s|min|h|d)")


def duration_ms(text: str) -> int:
    """Return the milliseconds of a written time. Errors: ValueError."""
    match = _SHAPE.fullmatch(text.strip())
    if match is None:
        raise ValueError(
            f"found {shown(text)}, allowed is a number and one of the units "
            's, min, h and d, such as "90s", "5min" or "2h"'
        )
    return round(float(match[1]) * _UNITS_MS[match[2]])


def duration_text(value_ms: int) -> str:
    """Return a time in the largest unit that divides it, as in the settings."""
    for unit, size_ms in _UNITS_MS.items():
        if value_ms >= size_ms and value_ms % size_ms == 0:
            return f"{value_ms // size_ms}{unit}"
    return f"{value_ms / 1_000:g}s"


@dataclass(frozen=True, slots=True)
class Between:
    """Mark a field as a written time within two bounds; its value is milliseconds."""

    least: str
    most: str

    def check(self, value: object) -> int:
        """Return the milliseconds of a value from the file."""
        if not isinstance(value, str):
            raise problem(
                f"found {shown(value)}, allowed is a time in quotes "
                f'from "{self.least}" to "{self.most}"'
            )
        try:
            value_ms = duration_ms(value)
        except ValueError as error:
            raise problem(str(error)) from error
        if not duration_ms(self.least) <= value_ms <= duration_ms(self.most):
            raise problem(
                f'found "{value}", allowed is "{self.least}" to "{self.most}"'
            )
        return value_ms

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(
            self.check,
            serialization=core_schema.plain_serializer_function_ser_schema(
                duration_text, when_used="json"
            ),
        )

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        return {
            "type": "string",
            "pattern": PATTERN,
            "examples": [self.least, self.most],
        }
