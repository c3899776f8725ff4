"""A supply that is not there although it is on, and a hand that moved the contact."""

from __future__ import annotations

from tidegate.core.effects import Kind
from tidegate.core.frozen import replace
from tidegate.core.policy import Proof
from tidegate.core.reading import BatteryStatus, ExternalPower, Supply
from tidegate.core.state import Drive, Pending, State


def note_absence(state: State) -> State:
    """Notice since when on is commanded and no power is there."""
    drive, seen = state.drive, state.quiet.seen
    if drive.commanded is not Supply.ON or seen is None:
        return state
    if drive.probe_until_ms is not None or seen.at_ms < drive.on_at_ms:
        return state
    absent = seen.power is ExternalPower.NO or (
        seen.power is ExternalPower.UNKNOWN and seen.status is BatteryStatus.DISCHARGING
    )
    if absent and drive.absent_since_ms is None:
        return replace(state, drive=replace(drive, absent_since_ms=seen.at_ms))
    if not absent and drive.absent_since_ms is not None:
        drive = replace(
            drive,
            absent_since_ms=None,
            absent_ons=0,
            absent_trials=0,
            absent_trial_at_lived_ms=None,
        )
        return replace(state, drive=drive)
    return state


def note_outside(state: State) -> State:
    """Notice a supply that came although off is commanded and had held."""
    drive, seen = state.drive, state.quiet.seen
    if drive.commanded is not Supply.OFF or seen is None:
        if drive.outside_change and drive.outside_said is None:
            return replace(state, drive=replace(drive, outside_change=False))
        return state
    if state.policy.proof is Proof.CHARGING:
        came, gone = (
            seen.status is BatteryStatus.CHARGING,
            seen.status is not BatteryStatus.CHARGING,
        )
    else:
        came = (
            seen.power is ExternalPower.YES
            and seen.status is not BatteryStatus.DISCHARGING
        )
        gone = not came and seen.power is not ExternalPower.UNKNOWN
    if came and off_had_held(drive):
        drive = replace(
            drive,
            outside_change=True,
            operations=drive.operations + (not drive.outside_change),
        )
    elif drive.outside_change and gone and drive.outside_said is None:
        drive = replace(drive, outside_change=False)
    return replace(state, drive=drive)


def off_had_held(drive: Drive) -> bool:
    """Whether the off was proven, or nothing was there that it could have cut."""
    return drive.off_proven or (drive.pending is not None and drive.pending.judged)


def keep_off(state: State) -> State:
    """Take over an off of the run before; whether it holds is judged all the same."""
    now_ms, seen = state.quiet.now_ms, state.quiet.seen
    assert seen is not None
    if state.policy.proof is Proof.CHARGING:
        holds = seen.status is not BatteryStatus.CHARGING
    elif seen.power is ExternalPower.UNKNOWN:
        holds = seen.status is BatteryStatus.DISCHARGING
    else:
        holds = seen.power is ExternalPower.NO
    pending = Pending(
        supply=Supply.OFF,
        kind=Kind.REPEAT,
        told_at_ms=now_ms,
        done_at_ms=now_ms,
        power_before=seen.power,
        status_before=seen.status,
        soc_before_percent=seen.soc_percent,
        changed=False,
    )
    drive = replace(
        state.drive,
        commanded=Supply.OFF,
        commanded_at_ms=now_ms,
        off_proven=holds,
        pending=None if holds else pending,
    )
    return replace(state, drive=drive)
