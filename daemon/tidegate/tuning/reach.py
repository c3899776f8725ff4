"""How long the battery carries the device, and how long it takes to come back.

Both are look-ups in the lines of ``paths``, from every full hour of the week and to
every full hour. In between the answer is straight, so the worst of these is the worst
of any moment. (Of the way back with a supply that some hours outrun only the beginnings
are looked at.)

Where some hours outrun the supply the charge falls while fed too, and mains may fail at
the end of that. At which hour such a station is at its low mark no walk can promise, as
real weeks differ; so it may be any.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from math import inf
from statistics import fmean

from tidegate.tuning.paths import WEEK_H, Line, Rising
from tidegate.tuning.site import LAID_H, Site


def fed_levels(site: Site, low_percent: float) -> list[float]:
    """Return by hour of the week how low it may be while fed, and then at its end.

    It was at ``low_percent`` before, at whatever hour; 169 levels.
    """
    levels = [low_percent] * (WEEK_H + 1)
    if isinstance(site.feed, Rising):
        return levels
    level = low_percent
    # The second week is as all later ones are, where a week brings more than it takes.
    for hour in range(2 * WEEK_H):
        level = min(low_percent, site.feed.level(hour, level, hour + 1.0))
        levels[(hour + 1) % WEEK_H] = level
    levels[WEEK_H] = levels[0]
    return levels


def autonomy_h(
    site: Site, *, from_percent: float, to_percent: float
) -> tuple[float, float]:
    """Return the hours from a level down to another: the least, and the mean."""
    return autonomy_of(site, fed_levels(site, from_percent), to_percent=to_percent)


def autonomy_of(
    site: Site, levels: Sequence[float], *, to_percent: float
) -> tuple[float, float]:
    """Return the same from levels by the hour of the week.

    Where the hours of the week are not known the least is that at the steepest load
    that was seen, and the mean where none was seen for long enough.
    """
    falls = [max(0.0, each - to_percent) for each in levels]
    line = site.load
    gone = [line.sums[hour] + fall for hour, fall in enumerate(falls)]
    over = [line.when(each) for each in gone]
    lasts = [each - hour for hour, each in enumerate(over)]
    least = min(*lasts, *_over_on_the_hour(line, gone, over))
    steepest = site.device.steepest_percent_per_h
    if steepest:
        least = min(least, min(falls) / steepest)
    return least, fmean(lasts[:WEEK_H])


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
    return max([longest, *_ended(site.feed.line, rise)])


def _over_on_the_hour(
    line: Line, gone: Sequence[float], over: Sequence[float]
) -> Iterator[float]:
    """Yield how long it lasts where it is over at a full hour.

    ``gone`` is by the hour of its beginning what has gone by when it is ``over``. In
    between both are straight. (A level that rises less and less lies above that, so
    that nothing is told too long.)
    """
    for hour, (first, last) in enumerate(pairwise(over)):
        if inf in (first, last):
            continue
        begin, end = gone[hour], gone[hour + 1]
        early, late = sorted((int(first), int(last)))
        for ends in range(early + 1, late + 1):
            started = hour + (line.sums[ends] - begin) / (end - begin)
            yield ends - started


def _ended(line: Line, amount: float) -> Iterator[float]:
    """Yield how long it takes where it ends at each full hour of a week."""
    first = line.when(amount)
    if first < LAID_H - WEEK_H - 1:
        for end in range(int(first) + 1, int(first) + 1 + WEEK_H):
            yield end - line.when(line.sums[end] - amount)
