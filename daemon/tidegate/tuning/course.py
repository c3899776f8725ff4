"""A year of a station from switching to switching, without any step of time.

With the supply off the level falls along the line of the load, with it on it rises
along that of the net charge; ``paths`` says when either reaches a mark. A switching
comes then, or with the end of the dwell, or, for an off, when rule 10 lets it go
(``settings.duty.when_free``); the floor ends an off at once. So a cycle of any length
costs two look-ups each way.

A hold, and any off of a relay that only stops charging, leaves the load to the supply:
only what it cannot carry falls then. Where the gauge needs the supply an off ends by
time instead of at the low mark (``coasting``), and rule 10 does not count that on.

How true it is to one real year: the loads of a week repeat themselves for ever here.
The walk ends before a year is over once it is back, after at least two weeks and 40
cycles, at the hour of the week at which it began, to a thousandth of what it walked, or
after 400 cycles; its figures are then those of a year to a few thousandths. It ends
with a cycle, where there are any.

Regular weeks and cycles lock into one another: with the very same load each week a
second more of delay may make 94 cycles a week out of 92. So a real year, whose weeks
differ, has no more than 1 or 2 % of certainty in it, whatever is walked.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import inf
from typing import Final

from tidegate.core.passing import OVER_MS
from tidegate.core.policy import HOUR_MS, Policy, Proof
from tidegate.core.watch import FROZEN_LASTS_MS
from tidegate.settings.duty import when_free
from tidegate.tuning.coasting import SETTLED_H, coasts_of
from tidegate.tuning.freezing import freezing
from tidegate.tuning.outcome import Candidate
from tidegate.tuning.paths import FULL_PERCENT, WEEK_H, Line, Strained, Track
from tidegate.tuning.site import LAID_H, YEAR_H, Site
from tidegate.tuning.stays import Stays
from tidegate.wear.duty import Duty

HOLD_BAND_PERCENT: Final = 2.0  # the marks of a hold h are h - 2 and h
# What charging left above a mark stays there, and is an alarm from so many points on.
ABOVE_HOLD_PERCENT: Final = 2.0
_SETTLED_H: Final = float(WEEK_H)
_FEWEST: Final = 40
_MOST: Final = 400
_BACK: Final = 1e-3
_ROUNDING: Final = 1e-6
# A gauge in whole percents narrows a window of two points to one; less is no window.
_NARROWEST_PERCENT: Final = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """A year of 365 days. Hours are those a year above and under the window.

    ``walked_h`` is how much of it was walked through. ``stays`` is the same as
    ``duty`` as it was counted, over ``walked_h``. ``down_to_percent`` is the lowest
    level to which an off led, the low mark where none led under it. ``off_h`` is how
    long an off lasts in the mean where it ends by time, ``None`` where it does not.
    """

    stays: Stays
    walked_h: float
    switchings_per_year: float
    efc_per_year: float
    mean_percent: float
    outside_h: float
    under_h: float
    down_to_percent: float
    off_h: float | None = None

    @property
    def duty(self) -> Duty:
        """What the models take."""
        return self.stays.duty(YEAR_H / self.walked_h)


def course(
    site: Site, candidate: Candidate, policy: Policy, *, is_whole: bool = False
) -> Course:
    """Return a year of a candidate. ``is_whole``: walk the whole of it."""
    walk = _Walk(site, candidate, policy)
    walk.run(is_whole=is_whole)
    return walk.result()


class _Walk:
    """The way of one candidate. Times are hours, levels true points of the charge.

    Where the gauge tells whole percents a mark shows half a point early, so the true
    window is ``top`` and ``bottom``.
    """

    def __init__(self, site: Site, candidate: Candidate, policy: Policy) -> None:
        self._site = site
        self._policy = policy
        self._is_hold = candidate.hold_percent is not None
        low, high = candidate.low_percent, candidate.high_percent
        half = (site.device.step_percent - site.rest_percent) / 2
        half = min(half, (high - low - _NARROWEST_PERCENT) / 2)
        self._top, self._bottom = min(100.0, high - half), low + half
        self._high, self._low = high, low
        self._floor = policy.floor_percent + site.device.step_percent / 2
        # An off is decided with a reading only, which comes half a poll later.
        self._read_h = policy.poll_ms / HOUR_MS / 2
        self._dwell_on_h = candidate.dwell_on_ms / HOUR_MS + self._read_h
        self._dwell_off_h = candidate.dwell_off_ms / HOUR_MS
        self._fall = falling(site, candidate, policy)
        self._unfed = site.unfed_heat
        if is_always_fed(candidate, policy):
            self._unfed = site.held_heat
            self._high += ABOVE_HOLD_PERCENT
        # Else the level turns at switchings only.
        self._is_strained = isinstance(site.feed, Strained)
        self._spent: list[float] = []
        self._last_off_h = -inf
        self._freezing = freezing(site, candidate, policy)
        self._thaws_h = -inf
        self._coasts = coasts_of(site, candidate, policy, self._fall)
        self._settled_h = _SETTLED_H if self._coasts is None else SETTLED_H
        self._begin(0.0)

    def _begin(self, hour: float) -> None:
        self._began_h = hour
        self._ended_h = hour
        self._stays = Stays(self._site.heats)
        self._count = 0
        self._above_h = self._below_h = 0.0
        self._down_to = self._low
        if self._coasts is not None:
            self._coasts.begin()

    def run(self, *, is_whole: bool) -> None:
        """Walk until it is enough."""
        hour, level = 0.0, max(0.0, self._bottom)
        ends_h = float(LAID_H)
        is_settled = False
        while True:
            off_h = self._off_at(hour, level)
            level = self._fed(hour, level, min(off_h, ends_h))
            if off_h >= ends_h:
                break
            if self._fall is None:
                self._begin(off_h)
                self._unfed_leg(off_h, level, off_h + WEEK_H)
                break
            if not is_settled and off_h >= self._settled_h:
                is_settled = True
                self._begin(off_h)
            elif is_settled and self._is_enough(off_h, is_whole=is_whole):
                break
            self._switched(off_h, level)
            self._last_off_h = off_h
            on_h, counts = self._on_at(off_h, level)
            level = self._unfed_leg(off_h, level, min(on_h, ends_h))
            if level < self._down_to - _ROUNDING:
                self._down_to = level
            if on_h >= ends_h:
                break
            self._switched(on_h, level, counts=counts)
            hour = on_h
        self._stays.turned(level)

    def result(self) -> Course:
        """Return the averages of what was walked since it had settled."""
        stays = self._stays
        walked_h = self._ended_h - self._began_h
        a_year = YEAR_H / walked_h
        switchings = 0.0 if self._is_hold else self._count * a_year
        coasts = self._coasts
        return Course(
            stays=stays,
            walked_h=walked_h,
            switchings_per_year=switchings,
            efc_per_year=stays.efc * a_year,
            mean_percent=stays.mean_percent,
            outside_h=self._above_h * a_year,
            under_h=self._below_h * a_year,
            down_to_percent=self._down_to,
            off_h=coasts.boxed_h / coasts.count if coasts and coasts.count else None,
        )

    def _is_enough(self, hour: float, *, is_whole: bool) -> bool:
        """Return whether whole cycles stand for a year."""
        span = hour - self._began_h
        if span >= YEAR_H:
            return True
        if is_whole or self._count < 2 * _FEWEST or span < 2 * WEEK_H - 1:
            return False
        off_by = span % WEEK_H
        is_back = min(off_by, WEEK_H - off_by) <= _BACK * span
        return is_back or self._count >= 2 * _MOST

    def _switched(self, hour: float, level: float, *, counts: bool = True) -> None:
        self._count += 1
        if counts:
            self._spent.append(hour)
        self._stays.turned(level)

    def _off_at(self, hour: float, level: float) -> float:
        site = self._site
        cross_h = site.feed.reaches(hour, level, self._top)
        if cross_h == inf:
            return inf
        wanted_h = max(cross_h + site.device.delay_h, hour + self._dwell_on_h)
        if self._is_hold:
            return wanted_h
        wanted_h = max(wanted_h, self._thaws_h)
        policy = self._policy
        free_h = when_free(
            wanted_h,
            self._spent,
            last_off=self._last_off_h,
            per_hour=policy.per_hour,
            per_day=policy.per_day,
        )
        return free_h + self._read_h if free_h > wanted_h else wanted_h

    def _on_at(self, hour: float, level: float) -> tuple[float, bool]:
        """Return when an off ends, and whether rule 10 counts that."""
        fall, delay_h = self._fall, self._site.device.delay_h
        if fall is None:
            return inf, True
        if self._coasts is not None:
            return self._coasts.on_at(hour, level), False
        gone = fall.at(hour)
        cross_h = fall.when(gone + max(0.0, level - self._bottom))
        on_h = max(cross_h + delay_h, hour + self._dwell_off_h)
        counts = True
        if level - fall.at(on_h) + gone < self._floor:
            floor_h = fall.when(gone + level - self._floor) + delay_h
            if floor_h < on_h:
                on_h, counts = floor_h, False
        if self._freezing is not None:
            frozen_h, step_up = self._freezing.looks_at(hour, level, on_h)
            self._thaws_h = -inf
            if frozen_h < on_h:
                on_h, counts = frozen_h, False
                left = level - fall.at(on_h) + gone
                self._thaws_h = self._thaw(on_h, left, step_up)
        return on_h, counts

    def _thaw(self, hour: float, level: float, step_up: float) -> float:
        """Return when rule 4 lets a frozen gauge go: it moved, or a day is over."""
        moved_h = inf
        if step_up <= FULL_PERCENT:
            moved_h = self._site.feed.reaches(hour, level, step_up)
        moved_h += self._site.device.delay_h
        thaws_h = min(moved_h, hour + FROZEN_LASTS_MS / HOUR_MS)
        return thaws_h + OVER_MS / HOUR_MS

    def _fed(self, hour: float, level: float, until_h: float) -> float:
        track = self._site.feed.track(hour, level, until_h)
        return self._lived(track, self._site.fed_heat)

    def _unfed_leg(self, hour: float, level: float, until_h: float) -> float:
        return self._lived(_fallen(self._fall, hour, level, until_h), self._unfed)

    def _lived(self, track: Track, heat: Sequence[int]) -> float:
        """Add up a leg; return the level at its end."""
        self._stays.leg(track, heat)
        self._ended_h, end = track[-1]
        if self._is_strained:
            for _, level in track[1:-1]:
                self._stays.turned(level)
        start = track[0][1]
        is_inside = max(start, end) <= self._high and min(start, end) >= self._low
        if self._is_strained or not is_inside:
            self._beyond(track)
        return end

    def _beyond(self, track: Track) -> None:
        """Add up the time outside of the window."""
        for (before, one), (after, other) in pairwise(track):
            took = after - before
            self._above_h += took * _share_above(one, other, self._high)
            self._below_h += took * _share_above(-one, -other, -self._low)


def _share_above(one: float, other: float, level: float) -> float:
    """Return which share of a straight line lies above a level."""
    low, high = (one, other) if one <= other else (other, one)
    if high <= level:
        return 0.0
    return 1.0 if low >= level else (high - level) / (high - low)


def _fallen(fall: Line | None, hour: float, level: float, until_h: float) -> Track:
    if fall is None:
        edges = range(int(hour) + 1, int(until_h) + 1)
        return [(hour, level), *((each, level) for each in edges), (until_h, level)]
    sums = fall.sums
    start = level + fall.at(hour)
    track = [(hour, level)]
    for edge in range(int(hour) + 1, int(until_h) + 1):
        track.append((edge, max(0.0, start - sums[edge])))
    track.append((until_h, max(0.0, start - fall.at(until_h))))
    return track


def is_always_fed(candidate: Candidate, policy: Policy) -> bool:
    """Return whether an off only stops charging: a hold, or such a relay."""
    is_held = candidate.hold_percent is not None
    return is_held or policy.hold or policy.proof is Proof.CHARGING


def falling(site: Site, candidate: Candidate, policy: Policy) -> Line | None:
    """Return what falls in an off; ``None`` where nothing does.

    Where the supply stays that is only what it cannot carry.
    """
    if not is_always_fed(candidate, policy):
        return site.load
    lacking = [max(0.0, -each) for each in site.rise]
    return Line(lacking, len(site.load.rates)) if any(lacking) else None
