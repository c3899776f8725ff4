"""What lies between two trusted readings: charge moved, cycles, time outside the marks.

Of a stretch of time each half is taken as the reading at its end says. A stretch of
more than a few polls is a gap: nobody knows where the charge was in it, so no time
outside the marks is counted, and no current is taken to have flowed on. What changed
across it by level is counted as one move, for at least that much did move.

Charge is told by the first of these that both readings have: the current, where its
sign is known; the gauge's own charge; the level times the capacity (the gauge's full
charge, else the design charge of gauge or settings). Without any it is left out.

Equivalent full cycles are half of the summed absolute change of the level.
"""

from __future__ import annotations

from typing import Final

from tidegate.core.policy import Marks
from tidegate.core.reading import Reading, Sample
from tidegate.publish.figures import Figures

# As the audit of a cycle log draws the line.
GAP_POLLS: Final = 4
# An integer gauge steps by one, so a point beside each mark still counts as inside.
MARGIN_PERCENT: Final = 1.0
C_PER_AH: Final = 3_600.0


class Moved:
    """Takes the trusted readings of one station in order and adds to its figures."""

    def __init__(self, figures: Figures) -> None:
        self._figures = figures
        self._before: Reading | None = None
        self._marks: Marks | None = None
        self._pack: str | None = None

    def take(
        self,
        reading: Reading,
        *,
        marks: Marks | None,
        poll_ms: int,
        design_ah: float | None,
    ) -> None:
        """Take a reading; ``marks`` are those in force from here on."""
        before, marks_before = self._before, self._marks
        self._before, self._marks = reading, marks
        if self._is_other(reading.sample.pack) or before is None:
            return  # another pack brings a level of its own, which nothing moved
        span_ms = reading.at_ms - before.at_ms
        is_gap = span_ms > GAP_POLLS * poll_ms
        step_percent = reading.soc_percent - before.soc_percent
        self._figures.soc_moved_percent += abs(step_percent)
        if not is_gap:
            half_s = span_ms / 2_000
            self._outside(before.soc_percent, marks_before, half_s)
            self._outside(reading.soc_percent, marks_before, half_s)
        flown = None if is_gap else _flown(before.sample, reading.sample, span_ms)
        if flown is None:
            flown = _risen(before.sample, reading.sample, step_percent, design_ah)
        if flown is not None:
            self._figures.moved(into_c=flown[0], out_of_c=flown[1])

    def _is_other(self, pack: str | None) -> bool:
        """Take what a reading says of the pack; one that says nothing says no other."""
        known = self._pack
        if pack is not None:
            self._pack = pack
        return None not in (known, pack) and known != pack

    def _outside(self, soc_percent: float, marks: Marks | None, for_s: float) -> None:
        if marks is None:
            return
        if soc_percent < marks.low_percent - MARGIN_PERCENT:
            self._figures.below_s += for_s
        elif soc_percent > marks.high_percent + MARGIN_PERCENT:
            self._figures.above_s += for_s


def current_in_a(sample: Sample) -> float | None:
    """Return the current into the battery, ``None`` where its sign is not known."""
    return sample.current_a if sample.current_sign_trusted else None


def _flown(before: Sample, after: Sample, span_ms: int) -> tuple[float, float] | None:
    """Return coulombs in and out by the currents at both ends."""
    currents = (current_in_a(before), current_in_a(after))
    into_c = out_of_c = 0.0
    for current_a in currents:
        if current_a is None:
            return None
        into_c += max(0.0, current_a) * span_ms / 2_000
        out_of_c += max(0.0, -current_a) * span_ms / 2_000
    return into_c, out_of_c


def _risen(
    before: Sample, after: Sample, step_percent: float, design_ah: float | None
) -> tuple[float, float] | None:
    """Return coulombs in and out by what changed from one end to the other."""
    if before.charge_ah is not None and after.charge_ah is not None:
        step_ah = after.charge_ah - before.charge_ah
    else:
        capacity_ah = after.full_charge_ah or after.design_charge_ah or design_ah
        if capacity_ah is None:
            return None
        step_ah = step_percent / 100 * capacity_ah
    return max(0.0, step_ah) * C_PER_AH, max(0.0, -step_ah) * C_PER_AH
