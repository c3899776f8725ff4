"""When to look again: readings that can confirm, and times that change something."""

from __future__ import annotations

from typing import Final

from tidegate.core import passing
from tidegate.core.effects import (
    Effect,
    ReadSoon,
)
from tidegate.core.heat import CONFIRM_AFTER_MS
from tidegate.core.reading import Supply
from tidegate.core.state import State

FIRST_READING_WITHIN_MS: Final = 5_000


def read_soon(before: State, state: State) -> tuple[Effect, ...]:
    """Ask for a reading that can confirm each mark that is new."""
    soon: tuple[Effect, ...] = ()
    old, new = before.watch, state.watch
    for was, mark in (
        (old.jump, new.jump),
        (old.hot, new.hot),
        (old.critical, new.critical),
        (old.cooled, new.cooled),
        (old.warmed, new.warmed),
    ):
        if mark is not None and mark != was:
            soon += (ReadSoon(at_ms=mark.at_ms + CONFIRM_AFTER_MS),)
    return soon[:1]


def next_wake_ms(state: State) -> int | None:
    """Return when time alone may change something, if ever."""
    policy, latches, drive, quiet = (
        state.policy,
        state.latches,
        state.drive,
        state.quiet,
    )
    times: list[int | None] = [
        latches.coast_over_until_ms,
        drive.repeat_at_ms,
        drive.probe_until_ms,
        state.override.until_ms if state.override else None,
    ]
    if drive.commanded is None and policy.marks is not None:
        times.append(drive.started_at_ms + FIRST_READING_WITHIN_MS)
    elif policy.marks is not None:
        times.append(dwell_ends_ms(state))
    if state.watch.bad_reads >= passing.IN_A_ROW:
        times.append(passing.stale_since_ms(state) + policy.stale_after_ms)
    if latches.critical:
        times.append(quiet.temperature_at_ms + policy.heat_hold_ms)
    if latches.hot_since_ms is not None:
        times.append(passing.temperature_since_ms(state) + policy.stale_after_ms)
    if latches.coast_since_ms is not None:
        times.append(latches.coast_since_ms + latches.coast_box_ms)
    if drive.absent_since_ms is not None:
        times.append(drive.absent_since_ms + policy.settle_ms)
    later = [at_ms for at_ms in times if at_ms is not None and at_ms > quiet.now_ms]
    return min(later) if later else None


def dwell_ends_ms(state: State) -> int:
    """Return until when an ordinary switching must wait."""
    policy, drive = state.policy, state.drive
    on = drive.commanded is Supply.ON
    return drive.commanded_at_ms + (policy.dwell_on_ms if on else policy.dwell_off_ms)
