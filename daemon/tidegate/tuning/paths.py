"""Where the charge is after a time, and when it reaches a level, in closed form.

Load and net charge repeat by the hour of the week and are constant within an hour. So
what has fallen or risen since Monday 0:00 is a line with a bend at each full hour, and
the time at which so much has fallen is one look-up in that line's inverse. Where the
charger slows down near full, the level is stretched: with ``u`` the integral of
``1 / share`` over the level, ``du/dt`` is the net charge without any slowing.

Times are hours from a Monday, 0:00; levels are percent.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from itertools import accumulate
from math import inf
from typing import Final, Protocol

WEEK_H: Final = 168
# A charge that slows further than this would never arrive; a choice.
LEAST_SHARE: Final = 0.02
FULL_PERCENT: Final = 100.0

Track = list[tuple[float, float]]


class Line:
    """What has gone by since hour 0, of rates by hour that repeat every week.

    ``rates`` are 168, none below 0 and not all 0; the line is laid out for ``hours``.
    """

    __slots__ = ("rates", "sums")

    def __init__(self, rates: Sequence[float], hours: int) -> None:
        assert len(rates) == WEEK_H
        assert min(rates) >= 0 < max(rates)
        weeks = -(-hours // WEEK_H)
        self.rates = list(rates) * weeks
        self.sums = list(accumulate(self.rates, initial=0.0))

    def at(self, hour: float) -> float:
        """Return what has gone by; the end of the line stands for all later times."""
        # What never comes is asked for too, and has no whole hours.
        if hour >= len(self.rates):
            return self.sums[-1]
        whole = int(hour)
        return self.sums[whole] + self.rates[whole] * (hour - whole)

    def when(self, amount: float) -> float:
        """Return when so much has gone by; infinite beyond the end of the line."""
        if amount >= self.sums[-1]:
            return inf
        whole = bisect_right(self.sums, amount) - 1
        return whole + (amount - self.sums[whole]) / self.rates[whole]


class Stretch:
    """The level as the charger without slowing would see it, and back.

    ``slowing`` is by level the share of the rise that is left from there on.
    """

    def __init__(self, slowing: Mapping[float, float]) -> None:
        self._levels, self._places, self._shares = [0.0], [0.0], [1.0]
        for level in sorted(slowing):
            share = min(1.0, max(LEAST_SHARE, slowing[level]))
            if share == self._shares[-1]:
                continue
            self._places.append(self.place(level))
            self._levels.append(level)
            self._shares.append(share)
        # From here on nothing is as it would be without.
        self.from_percent = self._levels[1] if len(self._levels) > 1 else FULL_PERCENT

    def place(self, level: float) -> float:
        """Return ``u`` of a level."""
        piece = bisect_right(self._levels, level, 1) - 1
        return self._places[piece] + (level - self._levels[piece]) / self._shares[piece]

    def level(self, place: float) -> float:
        """Return the level of a ``u``, at most full."""
        piece = bisect_right(self._places, place, 1) - 1
        gone = (place - self._places[piece]) * self._shares[piece]
        return min(FULL_PERCENT, self._levels[piece] + gone)


class Feed(Protocol):
    """How the level moves while the supply is on."""

    def reaches(self, hour: float, level: float, target: float) -> float:
        """Return when it is at a higher level; infinite if not within the time."""

    def level(self, hour: float, level: float, until: float) -> float:
        """Return the level at a later time."""

    def track(self, hour: float, level: float, until: float) -> Track:
        """Return (time, level) at the begin, at each bend and at the end."""


class Rising:
    """A supply that outruns the load in every hour."""

    def __init__(self, rise: Sequence[float], stretch: Stretch, hours: int) -> None:
        self.line = Line(rise, hours)
        self.stretch = stretch

    def reaches(self, hour: float, level: float, target: float) -> float:
        if target <= level:
            return hour
        place = self.stretch.place
        return self.line.when(self.line.at(hour) + place(target) - place(level))

    def level(self, hour: float, level: float, until: float) -> float:
        risen = self.line.at(until) - self.line.at(hour)
        return self.stretch.level(self.stretch.place(level) + risen)

    def track(self, hour: float, level: float, until: float) -> Track:
        sums, edges = self.line.sums, range(int(hour) + 1, int(until) + 1)
        place = self.stretch.place(level) - self.line.at(hour)
        end = place + self.line.at(until)
        if end <= self.stretch.from_percent:
            track = [(hour, level)]
            for edge in edges:
                track.append((edge, place + sums[edge]))
            track.append((until, end))
            return track
        back = self.stretch.level
        return [
            (hour, level),
            *((edge, back(place + sums[edge])) for edge in edges),
            (until, back(end)),
        ]


class Strained:
    """A supply that some hours' load outruns: walked from bend to bend.

    What the load takes from the battery is not slowed; at 0 % the device is dark.
    """

    def __init__(self, rise: Sequence[float], stretch: Stretch, hours: int) -> None:
        self._rise = rise
        self._stretch = stretch
        self._hours = hours

    def reaches(self, hour: float, level: float, target: float) -> float:
        place = self._stretch.place
        while level < target:
            rate = self._rise[int(hour) % WEEK_H]
            edge = int(hour) + 1.0
            if rate > 0:
                taken = (place(target) - place(level)) / rate
                if taken <= edge - hour:
                    return hour + taken
            level = self._moved(level, rate, edge - hour)
            hour = edge
            if hour > self._hours:
                return inf
        return hour

    def level(self, hour: float, level: float, until: float) -> float:
        return self.track(hour, level, until)[-1][1]

    def track(self, hour: float, level: float, until: float) -> Track:
        track = [(hour, level)]
        while hour < until:
            rate = self._rise[int(hour) % WEEK_H]
            edge = min(until, int(hour) + 1.0)
            # Full or empty within the hour is a bend of its own.
            level, hour = self._to_bend(level, rate, hour, edge)
            track.append((hour, level))
        return track

    def _moved(self, level: float, rate: float, hours: float) -> float:
        if rate <= 0:
            return max(0.0, level + rate * hours)
        return self._stretch.level(self._stretch.place(level) + rate * hours)

    def _to_bend(
        self, level: float, rate: float, hour: float, edge: float
    ) -> tuple[float, float]:
        place = self._stretch.place
        if rate < 0 < level and level < -rate * (edge - hour):
            return 0.0, hour + level / -rate
        if rate > 0 and level < FULL_PERCENT:
            taken = (place(FULL_PERCENT) - place(level)) / rate
            if taken < edge - hour:
                return FULL_PERCENT, hour + taken
        return self._moved(level, rate, edge - hour), edge


def feed_of(rise: Sequence[float], stretch: Stretch, hours: int) -> Feed:
    """Return the quick way where the supply carries every hour, else the other."""
    if min(rise) > 0:
        return Rising(rise, stretch, hours)
    return Strained(rise, stretch, hours)
