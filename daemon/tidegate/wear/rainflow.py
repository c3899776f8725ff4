"""Rainflow counting by ASTM E1049-85, 5.4.4, while the values come in.

The rule, with X the newest range between turning points and Y the one before it: while
X is less than Y, read on. Else, if Y holds the first point, Y is half a cycle and that
point goes; otherwise Y is one cycle and its two points go. At the end each range that
is left is half a cycle. The first and the last value count as turning points. (The
standard was not at hand; the rule is as ``rainflow`` 3.2.0, ``extract_cycles``, has it.)

For every series the sum of count times range is half the summed absolute change: for
percents of SoC a hundred times the equivalent full cycles.

The ranges that are left always fall. So on a grid of n levels a count holds at most n
points and n(n-1) entries, however long the series: 101 and 10 100 for whole percents
of SoC. Values off any grid have no such bound: round them first.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from itertools import pairwise
from math import inf, isfinite, nan, nextafter
from typing import Final, NoReturn, Self, TypeAlias

from tidegate.wear.saved import Saved, read

# A range, its mean, and 1.0 for a cycle or 0.5 for a half cycle.
Cycle: TypeAlias = tuple[float, float, float]
Pair: TypeAlias = tuple[float, float]
_BELOW: Final = 2


def count(values: Iterable[float]) -> Iterator[Cycle]:
    """Yield ``(range, mean, count)`` in the order of the rule, what is left at the end.

    ``count`` is 1.0 for a cycle, 0.5 for a half cycle. Raises ``ValueError`` for a
    value that is no finite number.
    """
    flow = Rainflow()
    for value in values:
        flow.push(value)
        yield from flow._take()
    flow._end()
    yield from flow._take()


class Rainflow:
    """A count that goes on: exact at any time, in bounded memory, saved as JSON.

    Saved and resumed anywhere it comes to the same as in one pass.
    """

    __slots__ = ("_halves", "_last", "_points", "_rising")

    def __init__(self) -> None:
        self._last: float | None = None
        self._rising: bool | None = None
        # Two that compare with nothing lie below the first point, so that the inner
        # loop of `extend` ends by itself.
        self._points: list[float] = [nan] * _BELOW
        self._halves: defaultdict[Pair, int] = defaultdict(int)

    def push(self, value: float) -> None:
        """Take the next value. ``extend`` does the same for many, much faster."""
        self.extend((value,))

    def extend(self, values: Iterable[float]) -> None:
        """Take the next values, each as it comes.

        Raises ``ValueError`` for one that is no finite number; a count that raised is
        of no more use.
        """
        coming = iter(values)
        last = next(coming, None) if self._last is None else self._last
        if last is None:
            return
        rising, points, halves = self._rising, self._points, self._halves
        try:
            for value in coming:
                if value > last:
                    up = True
                elif value < last:
                    up = False
                elif value == last:
                    continue
                else:
                    _refuse(value)
                if up is not rising:
                    # The last value was a turning point. X is not less than Y where it
                    # reaches at least as far as the point that Y begins with.
                    while last <= points[-2] if up else last >= points[-2]:
                        end = points.pop()
                        if len(points) == _BELOW + 1:
                            halves[points[-1], end] += 1
                            points[-1] = end
                        else:
                            halves[points.pop(), end] += 2
                    points.append(last)
                    rising = up
                last = value
        finally:
            self._last, self._rising = last, rising
        # What is left lies within its first two points: if any point is infinite, so
        # is one of them.
        if not isfinite(sum(points[_BELOW : _BELOW + 2], last)):
            _refuse(last)

    def cycles(self) -> list[Cycle]:
        """Return ``(range, mean, count)`` so far, by range and mean, each pair once.

        What is still open counts as half cycles, up to the value pushed last. Changes
        nothing: the count goes on as if it had not been asked.
        """
        whole = self._copy()
        whole._end()
        merged: defaultdict[Pair, int] = defaultdict(int)
        for (start, end), halves in whole._halves.items():
            merged[min(start, end), max(start, end)] += halves
        return sorted(_told(merged))

    @property
    def efc(self) -> float:
        """Equivalent full cycles of values in percent: half the summed change / 100."""
        return sum(span * count for span, _, count in self.cycles()) / 100

    def to_json(self) -> str:
        """Return the whole state, for ``from_json``."""
        halves = [(*pair, halves) for pair, halves in self._halves.items()]
        return Saved(
            last=self._last,
            rising=self._rising,
            points=self._points[_BELOW:],
            halves=halves,
        ).model_dump_json()

    @classmethod
    def from_json(cls, text: str) -> Self:
        """Return a count that goes on where ``to_json`` was called.

        Raises ``ValueError`` for a text that ``to_json`` cannot have written.
        """
        saved = read(text)
        flow = cls()
        flow._last, flow._rising = saved.last, saved.rising
        flow._points.extend(saved.points)
        for start, end, halves in saved.halves:
            flow._halves[start, end] += halves
        return flow

    def _take(self) -> Iterator[Cycle]:
        """Yield what was counted since the last time, in its order."""
        yield from _told(self._halves)
        self._halves.clear()

    def _copy(self) -> Rainflow:
        copy = Rainflow()
        copy._last, copy._rising = self._last, self._rising
        copy._points = self._points.copy()
        copy._halves = self._halves.copy()
        return copy

    def _end(self) -> None:
        """Count the last value as a turning point, and what is left as half cycles."""
        if self._last is None or self._rising is None:
            return
        # Any value beyond the last one makes it a turning point.
        self.push(nextafter(self._last, -inf if self._rising else inf))
        for pair in pairwise(self._points[_BELOW:]):
            self._halves[pair] += 1


def _told(halves: Mapping[Pair, int]) -> Iterator[Cycle]:
    for (start, end), number in halves.items():
        yield abs(start - end), (start + end) / 2, number / 2


def _refuse(value: float) -> NoReturn:
    raise ValueError(f"Rainflow counts finite numbers only; the last was {value!r}")
