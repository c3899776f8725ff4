"""Quantities that repeat by the hour of the day or of the week."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

HOUR_MS: Final = 3_600_000
DAY_HOURS: Final = 24
WEEK_HOURS: Final = 168
# 1 January 1970 was a Thursday; hour 0 of our week is Monday, 0:00.
_EPOCH_HOUR: Final = 3 * DAY_HOURS


@dataclass(frozen=True, slots=True)
class Profile:
    """A value for each hour: 1 (constant), 24 (a day) or 168 (a week from Monday).

    Hours are those of the wall clock moved by ``utc_offset_h``.
    """

    values: tuple[float, ...]
    utc_offset_h: float = 0.0

    def __post_init__(self) -> None:
        assert len(self.values) in (1, DAY_HOURS, WEEK_HOURS)

    def _hour(self, wall_ms: int) -> float:
        return wall_ms / HOUR_MS + self.utc_offset_h + _EPOCH_HOUR

    def at(self, wall_ms: int) -> float:
        """Return the value of the hour that contains this time."""
        return self.values[int(self._hour(wall_ms) // 1) % len(self.values)]

    def between(self, wall_ms: int) -> float:
        """Return the value on a straight line between the middles of two hours."""
        if len(self.values) == 1:
            return self.values[0]
        whole, part = divmod(self._hour(wall_ms) - 0.5, 1)
        before = self.values[int(whole) % len(self.values)]
        after = self.values[int(whole + 1) % len(self.values)]
        return before + (after - before) * part

    def next_hour_ms(self, wall_ms: int) -> int:
        """Return when the hour after this time begins."""
        shift_ms = round(self.utc_offset_h * HOUR_MS)
        return ((wall_ms + shift_ms) // HOUR_MS + 1) * HOUR_MS - shift_ms
