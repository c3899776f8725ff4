"""Commands that are said again: for an absent supply, a failed call, a hand.

Outside budget and dwell; an on is repeated for ever, an off hardly ever.
"""

from __future__ import annotations

from typing import Final

from tidegate.core.effects import Kind, Reason, SwitchSupply
from tidegate.core.frozen import replace
from tidegate.core.orders import (
    REPEAT_FIRST_MS,
    REPEAT_MOST_MS,
    order,
)
from tidegate.core.policy import HOUR_MS, MINUTE_MS, Proof
from tidegate.core.presence import off_had_held
from tidegate.core.reading import ExternalPower, Supply
from tidegate.core.state import Drive, Pending, State

OUTSIDE_OFFS_AN_HOUR: Final = 2
PROBE_AFTER_ONS: Final = 3
PROBE_WAITS_MS: Final = (30 * MINUTE_MS, 2 * HOUR_MS, 8 * HOUR_MS, 24 * HOUR_MS)
ALTERNATE_MS: Final = 5 * MINUTE_MS
# A gauge in another device may stay away for weeks, and each repeat is two commits.
AWAY_MOST_MS: Final = 30 * MINUTE_MS


def repeat(state: State, *, fresh: bool) -> tuple[State, SwitchSupply | None]:
    """Return the command that is due again, if any; outside budget and dwell."""
    if state.drive.commanded is Supply.OFF:
        return _repeat_off(state, fresh=fresh)
    return _repeat_on(state, fresh=fresh)


def _repeat_off(state: State, *, fresh: bool) -> tuple[State, SwitchSupply | None]:
    drive, now_lived_ms = state.drive, state.quiet.lived_ms
    differs = drive.outside_said is Supply.ON or (
        drive.outside_change and off_had_held(drive)
    )
    waiting = drive.pending is not None and drive.pending.done_at_ms is None
    if not fresh or not differs or waiting:
        return state, None
    recent = tuple(
        at for at in drive.outside_offs_lived_ms if now_lived_ms - at < HOUR_MS
    )
    if state.policy.proof is Proof.CHARGING:
        # With each poll and no sooner: what is read right after a switching would bring
        # the next, for as long as a driver lets nothing be.
        if recent and now_lived_ms - recent[-1] < state.policy.poll_ms:
            return state, None
        recent = ()
    elif len(recent) >= OUTSIDE_OFFS_AN_HOUR:
        return state, None
    state = replace(
        state,
        drive=replace(
            drive, outside_offs_lived_ms=(*recent, now_lived_ms), outside_said=None
        ),
    )
    return order(state, Supply.OFF, Reason.RELAY_EXTERNAL_CHANGE, kind=Kind.REPEAT)


def _repeat_on(state: State, *, fresh: bool) -> tuple[State, SwitchSupply | None]:
    drive, now_ms = state.drive, state.quiet.now_ms
    if drive.probe_until_ms is not None:
        if now_ms < drive.probe_until_ms:
            return state, None
        drive = replace(
            drive,
            probe_until_ms=None,
            repeat_at_ms=now_ms + drive.repeat_wait_ms,
        )
        return _on_again(replace(state, drive=drive), Reason.SUPPLY_ABSENT)
    if drive.pending is not None and drive.pending.done_at_ms is None:
        return state, None
    reason = _why_again(state)
    if reason is None:
        # Only a reading shows that the last on held; until then the wait stays.
        if fresh and drive.absent_since_ms is None and drive.repeat_at_ms is not None:
            drive = replace(drive, repeat_at_ms=None, repeat_wait_ms=0)
        return replace(state, drive=drive), None
    if fresh and _probe_is_due(state):
        return _probe(state)
    is_away = reason is Reason.GAUGE_LOST and not state.policy.gauge_needs_supply
    most_ms = AWAY_MOST_MS if is_away else REPEAT_MOST_MS
    # A wait that grew for a gauge that was away is too long for a supply that is.
    ahead_ms = max(0, drive.repeat_wait_ms - most_ms)
    if drive.repeat_at_ms is not None and now_ms < drive.repeat_at_ms - ahead_ms:
        return state, None
    reversed_ = state.latches.relay is Reason.RELAY_REVERSED
    if reversed_ and reason is Reason.SUPPLY_ABSENT:
        drive = replace(drive, swapped=not drive.swapped)
        wait_ms = ALTERNATE_MS
    elif drive.repeat_at_ms is None:
        wait_ms = REPEAT_FIRST_MS
    else:
        wait_ms = min(most_ms, 2 * drive.repeat_wait_ms)
    drive = replace(
        drive,
        repeat_at_ms=now_ms + wait_ms,
        repeat_wait_ms=wait_ms,
        absent_ons=drive.absent_ons + (reason is Reason.SUPPLY_ABSENT),
        outside_said=None,
    )
    return _on_again(replace(state, drive=drive), reason)


def _why_again(state: State) -> Reason | None:
    if state.supply_is_absent:
        return Reason.SUPPLY_ABSENT
    if state.drive.on_failed:
        return Reason.RELAY_FAILED
    is_apart = state.policy.gauge_needs_supply or not state.policy.host_is_device
    if is_apart and state.latches.gauge is Reason.GAUGE_LOST:
        # A gauge on the switched cable, or in a device that may be flat: what stays
        # away may be the supply, and nothing else would show that the contact is open.
        return Reason.GAUGE_LOST
    if state.drive.outside_said is Supply.OFF:
        return Reason.RELAY_EXTERNAL_CHANGE
    return None


def _on_again(state: State, reason: Reason) -> tuple[State, SwitchSupply]:
    return order(state, Supply.ON, reason, kind=Kind.REPEAT)


def _probe_is_due(state: State) -> bool:
    """Whether a short trial off may show that the wiring is reversed.

    A relay that has worked gets one only after an observation the wrong way round.
    """
    drive, seen = state.drive, state.quiet.seen
    return (
        state.supply_is_absent
        and (not drive.ever_proven or drive.wrong_ways > 0)
        and state.latches.relay is not Reason.RELAY_REVERSED
        and not state.policy.off_is_refused
        and state.policy.proof is Proof.EXTERNAL_POWER
        and seen is not None
        and seen.power is ExternalPower.NO
        and drive.absent_ons >= PROBE_AFTER_ONS
        and (
            drive.absent_trial_at_lived_ms is None
            or state.quiet.lived_ms >= drive.absent_trial_at_lived_ms
        )
    )


def _probe(state: State) -> tuple[State, SwitchSupply]:
    """Order a trial off; the commanded state stays on, and on follows by itself."""
    drive, quiet = state.drive, state.quiet
    wait_ms = PROBE_WAITS_MS[min(drive.absent_trials, len(PROBE_WAITS_MS) - 1)]
    seen = quiet.seen
    pending = Pending(
        supply=Supply.OFF,
        kind=Kind.TRIAL,
        told_at_ms=quiet.now_ms,
        power_before=seen.power if seen else ExternalPower.UNKNOWN,
        changed=False,
    )
    drive = replace(
        drive,
        pending=pending,
        absent_trials=drive.absent_trials + 1,
        absent_trial_at_lived_ms=quiet.lived_ms + wait_ms,
        probe_until_ms=quiet.now_ms + state.policy.settle_ms,
    )
    return replace(state, drive=drive), SwitchSupply(
        supply=Supply.OFF,
        reason=Reason.SUPPLY_ABSENT,
        kind=Kind.TRIAL,
        swapped=drive.swapped,
        urgent=False,
    )


def resend(state: State, *, fresh: bool) -> tuple[State, SwitchSupply | None]:
    """Return the repeat that a verdict or a returned relay asked for."""
    drive: Drive = state.drive
    if drive.resend_on and drive.commanded is Supply.ON:
        why = state.latches.relay or Reason.RELAY_EXTERNAL_CHANGE
        return order(state, Supply.ON, why, kind=Kind.REPEAT)
    if fresh and drive.resend_offs and drive.commanded is Supply.OFF:
        why = drive.off_by or Reason.RELAY_NO_EFFECT
        state = replace(state, drive=replace(drive, outside_said=None))
        return order(state, Supply.OFF, why, kind=Kind.REPEAT, tries=drive.resend_offs)
    return state, None
