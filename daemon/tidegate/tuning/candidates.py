"""The ways to run a station that are worth comparing."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

from tidegate.core.policy import MINUTE_MS, Policy
from tidegate.tuning.course import HOLD_BAND_PERCENT
from tidegate.tuning.outcome import Candidate

MOST_PERCENT: Final = 80.0
ABOUT: Final = 400
# Marks are asked for in steps of five points, and a low mark keeps that distance from
# the floor. Choices, as are the others here.
STEP_PERCENT: Final = 5.0
WIDTHS_PERCENT: Final = (5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0)
DWELLS_MS: Final = (3 * MINUTE_MS, 10 * MINUTE_MS, 30 * MINUTE_MS)


def present(policy: Policy) -> Candidate | None:
    """Return how the station is run now, ``None`` where it only measures."""
    if policy.marks is None:
        return None
    return Candidate(
        low_percent=policy.marks.low_percent,
        high_percent=policy.marks.high_percent,
        dwell_on_ms=policy.dwell_on_ms,
        dwell_off_ms=policy.dwell_off_ms,
        hold_percent=policy.marks.high_percent if policy.hold else None,
    )


def grid(
    policy: Policy,
    *,
    can_hold: bool = False,
    most_percent: float = MOST_PERCENT,
    supplies_a: Sequence[float] = (),
    about: int = ABOUT,
) -> list[Candidate]:
    """Return about so many candidates, the present one first where there is one.

    Windows from 5 to 40 points wide, from 5 above the floor up to ``most_percent``;
    holds where the relay can; each at the supply that is there and at those asked
    for. Dwells other than the present ones are left out where it would be too many.
    """
    now = present(policy)
    windows = list(_windows(policy.floor_percent + STEP_PERCENT, most_percent))
    supplies = (None, *supplies_a)
    room = max(1, about // max(1, len(windows) * len(supplies)))
    found = []
    for supply_a in supplies:
        if now is not None:
            found.append(replace(now, supply_a=supply_a))
        for dwell_on_ms, dwell_off_ms in _dwells(policy)[:room]:
            found += [
                Candidate(
                    low_percent=low,
                    high_percent=high,
                    dwell_on_ms=dwell_on_ms,
                    dwell_off_ms=dwell_off_ms,
                    supply_a=supply_a,
                )
                for low, high in windows
            ]
        if can_hold:
            found += _holds(policy, most_percent, supply_a)
    return list(dict.fromkeys(found))


def _dwells(policy: Policy) -> list[tuple[int, int]]:
    now = (policy.dwell_on_ms, policy.dwell_off_ms)
    return [now, *((each, each) for each in DWELLS_MS if (each, each) != now)]


def _windows(lowest: float, most: float) -> Iterator[tuple[float, float]]:
    low = lowest
    while low + WIDTHS_PERCENT[0] <= most:
        for width in WIDTHS_PERCENT:
            if low + width <= most:
                yield low, low + width
        low += STEP_PERCENT


def _holds(policy: Policy, most: float, supply_a: float | None) -> Iterator[Candidate]:
    low = policy.floor_percent + STEP_PERCENT
    while low + HOLD_BAND_PERCENT <= most:
        level = low + STEP_PERCENT
        if level <= most:
            yield Candidate(
                low_percent=level - HOLD_BAND_PERCENT,
                high_percent=level,
                dwell_on_ms=policy.dwell_on_ms,
                dwell_off_ms=policy.dwell_off_ms,
                hold_percent=level,
                supply_a=supply_a,
            )
        low += STEP_PERCENT
