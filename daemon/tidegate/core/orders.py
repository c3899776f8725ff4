"""Giving a command, and what the relay answered to it."""

from __future__ import annotations

from typing import Final

from tidegate.core.effects import Effect, Kind, ReadSoon, Reason, SwitchSupply
from tidegate.core.events import (
    RelayReported,
    RelaySaid,
    Started,
    SwitchingFailed,
    SwitchingSucceeded,
)
from tidegate.core.frozen import replace
from tidegate.core.lockouts import lock_out_only_source
from tidegate.core.passing import COAST_GRACE_MS
from tidegate.core.policy import DAY_MS, HOUR_MS, MINUTE_MS, Proof
from tidegate.core.reading import BatteryStatus, ExternalPower, Supply
from tidegate.core.state import Drive, Latches, Pending, Quiet, State, Watch

JUDGED_AFTER_SETTLES: Final = (1, 2, 6)
TRIAL_JUDGED_AFTER_SETTLES: Final = 10
REPEAT_FIRST_MS: Final = 10_000
REPEAT_MOST_MS: Final = 5 * MINUTE_MS
RETRY_OFF_FIRST_MS: Final = MINUTE_MS
RETRY_OFF_MOST_MS: Final = 15 * MINUTE_MS
TRIAL_FIRST_MS: Final = HOUR_MS
TRIAL_MOST_MS: Final = 24 * HOUR_MS
FED_WITHIN_MS: Final = 10_000
SPENDING: Final = frozenset(
    {
        Reason.BATTERY_HOT,
        Reason.BATTERY_COLD,
        Reason.OVERRIDE,
        Reason.AT_LOW_MARK,
        Reason.AT_HIGH_MARK,
    }
)
LOST_GAUGE: Final = frozenset(
    {Reason.GAUGE_LOST, Reason.GAUGE_FROZEN, Reason.GAUGE_IMPLAUSIBLE}
)
PATIENT: Final = frozenset(
    {
        Reason.BATTERY_HOT,
        Reason.BATTERY_COLD,
        Reason.OVERRIDE,
        Reason.AT_LOW_MARK,
        Reason.AT_HIGH_MARK,
        Reason.BATTERY_CRITICAL_HEAT,
    }
)


def start(old: State, event: Started, now_ms: int) -> State:
    """Return the state of a new run: what outlives a run, and fresh timers."""
    was, seen = old.drive, old.quiet.seen
    if not event.same_boot:
        seen = None
    losses = was.only_source_losses
    if (
        old.policy.host_is_device
        and not event.same_boot
        and not event.was_closed
        and was.commanded is Supply.OFF
    ):
        losses += 1
    drive = Drive(
        started_at_ms=now_ms,
        started_relay=event.relay,
        kept_fresh=seen is not None and now_ms - seen.at_ms < old.policy.stale_after_ms,
        commanded_at_ms=now_ms,
        before_at_ms=now_ms,
        on_at_ms=now_ms,
        off_by=was.off_by if event.same_boot else None,
        swapped=was.swapped,
        ever_proven=was.ever_proven,
        unprovable=was.unprovable,
        outside_offs_lived_ms=was.outside_offs_lived_ms,
        trial_at_lived_ms=was.trial_at_lived_ms,
        trial_wait_ms=was.trial_wait_ms,
        only_source_losses=losses,
        fed_losses=was.fed_losses,
        last_off_lived_ms=was.last_off_lived_ms,
        spent_lived_ms=was.spent_lived_ms,
        operations=was.operations,
    )
    state = replace(
        old,
        quiet=Quiet(
            now_ms=now_ms,
            lived_ms=old.quiet.lived_ms,
            seen=seen,
            temperature_at_ms=now_ms,
            soc_moved_at_ms=now_ms,
            same_since_ms=now_ms,
        ),
        watch=Watch(
            stale_from_ms=now_ms,
            no_jump_before_ms=now_ms,
            pack=old.watch.pack,
            slope_days=old.watch.slope_days,
        ),
        latches=Latches(
            lockout=old.latches.lockout,
            lockout_lived_ms=old.latches.lockout_lived_ms,
            relay=old.latches.relay,
        ),
        drive=drive,
        override=old.override if event.same_boot else None,
        log_lost=False,
        reason=Reason.START,
        reason_since_ms=now_ms,
    )
    return lock_out_only_source(state)


# --- commands -----------------------------------------------------------------------


def order(
    state: State, supply: Supply, reason: Reason, *, kind: Kind, tries: int = 0
) -> tuple[State, SwitchSupply]:
    """Return the state with a command under way, and the command."""
    drive, now_ms = state.drive, state.quiet.now_ms
    changed = supply is not drive.commanded
    spent = changed and drive.commanded is not None and reason in SPENDING
    drive = replace(
        drive,
        pending=_pending(
            state, supply, kind, changed=changed, spent=spent, tries=tries
        ),
        resend_offs=0,
        resend_on=False,
    )
    if spent:
        drive = replace(drive, spent_lived_ms=_spend(state))
    if changed:
        drive = replace(
            drive,
            commanded=supply,
            commanded_at_ms=now_ms,
            before_at_ms=drive.commanded_at_ms,
            absent_since_ms=None,
            absent_ons=0,
            absent_trials=0,
            absent_trial_at_lived_ms=None,
            probe_until_ms=None,
            repeat_at_ms=None,
            repeat_wait_ms=0,
            outside_change=False,
            outside_said=None,
        )
    state = replace(state, drive=drive)
    if supply is Supply.ON:
        state = _ordered_on(state, reason, changed=changed)
    else:
        state = _ordered_off(state, reason)
    trial = supply is Supply.OFF and kind is Kind.TRIAL
    state = replace(state, drive=replace(state.drive, trial=trial))
    return state, SwitchSupply(
        supply=supply,
        reason=reason,
        kind=kind,
        swapped=drive.swapped,
        urgent=reason not in PATIENT,
    )


def _pending(
    state: State, supply: Supply, kind: Kind, *, changed: bool, spent: bool, tries: int
) -> Pending:
    seen = state.quiet.seen
    return Pending(
        supply=supply,
        kind=kind,
        told_at_ms=state.quiet.now_ms,
        power_before=seen.power if seen else ExternalPower.UNKNOWN,
        status_before=seen.status if seen else BatteryStatus.UNKNOWN,
        soc_before_percent=seen.soc_percent if seen else None,
        changed=changed,
        spent=spent,
        tries=tries,
        alone=_is_alone(state),
    )


def _is_alone(state: State) -> bool:
    """Whether no other call ran on the link in the 5 s before the command."""
    neighbour_ms = state.drive.neighbour_at_ms
    return neighbour_ms is None or state.quiet.now_ms - neighbour_ms > 5_000


def _spend(state: State) -> tuple[int, ...]:
    lived_ms = state.quiet.lived_ms
    kept = (at for at in state.drive.spent_lived_ms if lived_ms - at < DAY_MS)
    return (*kept, lived_ms)


def _ordered_on(state: State, reason: Reason, *, changed: bool) -> State:
    drive, now_ms = state.drive, state.quiet.now_ms
    lost = reason in LOST_GAUGE or state.watch.lost_off_at_ms is not None
    if changed and drive.off_proven and not lost:
        # A completed off: the device lived through it, so old losses are forgiven.
        # Where the gauge is away, only its return can tell (``note_return``).
        drive = replace(drive, only_source_losses=0)
    if changed and _relay_outlived(drive, now_ms):
        drive = replace(drive, fed_losses=0)
    if state.drive.trial:
        # Cut short before its verdict: the trial comes again after the same wait.
        again_ms = state.quiet.lived_ms + drive.trial_wait_ms
        drive = replace(drive, trial_at_lived_ms=again_ms)
    drive = replace(drive, off_by=None, off_proven=False, on_at_ms=now_ms)
    latches, watch = state.latches, state.watch
    if reason is Reason.COAST_OVER:
        latches = replace(latches, coast_over_until_ms=now_ms + COAST_GRACE_MS)
    latches = replace(latches, coast_since_ms=None)
    if changed and state.policy.gauge_needs_supply:
        # The gauge needs a minute to come back once its cable carries power again.
        watch = replace(watch, stale_from_ms=now_ms + COAST_GRACE_MS, bad_reads=0)
    return replace(state, drive=drive, latches=latches, watch=watch)


def _relay_outlived(drive: Drive, now_ms: int) -> bool:
    """Whether the relay was still there 10 s after the off that ends now."""
    return (
        drive.off_done_at_ms is not None
        and now_ms - drive.off_done_at_ms > FED_WITHIN_MS
        and not drive.relay_lost
        and not drive.fed_check
    )


def _ordered_off(state: State, reason: Reason) -> State:
    # A hold that a firmware lifted is told at every reading, so it stays proven.
    again = (
        reason is Reason.RELAY_EXTERNAL_CHANGE and state.policy.proof is Proof.CHARGING
    )
    drive = replace(
        state.drive,
        off_by=reason,
        off_proven=state.drive.off_proven and again,
        off_done_at_ms=None,
    )
    return replace(state, drive=drive, quiet=replace(state.quiet, slope_points=()))


# --- what the relay answered -----------------------------------------------------------


def succeed(
    state: State, event: SwitchingSucceeded
) -> tuple[State, tuple[Effect, ...]]:
    """Return the state after the relay carried a command out; the verdict comes."""
    drive, now_ms = state.drive, state.quiet.now_ms
    pending = drive.pending
    if drive.relay_lost:
        # An answer too says that the relay is back.
        drive = replace(
            drive,
            relay_lost=False,
            relay_lost_after_off=False,
            fed_check=drive.relay_lost_after_off,
        )
    if event.supply is Supply.ON:
        drive = replace(drive, on_failed=False, on_at_ms=now_ms)
    else:
        drive = replace(
            drive,
            failed_offs=0,
            retry_off_at_ms=None,
            off_done_at_ms=now_ms,
            on_failed=False,
        )
    if pending is None or not _is_about(event, pending):
        return replace(state, drive=drive), ()
    if pending.changed or pending.kind is Kind.TRIAL:
        drive = replace(drive, operations=drive.operations + 1)
    if pending.spent and pending.supply is Supply.OFF:
        drive = replace(drive, last_off_lived_ms=state.quiet.lived_ms)
    pending = replace(pending, done_at_ms=now_ms)
    drive = replace(drive, pending=pending)
    due_ms = now_ms + judged_after_ms(state, pending)
    if drive.probe_until_ms is not None and pending.supply is Supply.OFF:
        drive = replace(drive, probe_until_ms=now_ms + state.policy.settle_ms)
        due_ms = now_ms + state.policy.settle_ms // 2
    return replace(state, drive=drive), (ReadSoon(at_ms=due_ms),)


def _is_about(event: SwitchingSucceeded | SwitchingFailed, pending: Pending) -> bool:
    """Return whether an outcome is that of the pending command, not of one before.

    An off that waits yields to whatever comes after it, and that may be an off again.
    """
    told_at_ms = event.told_at_ms
    same = told_at_ms is None or told_at_ms == pending.told_at_ms
    return same and pending.supply is event.supply


def judged_after_ms(state: State, pending: Pending) -> int:
    """Return how long after its outcome a switching is judged."""
    if pending.supply is Supply.ON:
        return state.policy.settle_ms
    if state.drive.trial:
        return TRIAL_JUDGED_AFTER_SETTLES * state.policy.settle_ms
    return JUDGED_AFTER_SETTLES[pending.tries] * state.policy.settle_ms


def fail(state: State, event: SwitchingFailed) -> State:
    """Return the state after a command that did not reach the relay."""
    drive, now_ms = state.drive, state.quiet.now_ms
    pending = drive.pending
    ours = pending is not None and _is_about(event, pending)
    if event.supply is Supply.ON:
        wait_ms = drive.repeat_wait_ms or REPEAT_FIRST_MS
        drive = replace(
            drive,
            on_failed=True,
            pending=None if ours else pending,
            repeat_at_ms=drive.repeat_at_ms or now_ms + wait_ms,
            repeat_wait_ms=wait_ms,
        )
        return replace(state, drive=drive)
    if not ours or pending is None:
        return state
    if drive.probe_until_ms is not None:
        return replace(state, drive=replace(drive, pending=None, probe_until_ms=None))
    if not pending.changed:
        # A repeat that failed is judged like one that had no effect.
        return replace(
            state, drive=replace(drive, pending=replace(pending, done_at_ms=now_ms))
        )
    fails = drive.failed_offs + 1
    wait_ms = min(RETRY_OFF_MOST_MS, RETRY_OFF_FIRST_MS << min(fails - 1, 10))
    drive = replace(
        drive,
        pending=None,
        trial=False,
        commanded=Supply.ON,
        commanded_at_ms=drive.before_at_ms,
        off_by=None,
        failed_offs=fails,
        retry_off_at_ms=now_ms + wait_ms,
        spent_lived_ms=(
            drive.spent_lived_ms[:-1] if pending.spent else drive.spent_lived_ms
        ),
    )
    # What looked like a coast was not: the supply never left.
    latches = replace(state.latches, coast_since_ms=None)
    return replace(state, drive=drive, latches=latches)


def relay_reported(state: State, event: RelayReported) -> State:
    """Return the state after the relay told its state outside a switching."""
    drive, now_ms = state.drive, state.quiet.now_ms
    if event.said is RelaySaid.UNKNOWN:
        soon = (
            drive.commanded is Supply.OFF
            and drive.off_done_at_ms is not None
            and now_ms - drive.off_done_at_ms <= FED_WITHIN_MS
        )
        drive = replace(
            drive,
            relay_lost=True,
            relay_lost_after_off=drive.relay_lost_after_off or soon,
        )
        return replace(state, drive=drive)
    state = _relay_is_back(state)
    drive = state.drive
    said = Supply(event.said.value)
    if drive.commanded is None or (
        drive.pending is not None and drive.pending.done_at_ms is None
    ):
        return state
    if said is drive.commanded:
        return replace(state, drive=replace(drive, outside_said=None))
    if drive.outside_said is not said:
        drive = replace(
            drive,
            outside_change=True,
            outside_said=said,
            operations=drive.operations + 1,
        )
    return replace(state, drive=drive)


def _relay_is_back(state: State) -> State:
    drive = state.drive
    if not drive.relay_lost:
        return state
    # Whatever it was told before, the contact may stand anywhere now: say it again.
    # Whether the supply had fed it shows at the next trusted reading.
    drive = replace(
        drive,
        relay_lost=False,
        relay_lost_after_off=False,
        fed_check=drive.relay_lost_after_off,
        resend_on=drive.commanded is Supply.ON,
    )
    return replace(state, drive=drive)
