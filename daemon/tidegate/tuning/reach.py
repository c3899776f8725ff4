"""How long the battery carries the device, and how long it takes to come back.

Both are look-ups in the lines of ``paths``, from every full hour of the week and to
every full hour. In between the answer is straight, so the worst of these is the worst
of any moment. (With a supply that some hours outrun only the beginnings are looked at.)
"""

from __future__ import annotations

from collections.abc import Iterator
from math import inf
from statistics import fmean

from tidegate.tuning.paths import WEEK_H, Line, Rising
from tidegate.tuning.site import LAID_H, Site


def autonomy_h(
    site: Site, *, from_percent: float, to_percent: float
) -> tuple[float, float]:
    """Return the hours from a level down to another: the least, and the mean."""
    fall = from_percent - to_percent
    if fall <= 0:
        return 0.0, 0.0
    lasts = _lengths(site.load, fall)
    return min(*lasts, *_ended(site.load, fall)), fmean(lasts)


def lasts_h(
    site: Site, hour: float, *, from_percent: float, to_percent: float
) -> float:
    """Return the hours from a level down to another, begun at an hour of the week."""
    load = site.load
    return load.when(load.at(hour) + max(0.0, from_percent - to_percent)) - hour


def recovery_h(site: Site, *, from_percent: float, to_percent: float) -> float:
    """Return the longest way up between two levels; infinite where there is none."""
    if to_percent <= from_percent:
        return 0.0
    if not site.is_carried:
        return inf
    longest = max(
        site.feed.reaches(hour, from_percent, to_percent) - hour
        for hour in range(WEEK_H)
    )
    if not isinstance(site.feed, Rising):
        return longest
    place = site.stretch.place
    rise = place(to_percent) - place(from_percent)
    return max(longest, *_ended(site.feed.line, rise))


def _lengths(line: Line, amount: float) -> list[float]:
    """Return how long an amount takes, begun at each full hour of a week."""
    return [line.when(line.sums[hour] + amount) - hour for hour in range(WEEK_H)]


def _ended(line: Line, amount: float) -> Iterator[float]:
    """Yield how long it takes where it ends at each full hour of a week."""
    first = line.when(amount)
    if first < LAID_H - WEEK_H - 1:
        for end in range(int(first) + 1, int(first) + 1 + WEEK_H):
            yield end - line.when(line.sums[end] - amount)
