"""Rainflow counting of whole arrays, compiled: for many logs at once (extra `fleet`).

The same rule and the same results as ``wear.rainflow``, where it is explained. The
first call in a process takes seconds more, to compile.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from importlib import import_module
from typing import TYPE_CHECKING, Any, TypeAlias

from tidegate.errors import Unsupported

if TYPE_CHECKING:
    import numpy
    from numpy.typing import ArrayLike, NDArray

    Floats: TypeAlias = NDArray[numpy.float64]


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
    if not numpy.isfinite(series).all():
        raise ValueError("Rainflow counts finite numbers only")
    points = numpy.empty(len(series) + 1)
    found = numpy.empty((3, len(series)))
    starts, ends, counts = found[:, : sweep(points, turn(series, points), found)]
    return abs(starts - ends), (starts + ends) / 2, counts.copy()


@cache
def _compiled() -> tuple[Callable[..., int], Callable[..., int]]:
    try:
        numba: Any = import_module("numba")
    except ImportError as error:
        raise Unsupported(
            "numba is not installed (extra `fleet`)",
            target="rainflow",
            remedy="Install it: pip install 'tidegate[fleet]'",
        ) from error
    return numba.njit(_turn), numba.njit(_sweep)


def _turn(series: Floats, points: Floats) -> int:
    """Put the turning points into ``points`` and return how many there are.

    Nothing branches on what a value is: a processor would guess wrong half the time.
    """
    count = 0
    direction = 0
    for index in range(1, len(series)):
        last, value = series[index - 1], series[index]
        moved = int(value > last) - int(value < last)
        points[count] = last
        count += int(moved != 0) & int(moved != direction)
        direction = moved if moved != 0 else direction
    if direction != 0:
        points[count] = series[-1]
        count += 1
    return count


def _sweep(points: Floats, count: int, found: Floats) -> int:
    """Put start, end and share of each cycle into ``found``; return their number.

    The stack of what is left lies at the beginning of ``points``, behind the reader.
    """
    number = depth = 0
    up = 1 if count > 1 and points[0] > points[1] else -1
    for index in range(count):
        point = points[index]
        while depth > 1 and up * (point - points[depth - 2]) >= 0:
            found[0, number], found[1, number] = points[depth - 2], points[depth - 1]
            found[2, number] = 0.5 if depth == 2 else 1.0
            number += 1
            if depth == 2:
                points[0] = points[1]
            depth -= 1 if depth == 2 else 2
        points[depth] = point
        depth += 1
        up = -up
    for index in range(1, depth):
        found[0, number], found[1, number] = points[index - 1], points[index]
        found[2, number] = 0.5
        number += 1
    return number
