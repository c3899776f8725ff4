"""What a load took while nothing was read: from the last moment before to the next.

A gauge that needs the supply answers only while that is on, so a discharge is between
two charges of which something was read. Its level at the off and at the on no reading
shows exactly; but the gauge stepped shortly before the one, and steps again some time
after the other. From step to step the charge moved by what the load took without the
supply and by what the charging brought with it, and the rate of that is known from the
charges themselves. Both steps are met on the way up, with the same lag of the gauge, so
the lag is in neither the difference nor the load. Where a charge between two offs shows
no step at all, the way goes on across both.

A step is taken half way between two reads. The first after an on would so be late in
the mean: where none came between the reads before it, it is rather early in its own
pair (``narrowed``). Over charges of a few points that is no small share of what fell.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final

from tidegate.core.policy import HOUR_MS, MINUTE_MS
from tidegate.history import Coast, Point, Series
from tidegate.tuning.charges import over
from tidegate.tuning.hours import Exposure, Hours
from tidegate.tuning.spans import Moment, Span
from tidegate.tuning.weekly import Step, Way, Weekly

# What a reading says of a line further off rests on the pace too much; a reading sooner
# after an on may not have come to the lag of the others yet; and at a slower pace than
# that no step is bounded by its neighbours. Choices.
_BOUNDS_PERCENT: Final = 2.0
_BOUNDS_MS: Final = MINUTE_MS
_SLOWEST: Final = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Passage:
    """From a moment to another across one off or more that nobody saw.

    ``unfed`` are the hours of the week without supply between them, ``before`` and
    ``after`` those of charging on either side.
    """

    first: Moment
    last: Moment
    unfed: Exposure
    before: Exposure
    after: Exposure

    @property
    def unfed_h(self) -> float:
        """How long it was without supply."""
        return sum(self.unfed.values())

    @property
    def fallen_percent(self) -> float:
        """By how much it was lower after it, whatever was charged meanwhile."""
        return self.first.level_percent - self.last.level_percent

    def way(self, rise: Weekly, slowing: Mapping[float, float]) -> Way:
        """Return what the load alone took, with its error."""
        parts = (
            (share_at(slowing, self.first.level_percent), self.before),
            (share_at(slowing, self.last.level_percent), self.after),
        )
        risen = sum(share * over(hours, rise.rates) for share, hours in parts)
        error = sum(share * over(hours, rise.sigmas) for share, hours in parts) ** 2
        for each in (self.first, self.last):
            error += (rise.mean * each.within_ms / HOUR_MS) ** 2 / 3 + 1e-6
        return Way(0.0, [Step(self.fallen_percent + risen, self.unfed, error)])


def share_at(slowing: Mapping[float, float], level_percent: float) -> float:
    """Return which share of the rise a charger that slows down leaves at a level."""
    below = [level for level in slowing if level <= level_percent]
    return slowing[max(below)] if below else 1.0


def passages(
    found: Sequence[Span],
    traces: Sequence[Sequence[Moment]],
    coasts: Mapping[int, Coast],
    hours: Hours,
) -> list[Passage]:
    """Return those of all coasts, in order; ``traces`` are by span."""
    made = []
    open_way: _Open | None = None
    stretch = -1
    for span, trace in zip(found, traces, strict=True):
        coast = coasts.get(span.stretch) if span.stretch != stretch else None
        stretch = span.stretch
        if open_way is not None:
            open_way = open_way.across(coast, hours) if coast else None
        if not span.is_fed:
            open_way = None
        elif trace:
            if open_way is not None:
                made.append(open_way.closed(trace[0], hours))
            open_way = _Open(trace[-1])
    return made


def narrowed(
    span: Span, trace: Sequence[Moment], pace_of: Callable[[Moment], float]
) -> list[Moment]:
    """Return the moments of a charge as all of its readings leave them.

    ``pace_of`` is the rise in points an hour at a moment. A reading of a gauge in whole
    percents bounds the charge to half a point either way, and at a known pace so the
    time at which it passed any line. Where readings gainsay each other it stays.
    """
    points = [
        each for each in span.points if each.at_ms >= span.settled_ms - _BOUNDS_MS
    ]
    return [_narrowed(each, points, pace_of(each)) for each in trace]


def _narrowed(moment: Moment, points: Sequence[Point], percent_per_h: float) -> Moment:
    if percent_per_h < _SLOWEST or moment.passes > 1:
        return moment
    line, ms = moment.level_percent, HOUR_MS / percent_per_h
    low, high = moment.at_ms - moment.within_ms, moment.at_ms + moment.within_ms
    for each in points:
        above = each.soc_percent - line
        if abs(above) < _BOUNDS_PERCENT:
            low = max(low, each.at_ms - (above + 0.5) * ms)
            high = min(high, each.at_ms - (above - 0.5) * ms)
    if low >= high:
        return moment
    return Moment((low + high) / 2, line, (high - low) / 2, 1)


def by_stretch(series: Series) -> dict[int, Coast]:
    """Return the coasts by the stretch that begins after them."""
    number = {place: each for each, place in enumerate(series.breaks, start=1)}
    return {number[each.place]: each for each in series.coasts}


def back_h(series: Series) -> float:
    """Return how long after an on the gauge is read again, the median; 0 without any."""
    late = [series.points[each.place].at_ms - each.on_ms for each in series.coasts]
    return median(late) / HOUR_MS if late else 0.0


class _Open:
    """A passage whose end is still to come."""

    def __init__(self, first: Moment) -> None:
        self._first = first
        self._since_ms = first.at_ms
        self._unfed: Exposure = {}
        self._before: Exposure = {}

    def across(self, coast: Coast, hours: Hours) -> _Open:
        """Take an off."""
        _add(self._before, hours.within(self._since_ms, coast.off_ms))
        _add(self._unfed, hours.within(coast.off_ms, coast.on_ms))
        self._since_ms = coast.on_ms
        return self

    def closed(self, last: Moment, hours: Hours) -> Passage:
        """Return it with its end."""
        return Passage(
            first=self._first,
            last=last,
            unfed=self._unfed,
            before=self._before,
            after=hours.within(self._since_ms, last.at_ms),
        )


def _add(to: Exposure, more: Exposure) -> None:
    for hour, each in more.items():
        to[hour] = to.get(hour, 0.0) + each


def warm_in(series: Series) -> Iterator[tuple[Coast, float]]:
    """Yield how warm it was in each coast: the mean of before and after."""
    for each in series.coasts:
        before = series.points[each.place - 1].temperature_c
        after = series.points[each.place].temperature_c
        if before is not None and after is not None:
            yield each, (before + after) / 2
