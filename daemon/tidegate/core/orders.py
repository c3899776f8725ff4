"""Giving a command, and the start of a run."""

from __future__ import annotations

from typing import Final

from tidegate.core.effects import Kind, Reason, SwitchSupply
from tidegate.core.events import (
    Started,
)
from tidegate.core.frozen import replace
from tidegate.core.lockouts import lock_out_only_source
from tidegate.core.passing import COAST_GRACE_MS
from tidegate.core.policy import DAY_MS, HOUR_MS, MINUTE_MS, Proof
from tidegate.core.reading import BatteryStatus, ExternalPower, Supply
from tidegate.core.state import Drive, Latches, Pending, Quiet, State, Watch

REPEAT_FIRST_MS: Final = 10_000
REPEAT_MOST_MS: Final = 5 * MINUTE_MS
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
# The ons that wait for a reading just before them, as every off does.
PATIENT: Final = frozenset({Reason.OVERRIDE, Reason.AT_LOW_MARK})


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
        last_off_lived_ms=_last_off_lived_ms(old),
        spent_lived_ms=was.spent_lived_ms,
        operations=was.operations,
    )
    state = replace(
        old,
        quiet=Quiet(
            now_ms=now_ms,
            lived_ms=old.quiet.lived_ms,
            # An older log does not know when; then it counts from here.
            answered_lived_ms=old.quiet.answered_lived_ms or old.quiet.lived_ms,
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


def _last_off_lived_ms(old: State) -> int | None:
    """Return when the contact last opened for an off that spent budget.

    Of one that was under way as the run broke off nobody knows; it may have moved.
    """
    drive, quiet = old.drive, old.quiet
    for each in (drive.pending, drive.overtaken):
        if each is None or each.done_at_ms is not None:
            continue
        if each.spent and each.supply is Supply.OFF:
            return quiet.lived_ms - (quiet.now_ms - each.told_at_ms)
    return drive.last_off_lived_ms


# --- commands -----------------------------------------------------------------------


def order(
    state: State, supply: Supply, reason: Reason, *, kind: Kind, tries: int = 0
) -> tuple[State, SwitchSupply]:
    """Return the state with a command under way, and the command."""
    drive, now_ms = state.drive, state.quiet.now_ms
    changed = supply is not drive.commanded
    spent = changed and drive.commanded is not None and reason in SPENDING
    under_way = drive.pending
    if under_way is not None and under_way.done_at_ms is not None:
        under_way = None
    drive = replace(
        drive,
        pending=_pending(
            state, supply, kind, changed=changed, spent=spent, tries=tries
        ),
        overtaken=under_way,
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
        state = _ordered_off(state, reason, kind)
    trial = supply is Supply.OFF and kind is Kind.TRIAL
    state = replace(state, drive=replace(state.drive, trial=trial))
    return state, SwitchSupply(
        supply=supply,
        reason=reason,
        kind=kind,
        swapped=drive.swapped,
        urgent=supply is Supply.ON and reason not in PATIENT,
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


def _ordered_off(state: State, reason: Reason, kind: Kind) -> State:
    # A hold that a firmware lifted is told at every reading, so it stays proven.
    again = (
        reason is Reason.RELAY_EXTERNAL_CHANGE and state.policy.proof is Proof.CHARGING
    )
    was = state.drive.off_by
    drive = replace(
        state.drive,
        # Said again it is still the off of its rule, and has the coast of that.
        off_by=was if kind is Kind.REPEAT and was is not None else reason,
        off_proven=state.drive.off_proven and again,
        off_done_at_ms=None,
    )
    return replace(state, drive=drive, quiet=replace(state.quiet, slope_points=()))
