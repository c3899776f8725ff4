"""`rise` and `relearn` of a station: when its window is another one for a while."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, time, timedelta
from math import ceil
from typing import Annotated, Final, Literal, Self

from pydantic import (
    Field,
    PlainSerializer,
    PlainValidator,
    WithJsonSchema,
    model_validator,
)

from tidegate.core.policy import DAY_MS, HOUR_MS, MINUTE_MS, Marks
from tidegate.settings.durations import Between
from tidegate.settings.problems import KeyPath, problem, shown
from tidegate.settings.table import ABOVE_FLOOR_PERCENT, HIGHEST_PERCENT, Table

# Narrower swings of charge measure no capacity: see ``tidegate.wear.capacity``.
LEAST_EXCURSION_PERCENT: Final = 30.0
# No excursion goes nearer to the floor. How fast a level falls at least before it was
# measured, in %/h, as for a gauge that seems frozen. Engineering choices, no source.
KEPT_FROM_FLOOR_PERCENT: Final = 3.0
LEAST_SLOPE: Final = 15.0
# Far enough on both sides for any plan, and within what every clock can tell.
FIRST_YEAR: Final = 2024
LAST_YEAR: Final = 2199
WEEK_MS: Final = 7 * DAY_MS
# A relearn turns this near to its low level at the earliest, and begins above that.
TURN_PERCENT: Final = 2.0

Day = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
DAYS: Final[tuple[Day, ...]] = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


def _is_a_time(value: object) -> datetime | time:
    if isinstance(value, datetime):
        if not FIRST_YEAR <= value.year <= LAST_YEAR:
            raise problem(
                f"found {shown(value)}, allowed are the years "
                f"{FIRST_YEAR} to {LAST_YEAR}"
            )
        return value
    if isinstance(value, time):
        return value
    raise problem(
        f"found {shown(value)}, allowed is a moment such as 2026-12-24T18:00:00, or a "
        "time of day such as 09:00:00, both without quotes"
    )


At = Annotated[
    datetime | time,
    PlainValidator(_is_a_time),
    PlainSerializer(lambda value: value.isoformat(), when_used="json"),
    # TOML's own types of time have no counterpart in JSON.
    WithJsonSchema({"type": "string", "examples": ["2026-12-24T18:00:00", "09:00:00"]}),
]


class Rise(Table):
    """A time at which the battery shall be fuller than its window."""

    at: At = Field(
        description="the moment: a date and time, or a time of day for every day in "
        "days; local time where it names no offset"
    )
    days: Annotated[tuple[Day, ...], Field(strict=False)] = Field(
        default=(),
        description="with a time of day: the days of the week; not set: every day",
    )
    to_percent: float = Field(
        alias="to", le=HIGHEST_PERCENT, description="level to reach, above the window"
    )
    for_ms: Annotated[int, Between("1min", "7d")] = Field(
        alias="for", description="how long after the moment the window stays up"
    )
    because: str = Field(
        default="", max_length=200, description="what it is for; goes into the log"
    )

    @model_validator(mode="after")
    def _days_fit(self) -> Self:
        if self.days and isinstance(self.at, datetime):
            raise problem(
                "found days with a date, allowed is a date alone, or days with a time "
                "of day",
                at=("days",),
            )
        return self

    def check(self, marks: Marks, *, at: KeyPath) -> None:
        """Refuse a level that the window has already."""
        if self.to_percent <= marks.high_percent:
            raise problem(
                f"found to = {self.to_percent:g} and a window up to "
                f"{marks.high_percent:g}, allowed is more than that, at most "
                f"{HIGHEST_PERCENT:g}",
                at=(*at, "to"),
            )


def longest_gap_ms(rises: Sequence[Rise]) -> int | None:
    """Return the longest time of any week in which none of the rises lasts, from the
    end of one to the moment of the next; ``None`` where none comes every week.
    """
    lasting = sorted(
        (begins_ms, begins_ms + rise.for_ms)
        for rise in rises
        for begins_ms in _of_a_week(rise)
    )
    if not lasting:
        return None
    until_ms = max(end_ms for _, end_ms in lasting) - WEEK_MS
    longest_ms = 0
    for begins_ms, end_ms in lasting:
        longest_ms = max(longest_ms, begins_ms - until_ms)
        until_ms = max(until_ms, end_ms)
    return longest_ms


def _of_a_week(rise: Rise) -> list[int]:
    if isinstance(rise.at, datetime):
        return []
    at = timedelta(hours=rise.at.hour, minutes=rise.at.minute, seconds=rise.at.second)
    days = {DAYS.index(day) for day in rise.days or DAYS}
    return [day * DAY_MS + at // timedelta(milliseconds=1) for day in days]


class Relearn(Table):
    """A rare wide excursion: once down to ``low``, then up to ``high``."""

    every_ms: Annotated[int, Between("7d", "3650d")] = Field(
        default=90 * DAY_MS,
        alias="every",
        description="time between two of them; what the daemon did not live through "
        "does not count",
    )
    low_percent: float = Field(
        default=35.0, alias="low", description="turns there; at least floor + 5"
    )
    high_percent: float = Field(
        default=85.0,
        alias="high",
        le=HIGHEST_PERCENT,
        description="ends there; at least low + 30",
    )

    @model_validator(mode="after")
    def _is_wide(self) -> Self:
        low, high = self.low_percent, self.high_percent
        if low + LEAST_EXCURSION_PERCENT > high:
            raise problem(
                f"found low = {low:g} and high = {high:g}, allowed is a high from "
                f"low + {LEAST_EXCURSION_PERCENT:g} to {HIGHEST_PERCENT:g}"
            )
        return self

    def check(self, *, floor_percent: float, dwell_off_ms: int, at: KeyPath) -> None:
        """Refuse to go near the floor, in an off that lasts the whole dwell too."""
        if self.low_percent < floor_percent + ABOVE_FLOOR_PERCENT:
            raise problem(
                f"found floor = {floor_percent:g} and low = {self.low_percent:g}, "
                f"allowed is a low at least {ABOVE_FLOOR_PERCENT:g} above the floor",
                at=(*at, "low"),
            )
        falls = LEAST_SLOPE * dwell_off_ms / HOUR_MS
        least = floor_percent + KEPT_FROM_FLOOR_PERCENT + falls
        if self.low_percent < least:
            raise problem(
                f"found low = {self.low_percent:g}, and an off that dwells for "
                f"{dwell_off_ms / MINUTE_MS:g} min, in which {falls:g} points may go; "
                f"allowed is a low from {ceil(least)} on, or a shorter dwell",
                at=(*at, "low"),
            )
