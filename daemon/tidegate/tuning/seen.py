"""Load and net charge from what was seen: moments within spans, charges as a whole.

A load so light that a whole discharge shows one step of the gauge, or none, is learned
from one discharge to the next, across the charge between them: once the net charge is
known from the other hours, what it brought is taken off. So is a load that nobody saw
at all, as the gauge needs the supply (``blind``); of its net charge the steps within the
charges tell enough to begin with.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from math import sqrt
from statistics import fmean
from typing import Final

from tidegate.core.policy import HOUR_MS
from tidegate.history import Coast, Series
from tidegate.tuning.blind import Passage, by_stretch, narrowed, passages, share_at
from tidegate.tuning.charges import COARSE_PERCENT, Charge, charges, over
from tidegate.tuning.charging import Limits, Piece, limits_and_slowing
from tidegate.tuning.heavier import heavier_of
from tidegate.tuning.hours import Hours
from tidegate.tuning.neighbours import bridged
from tidegate.tuning.spans import Moment, Span, is_noisy, moments, spans
from tidegate.tuning.weekly import Step, Way, Weekly, fitted

LEAST_LOAD: Final = 0.01
_FINE_ERROR: Final = 0.03**2
# So many of the charges must lie beside a discharge with one step to look across them.
_SPARSE: Final = 0.1
# A whole charge whose rise is less sure than that says nothing of rates.
_UNSURE: Final = 0.1
# Load and net charge by turns; after two of each they stand.
_BLIND_ROUNDS: Final = 2

Trace = Sequence[Moment]
_Found = tuple[Weekly, Limits, dict[float, float], tuple[float, float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """The spans of a series, and of each the moments at which the charge is known."""

    spans: Sequence[Span]
    traces: Sequence[Trace]
    charges: dict[int, Charge]
    hours: Hours
    step_h: float
    is_noisy: bool
    is_log: bool
    is_calendar: bool
    is_whole: bool = False
    coasts: Mapping[int, Coast] = field(default_factory=dict)

    @property
    def passages(self) -> list[Passage]:
        """The discharges of which only both ends were read."""
        return passages(self.spans, self.traces, self.coasts, self.hours)

    @property
    def unfed(self) -> list[Trace]:
        """The discharges of which a rate can be told."""
        return self._of(is_fed=False)

    @property
    def fed(self) -> list[Trace]:
        """The charges of which a rate can be told."""
        return self._of(is_fed=True)

    @property
    def flicker_percent(self) -> float:
        """How far from a step the gauge goes back and forth, in the mean."""
        if not self.is_noisy:
            return 0.0
        widths = [
            _pace(trace) * each.within_ms / HOUR_MS if each.passes > 1 else 0.0
            for trace in self.unfed
            for each in trace
        ]
        return fmean(widths) if widths else 0.0

    def _of(self, *, is_fed: bool) -> list[Trace]:
        pairs = zip(self.spans, self.traces, strict=True)
        return [each for span, each in pairs if span.is_fed is is_fed and each[1:]]


def seen_in(series: Series, hours: Hours) -> Seen:
    """Return what a series shows."""
    found = spans(series)
    noisy = is_noisy(found, is_whole=series.is_whole)
    traces = [moments(each, is_whole=series.is_whole, is_noisy=noisy) for each in found]
    return Seen(
        spans=found,
        traces=traces,
        charges=charges(found, traces, hours),
        hours=hours,
        step_h=series.step_s / 3600,
        is_noisy=noisy,
        is_log=series.is_log,
        is_calendar=series.is_calendar,
        is_whole=series.is_whole,
        coasts=by_stretch(series),
    )


def rates_of(
    seen: Seen,
) -> tuple[Weekly, Weekly, Limits, dict[float, float], tuple[float, float]]:
    """Return load, net charge, limits, slowing, and the levels seen while charging."""
    ways = [_way(each, seen.hours, sign=-1) for each in seen.unfed]
    if seen.coasts:
        seen, load, found = _blind(seen, ways)
    else:
        load = _load(seen, ways)
        found = _rise(seen, load)
    sparse = [each for place, each in seen.charges.items() if _is_sparse(seen, place)]
    if len(sparse) > _SPARSE * len(seen.charges):
        rise, _, slowing, _ = found
        slows_from = min(slowing, default=100.0)
        load = _load(seen, ways + list(_across(sparse, load, rise, slows_from)))
        found = _rise(seen, load)
    heavier = heavier_of(load, found[0])
    if heavier is not load:
        load = heavier
        found = _rise(seen, load)
    return load, *found


def _blind(seen: Seen, ways: Sequence[Way]) -> tuple[Seen, Weekly, _Found]:
    """Return the load across what nobody saw, and the net charge beside it."""
    rise = fitted([_way(each, seen.hours, sign=1) for each in seen.fed])
    slowing: Mapping[float, float] = {}
    for _ in range(_BLIND_ROUNDS):
        finer = _finer(seen, rise, slowing)
        unseen = [each.way(rise, slowing) for each in finer.passages]
        load = _load(seen, [*ways, *unseen])
        found = _rise(finer, load)
        rise, _, slowing, _ = found
    return finer, load, found


def _finer(seen: Seen, rise: Weekly, slowing: Mapping[float, float]) -> Seen:
    """Return it with what the readings of a charge say of each other's steps."""
    if not seen.is_whole or seen.is_noisy:
        return seen

    def pace_of(moment: Moment) -> float:
        hour = next(iter(seen.hours.within(moment.at_ms, moment.at_ms + 1)))
        return share_at(slowing, moment.level_percent) * rise.rates[hour]

    pairs = zip(seen.spans, seen.traces, strict=True)
    traces = [
        narrowed(span, trace, pace_of) if span.is_fed else trace
        for span, trace in pairs
    ]
    return replace(seen, traces=traces)


def _load(seen: Seen, ways: Sequence[Way]) -> Weekly:
    return bridged(fitted(ways, towards=None if seen.is_calendar else [0.0]))


def _is_sparse(seen: Seen, place: int) -> bool:
    return min(len(seen.traces[place - 1]), len(seen.traces[place + 1])) < 2


def _across(
    sparse: Sequence[Charge], load: Weekly, rise: Weekly, slows_from: float
) -> Iterator[Way]:
    """Yield what fell from one discharge to the next, the charge between taken off."""
    for each in sparse:
        if each.high_percent > slows_from:
            continue
        risen = over(each.hours, rise.rates)
        fell = each.before.level_percent - each.after.level_percent + risen
        error = each.moments_error(load) + over(each.hours, rise.sigmas) ** 2
        if each.beside:
            yield Way(0.0, [Step(fell, each.beside, error)])


def _rise(seen: Seen, load: Weekly) -> _Found:
    loads = [max(LEAST_LOAD, each) for each in load.rates]
    pieces = [
        piece for trace in seen.fed for piece in _pieces(trace, seen.hours, loads)
    ]
    whole = {
        place: each
        for place, each in seen.charges.items()
        if each.risen_percent(loads) / each.took_h * seen.step_h > COARSE_PERCENT
    }
    steps = {
        place: Step(
            each.risen_percent(loads), each.hours, each.error(load, is_log=seen.is_log)
        )
        for place, each in whole.items()
    }
    sure = [
        place
        for place, step in steps.items()
        if sqrt(step.error) < _UNSURE * abs(step.moved)
    ]
    limits, slowing = limits_and_slowing(
        pieces,
        [(_piece(whole[each], loads), whole[each].high_percent) for each in sure],
    )
    slows_from = min(slowing, default=100.0)
    ways = list(_in_steps(seen, whole, slows_from))
    ways += [
        Way(0.0, [steps[each]])
        for each in sure
        if whole[each].high_percent <= slows_from
    ]
    if not ways:
        # It was slow wherever it was seen.
        ways = [_way(each, seen.hours, sign=1) for each in seen.fed]
    rise = fitted(ways, towards=[limits.net(each) for each in loads])
    levels = [each.level_percent for each in pieces]
    return rise, limits, slowing, (min(levels), max(levels))


def _in_steps(
    seen: Seen, whole: Mapping[int, Charge], slows_from: float
) -> Iterator[Way]:
    """Yield the charges that are known step by step, up to where they slow down."""
    for place, trace in enumerate(seen.traces):
        if seen.spans[place].is_fed and place not in whole:
            below = _below(trace, slows_from)
            if len(below) > 1:
                yield _way(below, seen.hours, sign=1)


def _piece(charge: Charge, loads: Sequence[float]) -> Piece:
    took = charge.took_h
    return Piece(
        took,
        charge.risen_percent(loads) / took,
        over(charge.hours, loads) / took,
        charge.high_percent,
    )


def _way(trace: Trace, hours: Hours, *, sign: int) -> Way:
    pace = _pace(trace)
    return Way(
        _error(trace[0], pace),
        [
            Step(
                sign * (after.level_percent - before.level_percent),
                hours.within(before.at_ms, after.at_ms),
                _error(after, pace),
            )
            for before, after in pairwise(trace)
            if after.at_ms > before.at_ms
        ],
    )


def _pace(trace: Trace) -> float:
    took_h = (trace[-1].at_ms - trace[0].at_ms) / HOUR_MS
    moved = abs(trace[-1].level_percent - trace[0].level_percent)
    return moved / took_h if took_h > 0 else 0.0


def _error(moment: Moment, pace: float) -> float:
    """Return the variance of the level: uniform over the time in which it stepped."""
    if not moment.within_ms:
        return _FINE_ERROR
    return (pace * moment.within_ms / HOUR_MS) ** 2 / 3 + 1e-6


def _pieces(trace: Trace, hours: Hours, loads: Sequence[float]) -> Iterator[Piece]:
    for before, after in pairwise(trace):
        within = hours.within(before.at_ms, after.at_ms)
        took = sum(within.values())
        if took > 0:
            yield Piece(
                took,
                (after.level_percent - before.level_percent) / took,
                over(within, loads) / took,
                (before.level_percent + after.level_percent) / 2,
            )


def _below(trace: Trace, level_percent: float) -> list[Moment]:
    """Return the beginning of a charge, up to where it slows down."""
    found: list[Moment] = []
    for each in trace:
        if each.level_percent > level_percent:
            break
        found.append(each)
    return found
