"""Rainflow counting of whole arrays, compiled: for many logs at once (extra `fleet`).

The same rule and the same results as ``wear.rainflow``, where it is explained. The
first call in a process takes seconds more, to compile.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from importlib import import_module
from typing import TYPE_CHECKING, Any, Final, TypeAlias

from tidegate.errors import Unsupported

if TYPE_CHECKING:
    import numpy
    from numpy.typing import ArrayLike, NDArray

    Floats: TypeAlias = NDArray[numpy.float64]
    Pair: TypeAlias = tuple[int, int]

# Samples worked on at a time: few enough to stay in a processor's cache, for a series of
# years passes through it once.
PART: Final = 16_384


def count_array(values: ArrayLike) -> tuple[Floats, Floats, Floats]:
    """Return the ranges, means and counts of a series, as ``rainflow.count`` yields.

    ``values`` has the shape (n,); the three results have one shape (m,), m < n, or
    (0,) of an empty series. Errors: ``ValueError`` for a value that is no finite
    number or another shape, ``Unsupported`` without the extra.
    """
    turn, sweep = _compiled()
    import numpy

    series = numpy.ascontiguousarray(values, dtype=numpy.float64)
    if series.ndim != 1:
        raise ValueError(f"Rainflow counts one series, not the shape {series.shape}")
    # As long as it can get; what is never written to takes no memory.
    stack = numpy.empty(len(series) + 1)
    found = tuple(numpy.empty(len(series)) for _ in range(3))
    points = numpy.empty(PART)
    depth = number = direction = 0
    last = series[0] if len(series) else 0.0
    for first in range(0, len(series), PART):
        part = series[first : first + PART]
        if not numpy.isfinite(part).all():
            raise ValueError("Rainflow counts finite numbers only")
        turns, direction = turn(part, last, direction, points)
        # Highs and lows take turns, and after the newest it goes the other way.
        up = direction if turns % 2 == 0 else -direction
        depth, number = sweep(points[:turns], up, stack, depth, found, number)
        last = part[-1]
    if direction != 0:
        points[0] = last
        depth, number = sweep(points[:1], direction, stack, depth, found, number)
    left = stack[:depth]
    whole = slice(number, number + max(depth - 1, 0))
    ranges, means, counts = found
    ranges[whole] = abs(left[:-1] - left[1:])
    means[whole] = (left[:-1] + left[1:]) / 2
    counts[whole] = 0.5
    for each in found:
        each.resize(whole.stop, refcheck=False)
    return ranges, means, counts


@cache
def _compiled() -> tuple[Callable[..., Pair], Callable[..., Pair]]:
    try:
        numba: Any = import_module("numba")
    except ImportError as error:
        raise Unsupported(
            "numba is not installed (extra `fleet`)",
            target="rainflow",
            remedy="Install it: pip install 'tidegate[fleet]'",
        ) from error
    return numba.njit(_turn), numba.njit(_sweep)


def _turn(series: Floats, last: float, direction: int, points: Floats) -> Pair:
    """Put the turning points into ``points``; return their number and the direction.

    Nothing branches on what a value is: a processor would guess wrong half the time.
    """
    count = 0
    for value in series:
        moved = int(value > last) - int(value < last)
        points[count] = last
        count += int(moved != 0) & int(moved != direction)
        direction = moved if moved != 0 else direction
        last = value
    return count, direction


def _sweep(
    points: Floats,
    up: int,
    stack: Floats,
    depth: int,
    found: tuple[Floats, Floats, Floats],
    number: int,
) -> Pair:
    """Put range, mean and share of each cycle that ends into ``found``.

    ``up`` is 1 where the first point is a high, -1 where it is a low. Return the depth
    of the stack and the number of cycles found so far.
    """
    ranges, means, counts = found
    for point in points:
        while depth > 1 and up * (point - stack[depth - 2]) >= 0:
            start, end = stack[depth - 2], stack[depth - 1]
            ranges[number] = abs(start - end)
            means[number] = (start + end) / 2
            counts[number] = 0.5 if depth == 2 else 1.0
            number += 1
            if depth == 2:
                stack[0] = end
            depth -= 1 if depth == 2 else 2
        stack[depth] = point
        depth += 1
        up = -up
    return depth, number
