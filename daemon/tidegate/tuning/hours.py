"""The hours of the week in a zone, and how long a time lay in each."""

from __future__ import annotations

from datetime import UTC, datetime, tzinfo
from typing import Final

from tidegate.core.policy import HOUR_MS
from tidegate.tuning.paths import WEEK_H

# 1 January 1970 was a Thursday; hour 0 is Monday, 0:00.
_EPOCH_HOUR: Final = 72

Exposure = dict[int, float]


class Hours:
    """Tells the hour of the week; where no calendar is known all are hour 0."""

    def __init__(self, zone: tzinfo, *, is_calendar: bool) -> None:
        self.count = WEEK_H if is_calendar else 1
        self._zone = zone
        self._is_calendar = is_calendar
        self._offsets: dict[int, int] = {}

    def within(self, from_ms: float, until_ms: float) -> Exposure:
        """Return how many hours of a time lie in which hour of the week."""
        if not self._is_calendar:
            return {0: (until_ms - from_ms) / HOUR_MS}
        found: Exposure = {}
        while from_ms < until_ms:
            hour, left_ms = self._hour(from_ms)
            part_ms = min(left_ms, until_ms - from_ms)
            found[hour] = found.get(hour, 0.0) + part_ms / HOUR_MS
            # A step so small that it is lost to rounding must still be one.
            from_ms += max(part_ms, 0.1)
        return found

    def _hour(self, at_ms: float) -> tuple[int, float]:
        """Return the hour of the week, and how long it still lasts."""
        utc = int(at_ms // HOUR_MS)
        offset_ms = self._offsets.get(utc)
        if offset_ms is None:
            at = datetime.fromtimestamp(utc * HOUR_MS / 1000, UTC)
            offset = at.astimezone(self._zone).utcoffset()
            offset_ms = 0 if offset is None else round(offset.total_seconds() * 1000)
            self._offsets[utc] = offset_ms
        hour, gone_ms = divmod(at_ms + offset_ms, HOUR_MS)
        return (int(hour) + _EPOCH_HOUR) % WEEK_H, HOUR_MS - gone_ms
