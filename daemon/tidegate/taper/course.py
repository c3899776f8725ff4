"""A charge as it is recorded: when it may begin, how it goes on, when it is over."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from typing import Any, Final

from tidegate.core.policy import HOUR_MS, MINUTE_MS
from tidegate.taper.shape import COOL_C, WARM_C

# Choices, no source: a charge should show what comes before a taper.
START_MOST_PERCENT: Final = 35.0
FULL_PERCENT: Final = 99.5
# So long at full, or without any rise: a taper's last percents take an hour and more.
FULL_MS: Final = 30 * MINUTE_MS
STILL_MS: Final = 3 * HOUR_MS
_PACE_MS: Final = 45 * MINUTE_MS
_NOTHING_PERCENT_H: Final = 0.2


def why_not_yet(reading: Mapping[str, Any]) -> str:
    """Return what keeps a recording from beginning, and what to do; empty if nothing."""
    soc = reading["soc_percent"]
    celsius = reading["temperature_c"]
    if soc > START_MOST_PERCENT:
        return (
            f"It is at {soc:.0f} %. Unplug it and let it run down to 20 to 30 %, then put "
            "it back on its charger."
        )
    if reading["external_power"] == "no":
        return f"It is at {soc:.0f} %, and not fed: put it on its own charger now."
    if celsius is not None and not COOL_C < celsius < WARM_C:
        return f"The battery is at {celsius:.0f} °C: let it come to room temperature first."
    if reading["battery_status"] == "discharging":
        return f"It is at {soc:.0f} % and discharging: put it on its own charger now."
    return ""


class Course:
    """What came of the readings so far. Times are boot-clock ms, in order."""

    def __init__(self, *, most_ms: int) -> None:
        self.begun_ms: int | None = None
        self.soc_percent = 0.0
        self._most_ms = most_ms
        self._last_ms = 0
        self._highest = -1.0
        self._risen_ms = 0
        self._full_since: int | None = None
        self._recent: deque[tuple[int, float]] = deque()

    def take(self, at_ms: int, reading: Mapping[str, Any]) -> None:
        """Take a trusted reading."""
        soc = float(reading["soc_percent"])
        if self.begun_ms is None:
            self.begun_ms = at_ms
        self.soc_percent, self._last_ms = soc, at_ms
        # A whole percent is the least that a gauge tells for sure.
        if soc >= self._highest + 0.9 or self._highest < 0:
            self._highest, self._risen_ms = soc, at_ms
        is_fed = reading["external_power"] != "no"
        if not is_fed:
            # What is not fed does not rise: that is no end.
            self._risen_ms = at_ms
        is_full = soc >= FULL_PERCENT or reading["battery_status"] == "full"
        if not (is_full and is_fed):
            self._full_since = None
        elif self._full_since is None:
            self._full_since = at_ms
        self._recent.append((at_ms, soc))
        while at_ms - self._recent[0][0] > _PACE_MS:
            self._recent.popleft()

    def passed_ms(self, now_ms: int) -> int:
        """Return how long it has been recorded."""
        return 0 if self.begun_ms is None else now_ms - self.begun_ms

    def over(self, now_ms: int) -> str:
        """Return why it is over; empty while it goes on."""
        if self.begun_ms is None:
            return ""
        if self._full_since is not None and now_ms - self._full_since >= FULL_MS:
            return "It is full and stays there."
        if self._last_ms - self._risen_ms >= STILL_MS:
            return f"It has stayed at {self.soc_percent:.0f} % for 3 h."
        if now_ms - self.begun_ms >= self._most_ms:
            return "The time for it is over."
        return ""

    @property
    def rate_percent_h(self) -> float | None:
        """How fast it rises; ``None`` before that can be said."""
        (begin_ms, low), (end_ms, high) = self._recent[0], self._recent[-1]
        if end_ms - begin_ms < 10 * MINUTE_MS:
            return None
        return (high - low) * HOUR_MS / (end_ms - begin_ms)

    def progress(self, now_ms: int) -> str:
        """Return a line for the person: level, rate, time, what remains at this rate."""
        said = f"{self.soc_percent:.0f} %"
        rate = self.rate_percent_h if self._recent else None
        if rate is not None:
            said += f", {rate:.1f} % an hour"
        said += f", {_length(self.passed_ms(now_ms))} so far"
        if rate is not None and rate > _NOTHING_PERCENT_H and self.soc_percent < 99:
            left_ms = (100 - self.soc_percent) / rate * HOUR_MS
            rest_ms = self._most_ms - self.passed_ms(now_ms)
            said += (
                f", about {_length(left_ms)} to go at this rate"
                if left_ms <= rest_ms
                else f", ends in {_length(rest_ms)} (--for)"
            )
        return said


def _length(ms: float) -> str:
    minutes = round(max(ms, 0) / MINUTE_MS)
    hours, rest = divmod(minutes, 60)
    return f"{hours} h {rest:02d} min" if hours else f"{rest} min"
