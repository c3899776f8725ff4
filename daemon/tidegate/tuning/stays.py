"""How long the charge was where, and how warm it was then: a duty in the making."""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil

from tidegate.tuning.paths import Track
from tidegate.wear.duty import Duty
from tidegate.wear.rainflow import Rainflow

LEVELS = 101
# A piece of the way stands at its middle. Any model's pace at rest changes over so many
# points by a tenth at most, so that the middle errs by less than a part in a thousand.
_WIDEST_PERCENT = 5.0
# Turning points are counted on such a grid, so that like cycles fall together.
_STEPS_A_PERCENT = 4


class Stays:
    """Takes legs of the way, in order. Times are hours.

    ``hours`` are those at each level (whole percent) and temperature, the
    temperatures of a level one after another. ``moved`` is by temperature half the
    summed change of the level, in points.
    """

    def __init__(self, heats: Sequence[float]) -> None:
        self.heats = heats
        self.hours = [0.0] * (LEVELS * len(heats))
        self.moved = [0.0] * len(heats)
        self.turns: list[float] = []
        self.span_h = self.moment_percent_h = 0.0
        self._depth = self._weighted = 0.0

    def leg(self, track: Track, heat: Sequence[int]) -> None:
        """Take a leg: (time, level) at its ends and wherever it bends.

        ``heat`` has the place of the temperature by hour.
        """
        hours, moved, wide = self.hours, self.moved, len(self.heats)
        moment = path = 0.0
        before, low = first = track[0]
        for hour, level in track[1:]:
            took = hour - before
            if took <= 0:
                continue
            warm = heat[int(before)]
            change = level - low
            moment += took * (level + low)
            if change:
                size = change if change > 0 else -change
                path += size
                moved[warm] += size / 2
                if size > _WIDEST_PERCENT:
                    parts = ceil(size / _WIDEST_PERCENT)
                    for part in range(parts):
                        middle = low + change * (part + 0.5) / parts
                        hours[int(middle + 0.5) * wide + warm] += took / parts
                    before, low = hour, level
                    continue
            hours[int((level + low + 1) / 2) * wide + warm] += took
            before, low = hour, level
        took = before - first[0]
        self.span_h += took
        self.moment_percent_h += moment / 2
        if path > 0:
            self._depth += path
            self._weighted += path * path / took

    def turned(self, level: float) -> None:
        """Take a level at which the way turned, or an end of it."""
        self.turns.append(level)

    @property
    def efc(self) -> float:
        """Equivalent full cycles so far."""
        return sum(self.moved) / 100

    @property
    def mean_percent(self) -> float:
        """The mean level by time."""
        return self.moment_percent_h / self.span_h if self.span_h else 0.0

    def duty(self, factor: float) -> Duty:
        """Return it that many times over; the cycles add up to what was moved.

        Turning points are counted on a grid of a quarter of a point.
        """
        flow = Rainflow()
        steps = _STEPS_A_PERCENT
        flow.extend(round(each * steps) for each in self.turns)
        counted = flow.cycles()
        depth = sum(span * count for span, _, count in counted) / steps / 100
        scale = factor * self.efc / depth if depth else 0.0
        wide = len(self.heats)
        return Duty(
            rests={
                (float(place // wide), self.heats[place % wide]): 3600 * each * factor
                for place, each in enumerate(self.hours)
                if each
            },
            cycles={
                (span / steps, mean / steps): count * scale
                for span, mean, count in counted
                if scale
            },
            moved={
                celsius: each * factor / 100
                for celsius, each in zip(self.heats, self.moved, strict=True)
                if each and scale
            },
            # Two figures are all that a mean pace is worth, and like paces share work.
            rate_per_h=float(f"{self._weighted / self._depth / 100:.2g}")
            if scale
            else 0.0,
        )
