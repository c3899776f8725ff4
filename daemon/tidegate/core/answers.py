"""What the relay made of a command, and what it tells by itself."""

from __future__ import annotations

from typing import Final

from tidegate.core.effects import Effect, Kind, ReadSoon
from tidegate.core.events import (
    RelayReported,
    RelaySaid,
    SwitchingFailed,
    SwitchingSucceeded,
)
from tidegate.core.frozen import replace
from tidegate.core.orders import FED_WITHIN_MS, REPEAT_FIRST_MS
from tidegate.core.policy import MINUTE_MS
from tidegate.core.reading import Supply
from tidegate.core.state import Drive, Pending, State

JUDGED_AFTER_SETTLES: Final = (1, 2, 6)
TRIAL_JUDGED_AFTER_SETTLES: Final = 10
RETRY_OFF_FIRST_MS: Final = MINUTE_MS
RETRY_OFF_MOST_MS: Final = 15 * MINUTE_MS


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
    overtaken = drive.overtaken
    if overtaken is not None and event.told_at_ms == overtaken.told_at_ms:
        # Nobody judges it any more, and the contact moved all the same.
        drive = _count(replace(drive, overtaken=None), overtaken, state)
        return replace(state, drive=drive), ()
    if pending is None or not _is_about(event, pending):
        return replace(state, drive=drive), ()
    drive = _count(drive, pending, state)
    pending = replace(pending, done_at_ms=now_ms)
    drive = replace(drive, pending=pending)
    due_ms = now_ms + judged_after_ms(state, pending)
    if drive.probe_until_ms is not None and pending.supply is Supply.OFF:
        drive = replace(drive, probe_until_ms=now_ms + state.policy.settle_ms)
        due_ms = now_ms + state.policy.settle_ms // 2
    return replace(state, drive=drive), (ReadSoon(at_ms=due_ms),)


def _count(drive: Drive, done: Pending, state: State) -> Drive:
    """Count what the contact did, and when it last opened for an off that spent."""
    if done.changed or done.kind is Kind.TRIAL:
        drive = replace(drive, operations=drive.operations + 1)
    if done.spent and done.supply is Supply.OFF:
        drive = replace(drive, last_off_lived_ms=state.quiet.lived_ms)
    return drive


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
    overtaken = drive.overtaken
    if overtaken is not None and event.told_at_ms == overtaken.told_at_ms:
        drive = replace(drive, overtaken=None)
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
        return replace(state, drive=drive)
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
    # What looked like a coast, or a loss while off, was not: the supply never left.
    latches = replace(state.latches, coast_since_ms=None)
    watch = replace(state.watch, lost_off_at_ms=None)
    return replace(state, drive=drive, latches=latches, watch=watch)


def relay_reported(state: State, event: RelayReported) -> State:
    """Return the state after the relay told its state outside a switching."""
    drive, now_ms = state.drive, state.quiet.now_ms
    if event.said is RelaySaid.UNKNOWN:
        asked_at_ms = now_ms if event.asked_at_ms is None else event.asked_at_ms
        soon = (
            drive.commanded is Supply.OFF
            and drive.off_done_at_ms is not None
            and asked_at_ms - drive.off_done_at_ms <= FED_WITHIN_MS
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
