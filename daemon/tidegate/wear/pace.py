"""How fast the charge moves: the C-rate from turning point to turning point."""

from __future__ import annotations

HOUR_S = 3600.0


class Pace:
    """The C-rate of the movement, its mean weighted by depth; feeds ``Duty``.

    A movement goes from where one turning point was seen last to where the next was
    seen first, so that the time at rest on it does not slow it down. ``step_percent``
    is the step of the gauge: of what lies between leaving one level and arriving at
    another, one step was not moved. Without it a gauge in whole percents that flickers
    between two levels would seem to move at a percent a reading.
    """

    def __init__(self, *, step_percent: float = 0.0) -> None:
        self._step_percent = step_percent
        self._rising: bool | None = None
        self._left: tuple[float, float] | None = None
        self._last: tuple[float, float] | None = None
        self._seen_s = 0.0
        self._depth = 0.0
        self._weighted = 0.0

    def push(self, soc_percent: float, at_s: float) -> None:
        """Take a level and its time, of a run of equal levels both its ends.

        Raises ``ValueError`` for a time before the last one.
        """
        if self._last is None:
            self._last = self._left = (soc_percent, at_s)
        elif at_s < self._seen_s:
            raise ValueError(f"times must rise: {at_s} came after {self._seen_s}")
        elif soc_percent != self._last[0]:
            rising = soc_percent > self._last[0]
            if rising is not self._rising:
                self._close()
                self._left = (self._last[0], self._seen_s)
                self._rising = rising
            self._last = (soc_percent, at_s)
        self._seen_s = at_s

    def interrupt(self) -> None:
        """Begin anew after a gap: nobody saw how fast the charge moved in it."""
        self._close()
        self._rising = self._left = self._last = None

    @property
    def rate_per_h(self) -> float:
        """The mean so far, that under way included; 0.0 without any movement."""
        depth, weighted = self._with_open()
        return weighted / depth if depth else 0.0

    def _close(self) -> None:
        self._depth, self._weighted = self._with_open()

    def _with_open(self) -> tuple[float, float]:
        if self._left is None or self._last is None:
            return self._depth, self._weighted
        (start, from_s), (end, until_s) = self._left, self._last
        depth = max(0.0, abs(end - start) - self._step_percent)
        hours = (until_s - from_s) / HOUR_S
        # A movement without a time has no pace.
        if hours <= 0:
            return self._depth, self._weighted
        return self._depth + depth, self._weighted + depth * depth / 100 / hours
