"""Did the supply follow? Proof from the gauge, retries, polarity.

Every function takes the state just after a trusted reading went in.
"""

from __future__ import annotations

from typing import Final

from tidegate.core.answers import JUDGED_AFTER_SETTLES, judged_after_ms
from tidegate.core.effects import Effect, EffectSeen, Reason
from tidegate.core.frozen import replace
from tidegate.core.lockouts import TWICE, check_fed
from tidegate.core.orders import TRIAL_FIRST_MS, TRIAL_MOST_MS
from tidegate.core.policy import Proof
from tidegate.core.presence import note_absence, note_outside
from tidegate.core.reading import BatteryStatus, ExternalPower, Supply
from tidegate.core.state import Pending, Seen, State
from tidegate.core.watch import points

SOC_PROOF_PERCENT: Final = 2.0
_FED: Final = (BatteryStatus.CHARGING, BatteryStatus.NOT_CHARGING, BatteryStatus.FULL)


def judge(state: State) -> tuple[State, tuple[Effect, ...]]:
    """Return the state after the last trusted reading was held against the command."""
    state = check_fed(state)
    effects: tuple[Effect, ...] = ()
    pending, seen = state.drive.pending, state.quiet.seen
    if pending is not None and seen is not None and _counts(pending, seen):
        if pending.supply is Supply.OFF:
            state, effects = _judge_off(state, pending, seen)
        else:
            state, effects = _judge_on(state, pending, seen)
    return note_absence(note_outside(state)), effects


def lost_gauge_is_proof(state: State) -> tuple[State, tuple[Effect, ...]]:
    """Return the verdict of a failed read: a gauge fed by the supply went with it.

    Unless it went with its data line: then nothing can show what the supply did.
    """
    pending, policy = state.drive.pending, state.policy
    if (
        not policy.gauge_needs_supply
        or pending is None
        or pending.supply is not Supply.OFF
        or pending.done_at_ms is None
        or pending.judged
        or state.drive.probe_until_ms is not None
        or state.quiet.now_ms - pending.done_at_ms
        > policy.settle_ms + 2 * policy.poll_ms
    ):
        return state, ()
    if not policy.loss_is_proof:
        return _unconfirmed(state, pending, blind=True)
    if pending.power_before is ExternalPower.NO:
        return _unconfirmed(state, pending)  # nothing was there that could leave
    return _off_is_proven(state)


def _counts(pending: Pending, seen: Seen) -> bool:
    return pending.done_at_ms is not None and seen.at_ms > pending.done_at_ms


def _due(state: State, pending: Pending, seen: Seen) -> bool:
    assert pending.done_at_ms is not None
    return seen.at_ms >= pending.done_at_ms + judged_after_ms(state, pending)


# --- off ------------------------------------------------------------------------------


def _judge_off(
    state: State, pending: Pending, seen: Seen
) -> tuple[State, tuple[Effect, ...]]:
    if state.drive.probe_until_ms is not None:
        return _judge_probe(state, seen)
    if _shows_off(state.policy.proof, pending, seen):
        return _off_is_proven(state)
    if pending.judged or not _due(state, pending, seen):
        return state, ()
    if _wrong_way_off(pending, seen):
        state = _wrong_way(state)
        if not state.drive.resend_on:
            # Once is no proof of reversed wiring, but the off has had no effect.
            state = replace(state, drive=replace(state.drive, resend_offs=1))
        return state, (EffectSeen(supply=Supply.OFF, seen=False),)
    if not _could_show(state.policy.proof, pending):
        return _unconfirmed(state, pending)
    return _without_effect(state, pending)


def _shows_off(proof: Proof, pending: Pending, seen: Seen) -> bool:
    before_percent = pending.soc_before_percent
    if (
        before_percent is not None
        and seen.soc_percent < before_percent
        and points(seen.soc_percent, before_percent) >= SOC_PROOF_PERCENT
        and pending.power_before is not ExternalPower.NO
    ):
        return True
    if proof is Proof.CHARGING:
        return (
            pending.status_before is BatteryStatus.CHARGING
            and seen.status is not BatteryStatus.CHARGING
        )
    if pending.power_before is ExternalPower.YES and seen.power is ExternalPower.NO:
        return True
    return (
        pending.status_before in _FED
        and pending.power_before is not ExternalPower.NO
        and seen.status is BatteryStatus.DISCHARGING
    )


def _could_show(proof: Proof, pending: Pending) -> bool:
    """Whether the fact could change: a supply that was not there cannot leave."""
    if proof is Proof.CHARGING:
        return pending.status_before is BatteryStatus.CHARGING
    if pending.power_before is ExternalPower.UNKNOWN:
        return pending.status_before in _FED
    return pending.power_before is ExternalPower.YES


def _wrong_way_off(pending: Pending, seen: Seen) -> bool:
    return (
        pending.changed
        and pending.alone
        and pending.power_before is ExternalPower.NO
        and seen.power is ExternalPower.YES
    )


def _off_is_proven(state: State) -> tuple[State, tuple[Effect, ...]]:
    drive = replace(
        state.drive,
        pending=None,
        trial=False,
        off_proven=True,
        ever_proven=True,
        unprovable=False,
        wrong_ways=0,
        trial_at_lived_ms=None,
        trial_wait_ms=0,
    )
    latches = replace(state.latches, relay=None)
    state = replace(state, drive=drive, latches=latches)
    return state, (EffectSeen(supply=Supply.OFF, seen=True),)


def _unconfirmed(
    state: State, pending: Pending, *, blind: bool = False
) -> tuple[State, tuple[Effect, ...]]:
    drive, seen = state.drive, state.quiet.seen
    blind = blind or (
        state.policy.proof is Proof.EXTERNAL_POWER
        and seen is not None
        and seen.power is ExternalPower.UNKNOWN
        and seen.status is BatteryStatus.UNKNOWN
        and not drive.ever_proven
    )
    drive = replace(
        drive,
        pending=replace(pending, judged=True),
        unprovable=drive.unprovable or blind,
    )
    if drive.trial:
        # A trial that can show nothing must not keep the marks from working.
        drive = replace(
            drive,
            pending=None,
            trial=False,
            trial_at_lived_ms=state.quiet.lived_ms + drive.trial_wait_ms,
        )
    return replace(state, drive=drive), (EffectSeen(supply=Supply.OFF, seen=None),)


def _without_effect(state: State, pending: Pending) -> tuple[State, tuple[Effect, ...]]:
    drive, latches = state.drive, state.latches
    effects = (EffectSeen(supply=Supply.OFF, seen=False),)
    tries = pending.tries + 1
    if not drive.trial and tries < len(JUDGED_AFTER_SETTLES):
        drive = replace(drive, pending=None, resend_offs=tries)
        return replace(state, drive=drive), effects
    wait_ms = min(TRIAL_MOST_MS, 2 * drive.trial_wait_ms or TRIAL_FIRST_MS)
    drive = replace(
        drive,
        pending=None,
        trial=False,
        trial_wait_ms=wait_ms,
        trial_at_lived_ms=state.quiet.lived_ms + wait_ms,
    )
    relay = latches.relay or Reason.RELAY_NO_EFFECT
    return replace(state, drive=drive, latches=replace(latches, relay=relay)), effects


# --- on -------------------------------------------------------------------------------


def _judge_on(
    state: State, pending: Pending, seen: Seen
) -> tuple[State, tuple[Effect, ...]]:
    returned = (
        pending.power_before is not ExternalPower.YES
        and seen.power is ExternalPower.YES
    )
    if not returned and not _due(state, pending, seen):
        return state, ()
    state = replace(state, drive=replace(state.drive, pending=None))
    if (
        pending.changed
        and pending.alone
        and pending.power_before is ExternalPower.YES
        and seen.power is ExternalPower.NO
    ):
        return _wrong_way(state), (EffectSeen(supply=Supply.ON, seen=False),)
    if seen.power is not ExternalPower.UNKNOWN:
        came: bool | None = seen.power is ExternalPower.YES
    elif seen.status in _FED:
        came = True
    else:
        came = False if seen.status is BatteryStatus.DISCHARGING else None
    if returned and pending.changed:
        state = replace(state, drive=replace(state.drive, wrong_ways=0))
    return state, (EffectSeen(supply=Supply.ON, seen=came),)


# --- polarity -------------------------------------------------------------------------


def _wrong_way(state: State) -> State:
    ways = state.drive.wrong_ways + 1
    drive = replace(state.drive, pending=None, wrong_ways=ways)
    state = replace(state, drive=drive)
    return reverse(state) if ways >= TWICE else state


def reverse(state: State) -> State:
    """Swap the polarity of every later command, and say on again with the new one."""
    drive = replace(
        state.drive,
        pending=None,
        trial=False,
        probe_until_ms=None,
        swapped=not state.drive.swapped,
        wrong_ways=0,
        resend_on=True,
        absent_since_ms=None,
        repeat_at_ms=None,
        repeat_wait_ms=0,
        trial_wait_ms=TRIAL_FIRST_MS,
        trial_at_lived_ms=state.quiet.lived_ms + TRIAL_FIRST_MS,
    )
    latches = replace(state.latches, relay=Reason.RELAY_REVERSED)
    return replace(state, drive=drive, latches=latches)


def _judge_probe(state: State, seen: Seen) -> tuple[State, tuple[Effect, ...]]:
    if seen.power is not ExternalPower.YES:
        return state, ()
    return reverse(state), (EffectSeen(supply=Supply.OFF, seen=False),)
