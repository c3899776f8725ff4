"""Ordinary least squares in a few columns, with the spread of its coefficients."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Final

Row = Sequence[float]

# A pivot smaller than this share of its column's own size is none.
_SINGULAR: Final = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """Coefficients and their standard deviations, column by column."""

    values: tuple[float, ...]
    sigmas: tuple[float, ...]


def fitted(rows: Sequence[Row], wanted: Sequence[float]) -> Fitted | None:
    """Return the coefficients that come nearest to ``wanted``.

    ``None`` where the columns do not tell them apart, or the rows are no more than the
    columns. Errors are taken as independent and of one size.
    """
    width = len(rows[0]) if rows else 0
    free = len(rows) - width
    if width == 0 or free <= 0:
        return None
    squares = [
        [sum(row[i] * row[j] for row in rows) for j in range(width)]
        for i in range(width)
    ]
    inverse = _inverted(squares)
    if inverse is None:
        return None
    sums = [
        sum(row[i] * each for row, each in zip(rows, wanted, strict=True))
        for i in range(width)
    ]
    values = [sum(a * b for a, b in zip(line, sums, strict=True)) for line in inverse]
    residue = sum(
        (each - sum(a * b for a, b in zip(row, values, strict=True))) ** 2
        for row, each in zip(rows, wanted, strict=True)
    )
    sigmas = [
        sqrt(max(inverse[place][place] * residue / free, 0.0)) for place in range(width)
    ]
    return Fitted(values=tuple(values), sigmas=tuple(sigmas))


def _inverted(matrix: Sequence[Row]) -> list[list[float]] | None:
    """Return the inverse by elimination with pivots, ``None`` where there is none."""
    size = len(matrix)
    lines = [
        [*map(float, row), *(1.0 if i == j else 0.0 for j in range(size))]
        for i, row in enumerate(matrix)
    ]
    least = [_SINGULAR * abs(matrix[place][place]) for place in range(size)]
    for place in range(size):
        best = max(range(place, size), key=lambda row: abs(lines[row][place]))
        lines[place], lines[best] = lines[best], lines[place]
        pivot = lines[place][place]
        if abs(pivot) <= least[place]:
            return None
        lines[place] = [each / pivot for each in lines[place]]
        for row in range(size):
            if row != place:
                factor = lines[row][place]
                lines[row] = [
                    each - factor * other
                    for each, other in zip(lines[row], lines[place], strict=True)
                ]
    return [line[size:] for line in lines]
