"""The steepest load that was seen, where the hours of the week are not known."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import pairwise
from typing import Final

from tidegate.core.policy import HOUR_MS
from tidegate.tuning.spans import Moment

# A stretch of less may be one step of a gauge that came late; choices.
_LEAST_H: Final = 1.0
_LEAST_STEPS: Final = 3


def steepest_percent_per_h(
    unfed: Iterable[Sequence[Moment]], fed: Iterable[Sequence[Moment]]
) -> float | None:
    """Return the steepest fall over an hour or longer, ``None`` if none was so long.

    Each stretch is taken without the one of its steps that says the most, with its
    time: so a step that came too early or was too large counts for nothing. What falls
    while fed is at least as much load (Kirchhoff's current law: net charge = what
    comes in - load).
    """
    found = [rate for trace in unfed for rate in _rates(trace)]
    if not found:
        return None
    sagged = [rate for trace in fed for rate in _rates(trace)]
    return max(*found, *sagged, 0.0)


def _rates(trace: Sequence[Moment]) -> Iterator[float]:
    """Yield the falls in points an hour over the shortest stretches long enough."""
    end = 0
    for begin in range(len(trace)):
        end = max(end, begin + _LEAST_STEPS)
        while end < len(trace) and _hours(trace[begin], trace[end]) < _LEAST_H:
            end += 1
        if end >= len(trace):
            return
        yield _robust(trace[begin : end + 1])


def _robust(trace: Sequence[Moment]) -> float:
    fell = trace[0].level_percent - trace[-1].level_percent
    took_h = _hours(trace[0], trace[-1])
    return min(
        (fell - (before.level_percent - after.level_percent))
        / (took_h - _hours(before, after))
        for before, after in pairwise(trace)
    )


def _hours(before: Moment, after: Moment) -> float:
    return (after.at_ms - before.at_ms) / HOUR_MS
