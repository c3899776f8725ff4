"""How long the charge was in the window then in force, its plans included."""

from __future__ import annotations

from math import inf
from typing import Final

from tidegate.core.policy import DAY_MS, Marks

# An integer gauge steps by one, so a point beside each mark still counts as inside.
MARGIN_PERCENT: Final = 1.0
# After a plan the level may take so long to come back before it counts as outside; a
# choice, no source.
BACK_WITHIN_MS: Final = 2 * DAY_MS


class Window:
    """Counts time read while a window was in force, and the part of it inside.

    Charge is in tenths of a percent. All time counts from the first moment with a
    window on: that on the way into it, too, and that which never came there.
    """

    def __init__(self) -> None:
        self.inside_ms = self.ruled_ms = 0
        self._is_set = False
        # The window of the settings, and what counts as inside: more in a plan.
        self._set: tuple[float, float] = (inf, -inf)
        self._low: float = inf
        self._high: float = -inf
        self._is_planned = self._comes_back = False
        self._back_ms = 0

    def put(self, marks: Marks | None) -> None:
        """Take the window in force from here on, ``None`` for none."""
        self._is_set = marks is not None
        if marks is None:
            return
        self._set = _bounds(marks)
        if self._is_planned or self._comes_back:
            self._widen(self._set)
        else:
            self._low, self._high = self._set

    def plan(self, marks: Marks | None) -> None:
        """Take the marks of a plan, ``None`` for its end.

        On the way to them and back into the window the level is where it should be,
        so all between the two counts as inside; on the way back for two days at most.
        """
        self._is_planned, self._comes_back = marks is not None, marks is None
        self._back_ms = 0
        if marks is not None:
            self._widen(_bounds(marks))

    def count(self, soc: int, length_ms: int) -> None:
        """Take a time; the reading at its beginning holds."""
        if not self._is_set:
            return
        if self._comes_back:
            is_late = self._back_ms >= BACK_WITHIN_MS
            if is_late or self._set[0] <= soc <= self._set[1]:
                self._comes_back = False
                self._low, self._high = self._set
            self._back_ms += length_ms
        if self._low <= soc <= self._high:
            self.inside_ms += length_ms
        self.ruled_ms += length_ms

    def _widen(self, bounds: tuple[float, float]) -> None:
        self._low = min(self._low, bounds[0])
        self._high = max(self._high, bounds[1])


def _bounds(marks: Marks) -> tuple[float, float]:
    """Return what is inside of marks, in tenths of a percent."""
    low = 10 * (marks.low_percent - MARGIN_PERCENT)
    return low, 10 * (marks.high_percent + MARGIN_PERCENT)
