"""Times in which the supply did not change, and the moments at which the charge is known.

A gauge in whole percents is exact only when it steps: then the charge is half way
between two of its values, at a time between two reads. A gauge that flickers between
two values on the way passes the line between them several times; the middle of these
is the moment. Nothing is taken across a time that was not seen.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby, pairwise
from typing import Final, NamedTuple

from tidegate.core.policy import MINUTE_MS
from tidegate.core.reading import BatteryStatus
from tidegate.history import Point, Series

# From here up a gauge that is fed may tell full, whatever the battery does; a choice.
_FULL_PERCENT: Final = 98.5
_IDLE: Final = frozenset({BatteryStatus.FULL, BatteryStatus.NOT_CHARGING})
# A gauge lags, and its filter is still at the rate from before the switching; a choice.
_SETTLES_MS: Final = 3 * MINUTE_MS
# After an on that no reading shows it is counted from that. Many such charges last no
# longer than the dwell of 3 min, and all are alike in what is left of the lag by then.
_SETTLES_UNREAD_MS: Final = 2 * MINUTE_MS
# What the charge must come back by to have turned, where nothing tells the supply.
_TURN_PERCENT: Final = 2.0
# A gauge with fine steps is looked at whenever it moved so far.
_FINE_PERCENT: Final = 0.5
# A gauge of which more moments than that are passed several times is noisy; a choice.
_NOISY: Final = 0.05


class Moment(NamedTuple):
    """The charge at a time that is known to ± ``within_ms``."""

    at_ms: float
    level_percent: float
    within_ms: float
    passes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """Readings in a row with one state of the supply.

    ``is_fed`` is ``None`` where the battery was neither charged nor used: held, full,
    or not known. ``from_ms`` and ``until_ms`` are half way to the readings of the
    spans beside it. From ``settled_ms`` on the gauge shows it.
    """

    is_fed: bool | None
    points: Sequence[Point]
    from_ms: float
    until_ms: float
    stretch: int
    settled_ms: float


def spans(series: Series) -> list[Span]:
    """Return all of a series in spans, in order."""
    found = []
    ons_ms = {series.points[each.place].at_ms: each.on_ms for each in series.coasts}
    for number, stretch in enumerate(series.stretches()):
        if not all(_is_silent(point) for point in stretch):
            states = [_state(point) for point in stretch]
        elif series.coasts:
            # What is reached over the switched supply is read while that is on.
            states = [_charged(point) for point in stretch]
        else:
            states = _by_direction(stretch)
        place = 0
        for state, group in groupby(states):
            end = place + sum(1 for _ in group)
            span = _span(stretch, place, end, number, is_fed=state)
            on_ms = ons_ms.get(span.points[0].at_ms)
            if on_ms is not None:
                span = replace(span, settled_ms=on_ms + _SETTLES_UNREAD_MS)
            found.append(span)
            place = end
    return found


def moments(span: Span, *, is_whole: bool, is_noisy: bool) -> list[Moment]:
    """Return when in a span the charge was where, in order of time.

    What comes before the gauge has settled is left out. Of a noisy gauge so are the
    first and the last: where it turned it was passed by noise alone.
    """
    found = list(_steps(span.points) if is_whole else _samples(span.points))
    if is_noisy:
        found = found[1:-1]
    return [each for each in found if each.at_ms >= span.settled_ms]


def is_noisy(found: Sequence[Span], *, is_whole: bool) -> bool:
    """Return whether the gauge flickers as the charge goes by."""
    if not is_whole:
        return False
    passes = [
        each.passes
        for span in found
        if span.is_fed is not None
        for each in _steps(span.points)
    ]
    return sum(each > 1 for each in passes) > _NOISY * len(passes)


def _span(
    stretch: Sequence[Point],
    place: int,
    end: int,
    number: int,
    *,
    is_fed: bool | None,
) -> Span:
    first, last = stretch[place].at_ms, stretch[end - 1].at_ms
    before = stretch[place - 1].at_ms if place else first
    after = stretch[end].at_ms if end < len(stretch) else last
    return Span(
        is_fed=is_fed,
        points=stretch[place:end],
        from_ms=(before + first) / 2,
        until_ms=(last + after) / 2,
        stretch=number,
        settled_ms=first + _SETTLES_MS,
    )


def _is_silent(point: Point) -> bool:
    return point.is_fed is None and point.status is BatteryStatus.UNKNOWN


def _state(point: Point) -> bool | None:
    if point.is_fed is False:
        return False
    if point.status in _IDLE or point.soc_percent >= _FULL_PERCENT:
        return None
    if point.is_fed is None:
        if point.status is BatteryStatus.DISCHARGING:
            return False
        return True if point.status is BatteryStatus.CHARGING else None
    return True


def _charged(point: Point) -> bool | None:
    return None if point.soc_percent >= _FULL_PERCENT else True


def _by_direction(points: Sequence[Point]) -> list[bool | None]:
    """Return the states where only the charge was told: fed is what rises."""
    turns, rising = _turns(points)
    states: list[bool | None] = []
    for start, end in pairwise(turns):
        states += [rising] * (end - start)
        rising = None if rising is None else not rising
    states.append(states[-1] if states else None)
    return [
        None if point.soc_percent >= _FULL_PERCENT else state
        for point, state in zip(points, states, strict=True)
    ]


def _turns(points: Sequence[Point]) -> tuple[list[int], bool | None]:
    """Return the places at which the charge turned, both ends too, and how it began."""
    turns, far, began = [0], 0, None
    rising: bool | None = None
    for place, point in enumerate(points):
        ahead = point.soc_percent - points[far].soc_percent
        if rising is None:
            if abs(ahead) >= _TURN_PERCENT:
                rising = began = ahead > 0
                far = place
        elif ahead == 0 or (ahead > 0) is rising:
            far = place
        elif abs(ahead) >= _TURN_PERCENT:
            turns.append(far)
            rising, far = not rising, place
    turns.append(len(points) - 1)
    return turns, began


def _steps(points: Sequence[Point]) -> Iterator[Moment]:
    """Yield the moments at which a gauge in steps went over a line for good."""
    passed: list[tuple[float, float]] = []
    line = 0.0
    for before, after in pairwise(points):
        if after.soc_percent == before.soc_percent:
            continue
        here = (before.soc_percent + after.soc_percent) / 2
        if here != line and passed:
            yield from _middle(passed, line)
            passed = []
        line = here
        passed.append(
            ((before.at_ms + after.at_ms) / 2, (after.at_ms - before.at_ms) / 2)
        )
    if passed:
        yield from _middle(passed, line)


def _middle(passed: Sequence[tuple[float, float]], line: float) -> Iterator[Moment]:
    # Back and forth again is no passing at all.
    if len(passed) % 2:
        times = [at_ms for at_ms, _ in passed]
        within_ms = max(within for _, within in passed)
        wide_ms = (times[-1] - times[0]) / 2
        yield Moment(
            sum(times) / len(times), line, max(within_ms, wide_ms), len(passed)
        )


def _samples(points: Sequence[Point]) -> Iterator[Moment]:
    """Yield moments of a gauge with fine steps."""
    last = points[0]
    for point in points[1:]:
        if abs(point.soc_percent - last.soc_percent) >= _FINE_PERCENT:
            yield Moment(point.at_ms, point.soc_percent, 0.0, 1)
            last = point
