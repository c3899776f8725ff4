"""How fast the charge moves under each supply, and when it will reach a level.

Only for people: no decision rests on it. A gauge that tells whole percents says
something at its changes only, so a rate runs from the first change since the last
switching to the latest one.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from tidegate.core.policy import HOUR_MS
from tidegate.core.reading import Supply

# Less than this says more of the gauge's steps than of the battery.
LEAST_POINTS: Final = 1.0


@dataclass(slots=True)
class Pace:
    """The pace of one station's charge, from its trusted readings in their order.

    ``learned`` has the rate in percent an hour of the last span under each supply.
    """

    learned: dict[Supply, float] = field(default_factory=dict)
    _supply: Supply | None = None
    _since_ms: int = 0
    _level_percent: float | None = None
    _first: tuple[int, float] | None = None
    _last: tuple[int, float] | None = None

    def take(self, at_ms: int, soc_percent: float, supply: Supply | None) -> None:
        """Take one reading, and the supply that was commanded at that time."""
        if supply is not self._supply:
            self._supply, self._since_ms = supply, at_ms
            self._level_percent = soc_percent
            self._first = self._last = None
            return
        if soc_percent == self._level_percent:
            return
        self._level_percent = soc_percent
        self._last = (at_ms, soc_percent)
        if self._first is None:
            self._first = self._last
        rate = self._rate()
        if rate is not None and supply is not None:
            self.learned[supply] = rate

    def _rate(self) -> float | None:
        if self._first is None or self._last is None:
            return None
        (from_ms, from_percent), (to_ms, to_percent) = self._first, self._last
        if abs(to_percent - from_percent) < LEAST_POINTS or to_ms <= from_ms:
            return None
        return (to_percent - from_percent) * HOUR_MS / (to_ms - from_ms)

    def is_known(self) -> bool:
        """Return whether there is a rate under the supply of now."""
        return self._known() is not None

    def _known(self) -> float | None:
        rate = self._rate()
        if rate is None and self._supply is not None:
            rate = self.learned.get(self._supply)
        return rate

    def reaches_ms(
        self, to_percent: float, *, now_ms: int, soc_percent: float
    ) -> int | None:
        """Return when the charge reaches a level, ``None`` where that is not known, or
        it moves away from it.

        Never a time that has passed: a charge that is late is due now.
        """
        rate = self._known()
        way_percent = to_percent - soc_percent
        if not rate or rate * way_percent <= 0:
            return None
        # From the last change; before the first one, from the switching.
        since_ms = self._last[0] if self._last is not None else self._since_ms
        return max(now_ms, since_ms + round(way_percent / rate * HOUR_MS))
