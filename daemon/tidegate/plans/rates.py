"""How fast a station charges, by band of its level, as its own readings show it.

A rate is the points between two upward steps of the gauge over the time between them,
so that a gauge in whole percents is measured where it is exact. What counts of a band
is a slow one of the last 14 days: four of five were faster. The last two count alone
where both are slower, for the supply may be a weaker one by now; and no band counts for
more than one below it, for a charger gives less and less towards full.
"""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Sequence
from dataclasses import dataclass
from math import inf
from typing import Final

from tidegate.core.policy import DAY_MS, HOUR_MS, MINUTE_MS

# Before anything is learned. A net charge this slow is that of a tablet at work on a
# weak supply; an engineering choice without a source, on the early side.
UNLEARNED_PERCENT_AN_HOUR: Final = 5.0
# Near full a charger holds the voltage and lets the current fall. Shares of the full
# rate for bands that were never seen; common practice, no source.
_TAPER: Final = (*(8 * [1.0]), 0.5, 0.25)
_BAND_PERCENT: Final = 10
_LAST_BAND: Final = 9
_SLOW_QUANTILE: Final = 0.2
_LATEST: Final = 2
LEARNED_DAYS: Final = 14
_SAMPLES: Final = 64
_LEAST_PERCENT: Final = 2.0
_LEAST_MS: Final = 2 * MINUTE_MS
# Equal readings make one row of up to a quarter of an hour: no gap in the log.
_GAP_MS: Final = 20 * MINUTE_MS
_SLIP_MS: Final = MINUTE_MS


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """A trusted reading, as far as a rate needs it. Times are ms of both clocks."""

    at_ms: int
    wall_ms: int
    soc_percent: float
    is_charging: bool


class Rates:
    """Learns the rates of one station, reading by reading; bounded."""

    def __init__(self) -> None:
        self._samples: defaultdict[int, deque[tuple[int, float]]] = defaultdict(
            lambda: deque(maxlen=_SAMPLES)
        )
        # What counts now, by band, and the hour it was worked out for.
        self._known: dict[int, float] = {}
        self._known_at: int | None = None
        self._last: Seen | None = None
        self._from: Seen | None = None
        self._to: Seen | None = None
        self._top_percent = 0.0

    def take(self, seen: Seen) -> None:
        """Take the next reading."""
        last, self._last = self._last, seen
        if not seen.is_charging or last is None or not _follows(last, seen):
            self._close()
            self._top_percent = seen.soc_percent
            return
        if seen.soc_percent <= self._top_percent:
            return  # no step, or the noise of a gauge
        self._top_percent = seen.soc_percent
        if self._from is None:
            self._from = self._to = seen
            return
        self._to = seen
        if _band(seen.soc_percent) != _band(self._from.soc_percent):
            self._close()
            self._from = self._to = seen

    def percent_an_hour(self, soc_percent: float, wall_ms: int) -> float:
        """Return the rate that can be counted on at this level, above 0."""
        band, known = _band(soc_percent), self._slow_ones(wall_ms)
        if band in known:
            return known[band]
        if not known:
            return UNLEARNED_PERCENT_AN_HOUR * _TAPER[band]
        nearest = min(known, key=lambda each: (each > band, abs(each - band)))
        return known[nearest] * min(1.0, _TAPER[band] / _TAPER[nearest])

    def is_learned(self, wall_ms: int) -> bool:
        """Return whether any rate was learned of late."""
        return bool(self._slow_ones(wall_ms))

    def ms_between(self, low_percent: float, high_percent: float, wall_ms: int) -> int:
        """Return how long it takes from a level up to another one."""
        hours, level = 0.0, low_percent
        while level < high_percent:
            end = min(high_percent, float((_band(level) + 1) * _BAND_PERCENT))
            hours += (end - level) / self.percent_an_hour(level, wall_ms)
            level = end
        return round(hours * HOUR_MS)

    def level_after(
        self, from_percent: float, for_ms: int, wall_ms: int, *, most_percent: float
    ) -> float:
        """Return the level after so much time of charging, at most that."""
        level, left_ms = from_percent, float(for_ms)
        while level < most_percent and left_ms > 0:
            end = min(most_percent, float((_band(level) + 1) * _BAND_PERCENT))
            rate = self.percent_an_hour(level, wall_ms) / HOUR_MS
            step = min(end - level, rate * left_ms)
            left_ms -= (end - level) / rate
            level += step
        return level

    def _slow_ones(self, wall_ms: int) -> dict[int, float]:
        hour = wall_ms // HOUR_MS
        if self._known_at != hour:
            self._known_at = hour
            since_ms = wall_ms - LEARNED_DAYS * DAY_MS
            self._known = {}
            below = inf
            for band, samples in sorted(self._samples.items()):
                rates = [rate for at_ms, rate in samples if at_ms >= since_ms]
                if rates:
                    below = self._known[band] = min(below, _counted_on(rates))
        return self._known

    def _close(self) -> None:
        begin, end, self._from, self._to = self._from, self._to, None, None
        if begin is None or end is None:
            return
        points = end.soc_percent - begin.soc_percent
        span_ms = end.at_ms - begin.at_ms
        if points >= _LEAST_PERCENT and span_ms >= _LEAST_MS:
            sample = (end.wall_ms, points * HOUR_MS / span_ms)
            self._samples[_band(begin.soc_percent)].append(sample)
            self._known_at = None


def _counted_on(rates: Sequence[float]) -> float:
    """Return what counts of the rates of a band, which are oldest first."""
    slow = sorted(rates)[int(_SLOW_QUANTILE * (len(rates) - 1))]
    return min(slow, max(rates[-_LATEST:]))


def _band(soc_percent: float) -> int:
    return min(max(int(soc_percent // _BAND_PERCENT), 0), _LAST_BAND)


def _follows(last: Seen, seen: Seen) -> bool:
    """Whether no boot, suspend or gap lies between two readings."""
    passed_ms = seen.at_ms - last.at_ms
    return (
        0 <= passed_ms <= _GAP_MS
        and abs(seen.wall_ms - last.wall_ms - passed_ms) <= _SLIP_MS
        and last.is_charging
    )
