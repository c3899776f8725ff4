"""What every table of the file has in common, and the bounds that several share."""

from __future__ import annotations

from typing import Final

from pydantic import BaseModel, ConfigDict, field_validator

from tidegate.settings.problems import problem

HIGHEST_PERCENT: Final = 95.0
LEAST_WIDTH_PERCENT: Final = 2.0
ABOVE_FLOOR_PERCENT: Final = 5.0
DECIMALS: Final = 3


class Table(BaseModel):
    """A table of the file: nothing unknown, nothing converted, nothing changed."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", strict=True, allow_inf_nan=False
    )

    @field_validator("*", mode="after")
    @classmethod
    def _is_short(cls, value: object) -> object:
        """Refuse what the cycle log, which holds thousandths, cannot hold."""
        if isinstance(value, float) and round(value, DECIMALS) != value:
            raise problem(f"found {value!r}, allowed are {DECIMALS} decimals at most")
        return value
