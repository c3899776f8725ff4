"""Symmetric positive definite systems, in plain Python: rows are lists."""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt
from operator import mul

Matrix = list[list[float]]


class Factors:
    """Cholesky's factors of a matrix, for its inverse.

    Raises ``ValueError`` where the matrix is not positive definite.
    """

    def __init__(self, matrix: Sequence[Sequence[float]]) -> None:
        # The columns of the inverse of the lower factor, each from its own row on.
        self._columns = _inverted(_lower(matrix))

    def solved(self, right: Sequence[float]) -> list[float]:
        """Return the inverse times a vector."""
        size = len(right)
        middle = [0.0] * size
        for place, column in enumerate(self._columns):
            each = right[place]
            for row, value in enumerate(column, start=place):
                middle[row] += each * value
        return [
            sum(map(mul, column, middle[place:]))
            for place, column in enumerate(self._columns)
        ]

    def inverse(self, row: int, column: int) -> float:
        """Return one element of the inverse."""
        first, last = min(row, column), max(row, column)
        here: list[float] = self._columns[first][last - first :]
        return float(sum(map(mul, here, self._columns[last])))


def _lower(matrix: Sequence[Sequence[float]]) -> Matrix:
    lower: Matrix = []
    for row, line in enumerate(matrix):
        here: list[float] = []
        for column in range(row):
            above = lower[column]
            rest = line[column] - sum(map(mul, here, above))
            here.append(rest / above[column])
        rest = line[row] - sum(map(mul, here, here))
        if rest <= 0:
            raise ValueError("not positive definite")
        here.append(sqrt(rest))
        lower.append(here)
    return lower


def _inverted(lower: Matrix) -> Matrix:
    columns: Matrix = []
    for begin, line in enumerate(lower):
        below = [1 / line[begin]]
        for row in range(begin + 1, len(lower)):
            factor = lower[row]
            below.append(-sum(map(mul, factor[begin:row], below)) / factor[row])
        columns.append(below)
    return columns
