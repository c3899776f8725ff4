"""What the log measured of the cell itself: capacity from wide swings, and with
``steps`` resistance from what the voltage did at switchings. No model has a part in it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import hypot
from typing import Final

from tidegate.audit.result import Measured
from tidegate.audit.rows import Run
from tidegate.audit.steps import Steps
from tidegate.cyclelog.rows import BatteryRow
from tidegate.wear.capacity import (
    NARROWEST_PERCENT,
    Swings,
    difference_sigma,
    quantisation_sigma,
)

# The log keeps charge in mAh and SoC in 0.01 %.
_CHARGE_STEP_AH: Final = 0.001
_FINE_PERCENT: Final = 0.01
_WHOLE_PERCENT: Final = 1.0
# Closer than this to what the gauge calls its full charge is its echo; a choice.
_ECHO: Final = 0.01

Place = tuple[float, float]  # percent, Ah


@dataclass(slots=True)
class _End:
    """A turning point, with the reading before it and the first on the way back.

    A gauge in whole percents is exact only where it steps: a swing is measured from
    the first step away from one end to the first arrival at the other.
    """

    at: Place
    left: Place | None = None
    came: Place | None = None

    @property
    def step_percent(self) -> float:
        """The step in which the gauge told it: whole if it and the one beside it are."""
        beside = self.left or self.came or self.at
        is_whole = self.at[0].is_integer() and beside[0].is_integer()
        return _WHOLE_PERCENT if is_whole else _FINE_PERCENT

    def extended(self, place: Place, *, upward: bool) -> bool:
        """Take a reading; return whether the end moved out to it."""
        if place[0] == self.at[0]:
            self.left = None
            return False
        if (place[0] > self.at[0]) is upward:
            self.at, self.left, self.came = place, None, self.at
            return True
        self.left = self.left or place
        return False


class Capacity:
    """Finds the swings of the charge, and what the charge counter says of them.

    ``is_whole``: the gauge tells whole percents only. Where it does not always, each
    end of a swing has the step in which it was told then.
    """

    def __init__(self, *, is_whole: bool) -> None:
        step = _WHOLE_PERCENT if is_whole else _FINE_PERCENT
        self._swings = Swings(
            soc_sigma_percent=difference_sigma(step),
            charge_sigma_ah=difference_sigma(_CHARGE_STEP_AH),
        )
        self._has_counter = False
        self._widest_percent = 0.0
        self._low: _End | None = None
        self._high: _End | None = None
        self._start: Place | None = None
        self._start_step_percent = step
        self._far: _End | None = None
        self._is_rising = False

    def take(self, soc_percent: float, charge_ah: float) -> None:
        """Take a reading with both."""
        self._has_counter = True
        place = (soc_percent, charge_ah)
        if self._low is None or self._high is None:
            self._low, self._high = _End(place), _End(place)
            return
        self._low.extended(place, upward=False)
        self._high.extended(place, upward=True)
        width = self._high.at[0] - self._low.at[0]
        self._widest_percent = max(self._widest_percent, width)
        if self._far is not None:
            self._far.extended(place, upward=self._is_rising)
            if _is_swing(self._far.at[0], soc_percent):
                far = self._far
                self._close()
                self._turn(far, place, is_rising=not self._is_rising)
        elif _is_swing(self._low.at[0], soc_percent):
            self._turn(self._low, place, is_rising=True)
        elif _is_swing(self._high.at[0], soc_percent):
            self._turn(self._high, place, is_rising=False)

    def interrupt(self) -> None:
        """Begin anew: what happened in between was not seen."""
        self._close()
        self._low = self._high = None

    def measured(self, told_ah: Iterable[float]) -> CapacityFound:
        """Return what there is by now; the swing under way counts, and ends.

        ``told_ah`` are the capacities that the gauge told of itself meanwhile: close
        to one of them a charge counter may have been made up from it.
        """
        self.interrupt()
        found = self._swings.measured()
        if not self._has_counter:
            return CapacityFound(why_not="The gauge has no charge counter.")
        if found.swings == 0 and self._widest_percent < NARROWEST_PERCENT:
            return CapacityFound(why_not=_too_narrow(self._widest_percent))
        if found.ah is None or found.sigma_ah is None:
            return CapacityFound(swings=found.swings, why_not=found.why_not)
        ah, sigma_ah = found.ah, found.sigma_ah
        off_ah = {abs(ah - each): each for each in told_ah}
        if off_ah:
            nearest_ah = off_ah[min(off_ah)]
            if min(off_ah) <= max(_ECHO * nearest_ah, sigma_ah):
                why_not = _echo(ah, nearest_ah, found.swings)
                return CapacityFound(swings=found.swings, why_not=why_not)
        return CapacityFound(ah=ah, sigma_ah=sigma_ah, swings=found.swings)

    def _turn(self, end: _End, place: Place, *, is_rising: bool) -> None:
        self._start, self._start_step_percent = end.left or end.at, end.step_percent
        self._far = _End(place)
        self._is_rising = is_rising

    def _close(self) -> None:
        if self._start is not None and self._far is not None:
            steps = self._start_step_percent, self._far.step_percent
            self._swings.add(
                soc_percent=self._far.at[0] - self._start[0],
                charge_ah=self._far.at[1] - self._start[1],
                soc_sigma_percent=hypot(*map(quantisation_sigma, steps)),
            )
        self._start = self._far = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CapacityFound:
    """A capacity, or a sentence why there is none."""

    ah: float | None = None
    sigma_ah: float | None = None
    swings: int = 0
    why_not: str = ""


def _is_swing(start: float, end: float) -> bool:
    """Return whether it is wide enough; a first whole step is not part of a swing."""
    is_whole = start.is_integer() and end.is_integer()
    first = _WHOLE_PERCENT if is_whole else 0.0
    return abs(end - start) >= NARROWEST_PERCENT + first


def _too_narrow(widest_percent: float) -> str:
    return (
        f"No swing of {NARROWEST_PERCENT:g} points (the widest was "
        f"{widest_percent:.0f}); narrower ones echo the gauge."
    )


def _echo(ah: float, told_ah: float, swings: int) -> str:
    over = "one swing gives" if swings == 1 else f"{swings} swings give"
    return (
        f"It may be the echo of the gauge's own {told_ah:.2f} Ah: {over} {ah:.2f} Ah."
    )


class Cell:
    """Takes the readings that count and what moved the contact."""

    def __init__(self, *, is_whole: bool) -> None:
        self._is_whole = is_whole
        self._battery: BatteryRow | None = None
        self._last_ms: int | None = None
        self._pack: str | None = None
        self._begin()

    def _begin(self) -> None:
        self._capacity = Capacity(is_whole=self._is_whole)
        self._steps = Steps()
        self._told_ah: set[float] = set()

    def battery(self, row: BatteryRow) -> None:
        """Take what the gauge says of the pack; another pack is another cell.

        What was measured is that of the last.
        """
        if self._battery is not None and self._battery.pack != row.pack:
            self._capacity.interrupt()
        if row.pack is not None:
            if self._pack not in (None, row.pack):
                self._begin()
            self._pack = row.pack
        self._battery = row
        told = (row.full_charge_mah, row.design_charge_mah)
        self._told_ah.update(each / 1000 for each in told if each)

    def switched(self, at_ms: int) -> None:
        """Note that the contact moved by then."""
        self._steps.switched(at_ms)

    def restarted(self) -> None:
        """Note that the host booted: its counters may have begun anew."""
        self._capacity.interrupt()
        self._steps.restarted()

    def take(self, run: Run, at_ms: int, *, most_ms: int) -> None:
        """Take a run of trusted readings; a longer distance than that is a gap."""
        if self._last_ms is not None and at_ms - self._last_ms > most_ms:
            self._capacity.interrupt()
        self._last_ms = at_ms + run.span_ms
        is_trusted = self._battery is not None and self._battery.current_sign_trusted
        self._steps.take(run, at_ms, sign_is_trusted=is_trusted)
        if run.charge_mah is None or run.soc_hundredths_percent is None:
            return
        soc = run.soc_hundredths_percent / 100
        self._capacity.take(soc, run.charge_mah / 1000)
        if run.last_charge_mah is not None:
            self._capacity.take(soc, run.last_charge_mah / 1000)

    def measured(self, design_ah: float | None) -> Measured:
        """Return all of it. ``design_ah`` is what the settings say."""
        battery = self._battery
        full = None if battery is None else battery.full_charge_mah
        design = None if battery is None else battery.design_charge_mah
        full_ah = None if full is None else full / 1000
        if design_ah is None and design is not None:
            design_ah = design / 1000
        capacity = self._capacity.measured(self._told_ah)
        steps, median, why_not = self._steps.measured()
        return Measured(
            capacity_ah=capacity.ah,
            capacity_sigma_ah=capacity.sigma_ah,
            swings=capacity.swings,
            design_ah=design_ah,
            resistance_ohm=median,
            steps=steps,
            why_no_capacity=capacity.why_not,
            why_no_resistance=why_not,
            gauge_full_ah=full_ah,
        )
