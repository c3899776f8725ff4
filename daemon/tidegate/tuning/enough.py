"""Whether a station's readings show enough to say what would be."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Final

from tidegate.core.policy import HOUR_MS, Policy, Proof
from tidegate.errors import LogUnreadable
from tidegate.history import Series
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
_FED: Final = (
    "Let the battery fall by ten points or more and charge again while the daemon "
    "reads it, and ask again."
)


class TooShort(LogUnreadable):
    """The log does not show enough to say what would be; the remedy says what to do."""


def refuse_unread(series: Series) -> None:
    """Refuse a station that is not read while its supply is off.

    Errors: LogUnreadable.
    """
    if series.given.policy.gauge_needs_supply:
        raise LogUnreadable(
            f"{series.station!r} is read over the supply that its relay switches: while "
            "that is off nothing is read, neither how fast the battery falls nor when "
            "it is at the low mark, and its offs end after a time instead; what would "
            "be of it at other marks cannot be told",
            remedy="Have it read in a way that needs no supply (another gauge, or the "
            "same one over a network), let the daemon keep a charge window with that "
            "for some days, and ask again.",
        )


def refuse_little(
    series: Series, unfed: Sequence[Sequence[Moment]], fed: Sequence[Sequence[Moment]]
) -> None:
    """Refuse readings that show too little of discharges or of charges.

    Errors: TooShort.
    """
    policy = series.given.policy
    for traces, least_h, what, remedy in (
        (unfed, LEAST_UNFED_H, "run on its battery", _unfed(policy)),
        (fed, LEAST_FED_H, "charge", _FED),
    ):
        lasted_h = sum(each[-1].at_ms - each[0].at_ms for each in traces) / HOUR_MS
        points = sum(
            abs(after.level_percent - before.level_percent)
            for trace in traces
            for before, after in pairwise(trace)
        )
        if not traces:
            shown = f"the readings of {series.station!r} never show the device {what}"
            raise TooShort(shown, remedy=remedy)
        if lasted_h < least_h or points < LEAST_POINTS:
            raise TooShort(
                f"the readings of {series.station!r} show the device {what} for "
                f"{lasted_h:.1f} h and {points:.0f} points only; "
                f"{least_h:g} h and {LEAST_POINTS:g} points are needed",
                remedy=remedy,
            )


def _unfed(policy: Policy) -> str:
    return _UNFED_AT_A_HOLD if policy.proof is Proof.CHARGING else _UNFED
