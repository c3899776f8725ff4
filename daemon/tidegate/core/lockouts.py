"""Rule 6: an off that kills the device, or the relay, twice in a row."""

from __future__ import annotations

from typing import Final

from tidegate.core.effects import Reason
from tidegate.core.frozen import replace
from tidegate.core.reading import ExternalPower, Reading, Supply
from tidegate.core.state import State

TWICE: Final = 2


def lock_out_only_source(state: State) -> State:
    """Rule 6: two losses while off, no completed off between."""
    if state.drive.only_source_losses < TWICE or state.latches.lockout is not None:
        return state
    return _lock_out(state, Reason.ONLY_SOURCE)


def _lock_out(state: State, reason: Reason) -> State:
    latches = replace(
        state.latches, lockout=reason, lockout_lived_ms=state.quiet.lived_ms
    )
    drive = replace(state.drive, only_source_losses=0, fed_losses=0)
    return replace(state, latches=latches, drive=drive)


def note_return(state: State, reading: Reading) -> State:
    """Count a remote device that came back from a boot younger than its loss."""
    lost_ms, uptime_s = state.watch.lost_off_at_ms, reading.sample.uptime_s
    if lost_ms is None or uptime_s is None or state.policy.host_is_device:
        return state
    drive = state.drive
    if reading.at_ms - uptime_s * 1_000 > lost_ms:
        losses = drive.only_source_losses + 1
    elif drive.commanded is Supply.ON and state.latches.gauge is None:
        losses = 0  # it lived through an off that the gauge could not follow
    else:
        losses = drive.only_source_losses
    state = replace(
        state,
        watch=replace(state.watch, lost_off_at_ms=None),
        drive=replace(drive, only_source_losses=losses),
    )
    return lock_out_only_source(state)


def check_fed(state: State) -> State:
    """Rule 6: a relay that dies with each off and comes back with the power."""
    drive, seen = state.drive, state.quiet.seen
    if not drive.fed_check or seen is None:
        return state
    powered = seen.power is ExternalPower.YES
    fed = drive.fed_losses + 1 if powered else 0
    # This off has had its verdict: the on that ends it forgives nothing.
    drive = replace(drive, fed_check=False, fed_losses=fed, off_done_at_ms=None)
    state = replace(state, drive=drive)
    return _lock_out(state, Reason.RELAY_FED_BY_SUPPLY) if fed >= TWICE else state
