"""Whether a station's readings show enough to say what would be."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Final

from tidegate.core.policy import HOUR_MS, Proof
from tidegate.errors import LogUnreadable
from tidegate.history import Series
from tidegate.tuning.blind import Passage
from tidegate.tuning.spans import Moment

# With less there is nothing to stand on; choices.
LEAST_UNFED_H: Final = 6.0
LEAST_FED_H: Final = 0.5
LEAST_POINTS: Final = 3.0
_UNFED: Final = (
    "Let the daemon keep a charge window for some days, or switch the supply off for "
    "some hours (tidegate override), and ask again."
)
# Longer than the least: what comes before the first step of the gauge, and after the
# last, does not count.
_UNPLUGGED_H: Final = LEAST_UNFED_H + 2
_UNFED_AT_A_HOLD: Final = (
    "Its relay stops the charging only: the supply goes on to carry the device, so that "
    "no order shows the load. Unplug the device while the daemon reads it, for "
    f"{_UNPLUGGED_H:g} hours in all, each time no further down than its floor, and ask "
    "again."
)
_UNFED_IN_A_FILE: Final = (
    "Its gauge is not read while the supply is off, and such a file does not tell when "
    "that was: name the cycle log of the daemon instead of the file."
)
_FED: Final = (
    "Let the battery fall by ten points or more and charge again while the daemon "
    "reads it, and ask again."
)


class TooShort(LogUnreadable):
    """The log does not show enough to say what would be; the remedy says what to do."""


def refuse_little(
    series: Series,
    unfed: Sequence[Sequence[Moment]],
    fed: Sequence[Sequence[Moment]],
    blind: Sequence[Passage] = (),
) -> None:
    """Refuse readings that show too little of discharges or of charges.

    ``blind`` are the discharges of which only both ends were read.
    Errors: TooShort.
    """
    for traces, unseen, least_h, what, remedy in (
        (unfed, blind, LEAST_UNFED_H, "run on its battery", _unfed(series)),
        (fed, (), LEAST_FED_H, "charge", _FED),
    ):
        lasted_h, points = _lasted(traces)
        lasted_h += sum(each.unfed_h for each in unseen)
        points += sum(abs(each.fallen_percent) for each in unseen)
        if not (traces or unseen):
            shown = f"the readings of {series.station!r} never show the device {what}"
            raise TooShort(shown, remedy=remedy)
        if lasted_h < least_h or points < LEAST_POINTS:
            raise TooShort(
                f"the readings of {series.station!r} show the device {what} for "
                f"{lasted_h:.1f} h and {points:.0f} points only; "
                f"{least_h:g} h and {LEAST_POINTS:g} points are needed",
                remedy=remedy,
            )


def _lasted(traces: Sequence[Sequence[Moment]]) -> tuple[float, float]:
    """Return how many hours were seen, and how many points moved in them."""
    lasted_h = sum(each[-1].at_ms - each[0].at_ms for each in traces) / HOUR_MS
    points = sum(
        abs(after.level_percent - before.level_percent)
        for trace in traces
        for before, after in pairwise(trace)
    )
    return lasted_h, points


def _unfed(series: Series) -> str:
    policy = series.given.policy
    if policy.gauge_needs_supply and not series.is_log:
        return _UNFED_IN_A_FILE
    return _UNFED_AT_A_HOLD if policy.proof is Proof.CHARGING else _UNFED
