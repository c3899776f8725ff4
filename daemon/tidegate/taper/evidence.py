"""What the figures of a charge point to, a sentence each with its numbers.

A weight says how far a sign tells the two apart; the limits were set on random devices
(``tests/support/charges.py``) and are choices. The three signs that a trade knows, the
voltage that falls from mid charge on, the current that falls early and the last fifth
that takes 10 to 12 h, are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from tidegate.taper.measured import Measured
from tidegate.taper.reference import END_LEAST_PERCENT_H, TAU_MOST_H
from tidegate.taper.shape import FALLEN, HELD_V, UNSTEADY


class Points(StrEnum):
    """What a piece of evidence speaks for."""

    TAPERS = "tapers"
    NOT = "does_not_taper"
    NEITHER = "neither"


class Sign(StrEnum):
    """What was looked at."""

    VOLTAGE = "voltage_change"
    BEFORE_VOLTAGE = "share_before_voltage"
    EARLY_FALL = "early_fall"
    LAST_FIFTH = "last_fifth_hours"
    EVEN = "even_to_the_end"
    STOPS = "stops_below_full"


Figures = Mapping[str, float | None]

# Over so many times what constant current then constant voltage would take at most.
_LONG: Final = ((1.6, 3), (1.3, 2), (1.1, 1))
_SHORT: Final = ((0.45, 3), (0.6, 2), (0.85, 1))
# A percent of the last fifth that took at most so many times a constant one.
_EVEN: Final = ((1.25, 3), (1.5, 2), (2.0, 1))
_LEFT_MUCH: Final = ((0.85, 3), (0.75, 1))
_LEFT_LITTLE: Final = ((0.45, 3), (0.6, 2))
_FELL_V: Final = ((0.1, 3), (0.05, 2))
_SAME_V: Final = 0.005
_LATE_PERCENT: Final = 78.0
# What ends under it has no way from mid charge to its end.
_MID_PERCENT: Final = 60.0
# What ends under it shows too little of a taper.
SEEN_PERCENT: Final = 85.0
# A fall sooner than any charger of the reference, by so much, is an early one.
_EARLY_BY_PERCENT: Final = 8.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """One sign, what it points to, its figures with units in their names, in words.

    ``weight`` is 0 where it points nowhere, 3 at most.
    """

    sign: Sign
    points_to: Points
    weight: int
    figures: Figures
    text: str

    @property
    def score(self) -> int:
        """The weight, positive for a taper."""
        signs = {Points.TAPERS: 1, Points.NOT: -1, Points.NEITHER: 0}
        return signs[self.points_to] * self.weight


def evidence(of: Measured) -> list[Evidence]:
    """Return what a charge shows: voltage, current or rate, the last fifth."""
    return [*_voltage(of), *_before(of), *_early(of), *_last_fifth(of), *_stops(of)]


def _voltage(of: Measured) -> Iterator[Evidence]:
    """Yield the sign of the trade: the voltage from mid charge to full."""
    change, fall, level = (
        of.shape.voltage_change_v,
        of.shape.fall_v,
        of.shape.fall_from_percent,
    )
    if fall is None or of.end_percent < _MID_PERCENT:
        return
    weight = _at_least(fall, _FELL_V)
    if of.shape.unsteady_share > UNSTEADY:
        # Use of the device takes current from the battery, and voltage with it.
        weight = min(weight, 1)
    yield Evidence(
        sign=Sign.VOLTAGE,
        points_to=Points.TAPERS if weight else Points.NEITHER,
        weight=weight,
        figures={
            "change_v": change,
            "mid_v": of.shape.mid_v,
            "end_v": of.shape.end_v,
            "highest_v": of.shape.highest_v,
            "fall_v": fall,
        },
        text=_voltage_said(change, fall, level),
    )


def _voltage_said(change: float | None, fall: float, level: float | None) -> str:
    said = []
    if change is not None:
        moved = "fell" if change < 0 else "rose"
        if abs(change) < _SAME_V:
            said.append("was the same at 50 % and at the end")
        else:
            said.append(f"{moved} by {abs(change):.2f} V from 50 % to the end")
    if fall > HELD_V:
        said.append(f"fell by {fall:.2f} V on the way, at {level:.0f} %")
        why = "without a taper it falls only where the device is used"
    else:
        said.append("never fell on the way")
        why = "with a taper it may fall, and need not"
    return f"The voltage {' and '.join(said)}; {why}."


def _before(of: Measured) -> Iterator[Evidence]:
    """Yield what was left of the current as the voltage came to its highest."""
    share = of.shape.share_before_voltage
    held = of.shape.held_from_percent
    if held is None:
        return
    if share is None:
        yield from _held_throughout(of, held)
        return
    if not of.is_complete and of.shape.last_share > _LEFT_MUCH[0][0]:
        # It was still rising: its highest is no voltage that a charger holds.
        return
    much, little = _at_least(share, _LEFT_MUCH), _at_most(share, _LEFT_LITTLE)
    what = "current" if of.by_current else "rate"
    points = Points.NEITHER
    why = "it may be either"
    if much:
        points, why = Points.NOT, "it fell only once the voltage was held"
    elif little:
        points, why = Points.TAPERS, "something else than the voltage held it back"
    if of.end_percent < SEEN_PERCENT:
        # It ended so low that a taper of the rest could not show.
        much = min(much, 1)
    yield Evidence(
        sign=Sign.BEFORE_VOLTAGE,
        points_to=points,
        weight=much or little,
        figures={"share_percent": 100 * share, "held_from_percent": held},
        text=f"Just before the voltage was at its highest (from {held:.0f} % on), "
        f"{100 * share:.0f} % of the {what} was left; {why}.",
    )


def _held_throughout(of: Measured, held: float) -> Iterator[Evidence]:
    if not of.is_complete:
        return
    yield Evidence(
        sign=Sign.BEFORE_VOLTAGE,
        points_to=Points.NOT,
        weight=3 if of.end_percent >= SEEN_PERCENT else 1,
        figures={"share_percent": None, "held_from_percent": held},
        text=f"The voltage was at its highest all the way, from {held:.0f} % on: what "
        "fell fell for want of voltage, as with a worn cell or a quick charger.",
    )


def _early(of: Measured) -> Iterator[Evidence]:
    """Yield where the current or rate begins to fall, beside the slowest charger."""
    falls, rate = of.shape.falls_at_percent, of.rate_percent_h
    what = "current" if of.by_current else "rate"
    slowest = 100 - (FALLEN * rate - END_LEAST_PERCENT_H) * TAU_MOST_H
    figures = {
        "falls_at_percent": falls,
        "could_fall_from_percent": max(slowest, 0.0),
        "rate_percent_h": rate,
    }
    limit = f"under {100 * FALLEN:.0f} % of its height"
    if falls is None or falls >= _LATE_PERCENT:
        late = of.end_percent if falls is None else falls
        # Who saw no more than the first fifth after mid charge saw no end of it.
        weight = 2 if late >= _LATE_PERCENT else 0
        said = f"did not fall {limit} before {late:.0f} %"
        points = Points.NOT if weight else Points.NEITHER
        why = "a taper would from about mid charge on"
    elif falls < slowest - _EARLY_BY_PERCENT and not _held_then(of, falls):
        weight, points = 2, Points.TAPERS
        said = f"fell {limit} from {falls:.0f} % on"
        why = f"even a worn cell would not reach its voltage before {slowest:.0f} %"
    else:
        weight, points = 0, Points.NEITHER
        said = f"fell {limit} from {falls:.0f} % on"
        why = "a worn cell charged as fast would do that too"
    yield Evidence(
        sign=Sign.EARLY_FALL,
        points_to=points,
        weight=weight,
        figures=figures,
        text=f"The {what} {said} (at first {rate:.0f} % an hour); {why}.",
    )


def _held_then(of: Measured, falls_percent: float) -> bool:
    held = of.shape.held_from_percent
    return held is not None and held <= falls_percent + 5


def _last_fifth(of: Measured) -> Iterator[Evidence]:
    """Yield the hours of the last fifth beside the most that a charger would take."""
    hours, most, slow = of.last_fifth_h, of.reference_h, of.slowness
    if hours is None or most is None or slow is None:
        return
    times = hours / most
    weight, points = _at_least(times, _LONG), Points.TAPERS
    if not weight:
        weight, points = _at_most(times, _SHORT), Points.NOT
    if not of.is_complete:
        # Of the last fifth only its beginning was seen: what is slow may end soon.
        weight = min(weight, 2 if of.end_percent >= 90 else 1)
    if not weight:
        points = Points.NEITHER
    ratio = of.ratio
    beside = (
        "" if ratio is None else f", {ratio:.1f} times a percent of the fifth before"
    )
    gap = f" ({_h(of.last_fifth_gap_h)} of it unseen)" if of.last_fifth_gap_h else ""
    yield Evidence(
        sign=Sign.LAST_FIFTH,
        points_to=points,
        weight=weight,
        figures={
            "hours": hours,
            "sigma_h": of.last_fifth_sigma_h,
            "end_percent": of.end_percent,
            "ratio_to_fifth_before": ratio,
            "constant_current_then_voltage_at_most_h": most,
        },
        text=f"From 80 to {of.end_percent:.0f} % took {_h(hours)}{gap}{beside}; constant "
        f"current then constant voltage would take {_h(most)} at most.",
    )
    yield from _even(of, slow)


def _even(of: Measured, slow: float) -> Iterator[Evidence]:
    weight = _at_most(slow, _EVEN)
    if not weight or of.end_percent < 90:
        return
    yield Evidence(
        sign=Sign.EVEN,
        points_to=Points.NOT,
        weight=weight,
        figures={"times_as_long": slow},
        text=f"A percent above 80 % took {slow:.1f} times as long as one at first: "
        "the charge went on almost evenly to its end.",
    )


def _stops(of: Measured) -> Iterator[Evidence]:
    top = of.charge.top_percent
    if not of.rests or top >= 95:
        return
    yield Evidence(
        sign=Sign.STOPS,
        points_to=Points.NEITHER,
        weight=0,
        figures={"stays_at_percent": top},
        text=f"It stayed at {top:.0f} % though it was fed: its charger ends there, or "
        "something told it to.",
    )


def _h(hours: float) -> str:
    if hours < 1:
        return f"{60 * hours:.0f} min"
    return f"{hours:.1f} h"


def _at_least(value: float, steps: tuple[tuple[float, int], ...]) -> int:
    return next((weight for limit, weight in steps if value >= limit), 0)


def _at_most(value: float, steps: tuple[tuple[float, int], ...]) -> int:
    return next((weight for limit, weight in steps if value <= limit), 0)
