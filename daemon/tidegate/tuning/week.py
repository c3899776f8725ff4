"""One settled week of a candidate, to look at: the charge and the supply by the hour.

The same lines of load and charge as in ``course``, with marks as they are set: what a
gauge in whole percents adds to a cycle is in the numbers, not in this picture. Where an
off only stops charging, as in a hold, the supply is on all week.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import inf
from typing import Final

from tidegate.core.policy import HOUR_MS, Policy
from tidegate.settings.duty import when_free
from tidegate.tuning.coasting import SETTLED_H, coasts_of
from tidegate.tuning.course import falling, is_always_fed
from tidegate.tuning.device import Device
from tidegate.tuning.outcome import Candidate
from tidegate.tuning.paths import WEEK_H, Track
from tidegate.tuning.resupplied import resupplied
from tidegate.tuning.site import Site

# The weeks before it, in which the way settles.
_SETTLED_H: Final = 2.0 * WEEK_H


@dataclass(frozen=True, slots=True, kw_only=True)
class Week:
    """Hours from Monday 0:00: the level where it bends, and when the supply is on."""

    levels: Track
    on: tuple[tuple[float, float], ...]


def week(device: Device, candidate: Candidate, policy: Policy) -> Week:
    """Return it. Errors: LogUnreadable for a supply in A without a capacity."""
    if candidate.supply_a is not None:
        device = resupplied(device, candidate.supply_a)
    return _Walk(Site(device), candidate, policy).result()


class _Walk:
    """Leg after leg, each to the next switching; times are hours of the site."""

    def __init__(self, site: Site, candidate: Candidate, policy: Policy) -> None:
        self._site, self._candidate, self._policy = site, candidate, policy
        self._fall = falling(site, candidate, policy)
        self._is_fed = is_always_fed(candidate, policy)
        self._levels: Track = []
        self._on: list[tuple[float, float]] = []
        self._coasts = coasts_of(site, candidate, policy, self._fall)
        self._settled_h = _SETTLED_H if self._coasts is None else SETTLED_H
        self._ends_h = self._settled_h + WEEK_H
        self._switchings: list[float] = []
        self._last_off_h = -inf

    def result(self) -> Week:
        """Return the week after it has settled."""
        hour, level = 0.0, self._candidate.low_percent
        while hour < self._ends_h:
            off_h = min(self._off_at(hour, level), self._ends_h)
            self._on.append((hour, off_h))
            hour, level = self._gone(self._site.feed.track(hour, level, off_h))
            on_h = min(self._on_at(hour, level), self._ends_h)
            self._last_off_h = hour
            # Rule 10 does not count the on with which a coast is over.
            self._switchings += [hour, on_h] if self._coasts is None else [hour]
            hour, level = self._gone(self._fallen(hour, level, on_h))
        levels = _cut(self._levels, self._settled_h)
        if self._is_fed:
            return Week(levels=levels, on=((0.0, float(WEEK_H)),))
        return Week(
            levels=levels,
            on=tuple(
                (max(begin - self._settled_h, 0.0), end - self._settled_h)
                for begin, end in self._on
                if end > self._settled_h
            ),
        )

    def _gone(self, track: Track) -> tuple[float, float]:
        self._levels += track
        return track[-1]

    def _off_at(self, hour: float, level: float) -> float:
        at_mark_h = self._site.feed.reaches(hour, level, self._candidate.high_percent)
        if at_mark_h == inf:
            return inf
        wanted_h = max(
            at_mark_h + self._site.device.delay_h,
            hour + self._candidate.dwell_on_ms / HOUR_MS,
        )
        if self._candidate.hold_percent is not None:
            return wanted_h
        return when_free(
            wanted_h,
            self._switchings,
            last_off=self._last_off_h,
            per_hour=self._policy.per_hour,
            per_day=self._policy.per_day,
        )

    def _on_at(self, hour: float, level: float) -> float:
        """Return when the low mark and the dwell let it, or the floor orders it.

        Where nothing is read meanwhile, when the time is over.
        """
        load, delay_h = self._fall, self._site.device.delay_h
        if load is None:
            return inf
        if self._coasts is not None:
            return self._coasts.on_at(hour, level)
        gone = load.at(hour)
        on_h = max(
            load.when(gone + max(0.0, level - self._candidate.low_percent)) + delay_h,
            hour + self._candidate.dwell_off_ms / HOUR_MS,
        )
        floor = self._policy.floor_percent
        return min(on_h, load.when(gone + max(0.0, level - floor)) + delay_h)

    def _fallen(self, hour: float, level: float, until_h: float) -> Track:
        load = self._fall
        if load is None:
            return [(hour, level), (until_h, level)]
        top = level + load.at(hour)
        edges = range(int(hour) + 1, int(until_h) + 1)
        times = [hour, *map(float, edges), until_h]
        return [(each, max(0.0, top - load.at(each))) for each in times]


def _cut(levels: Track, settled_h: float) -> Track:
    """Return the settled week of it, from its first moment on."""
    kept: Track = []
    for (before, low), (hour, level) in pairwise(levels):
        if hour < settled_h:
            continue
        if not kept:
            share = (settled_h - before) / (hour - before) if hour > before else 1.0
            kept.append((0.0, low + share * (level - low)))
        kept.append((hour - settled_h, level))
    return kept
