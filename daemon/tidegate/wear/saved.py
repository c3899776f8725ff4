"""A rainflow count as it is saved, and what such a state can be."""

from __future__ import annotations

from itertools import pairwise
from typing import Literal, Self, TypeAlias

from pydantic import (
    BaseModel,
    ConfigDict,
    FiniteFloat,
    PositiveInt,
    ValidationError,
    model_validator,
)

Number: TypeAlias = int | FiniteFloat


class Saved(BaseModel):
    """The last value, its direction, the turning points left, half cycles counted.

    ``halves`` are (start, end, how many half cycles); a full cycle is two of them.
    """

    model_config = ConfigDict(strict=True, frozen=True, extra="forbid")

    form: Literal[1] = 1
    last: Number | None
    rising: bool | None
    points: list[Number]
    halves: list[tuple[Number, Number, PositiveInt]]

    @model_validator(mode="after")
    def _holds_together(self) -> Self:
        if self.rising is None:
            if self.points or self.halves:
                raise ValueError("turning points without a direction")
            return self
        if self.last is None or not self.points:
            raise ValueError("a direction without a value")
        steps = [end - start for start, end in pairwise([*self.points, self.last])]
        if (steps[-1] > 0) is not self.rising or not all(steps):
            raise ValueError("the last value lies on the wrong side")
        if any((one > 0) is (next_ > 0) for one, next_ in pairwise(steps)):
            raise ValueError("turning points that do not turn")
        if any(abs(one) <= abs(next_) for one, next_ in pairwise(steps[:-1])):
            raise ValueError("turning points that rainflow would have counted")
        return self


def read(text: str) -> Saved:
    """Return the state in a text. Raises ``ValueError`` with what is wrong with it."""
    try:
        return Saved.model_validate_json(text)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        what = f"{where}: {first['msg']}" if where else first["msg"]
        raise ValueError(f"This is no saved rainflow count: {what}") from error
