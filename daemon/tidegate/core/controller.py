"""The controller of one station: an event goes in, a state and effects come out.

``step`` is a pure function. In order: the event changes what we know (``watch``,
``orders``, ``verdict``), time moves the latches, the table of ``rules`` gives a
verdict, and the verdict is held against the last command. The same events give the
same switchings, which is what replay proves.
"""

from __future__ import annotations

from typing import Final

from tidegate.core import alarms, passing, rules, watch
from tidegate.core.answers import fail, relay_reported, succeed
from tidegate.core.effects import (
    Effect,
    Kind,
    Reason,
    RefreshDeadMan,
    WakeAt,
)
from tidegate.core.events import (
    Event,
    GaugeFailed,
    LogBack,
    LogLost,
    NeighbourSwitched,
    NotProved,
    OverridePlaced,
    OverrideReleased,
    PlanChanged,
    Proved,
    ReadingArrived,
    RelayReported,
    Resumed,
    SettingsChanged,
    Started,
    Stopping,
    SwitchingFailed,
    SwitchingSucceeded,
    TimePassed,
)
from tidegate.core.frozen import replace
from tidegate.core.lockouts import note_return
from tidegate.core.orders import order, start
from tidegate.core.planned import take_plan
from tidegate.core.presence import keep_off
from tidegate.core.reading import Supply
from tidegate.core.repeats import repeat, resend
from tidegate.core.rules import Verdict
from tidegate.core.state import Override, State
from tidegate.core.verdict import judge, lost_gauge_is_proof, reverse
from tidegate.core.waking import (
    FIRST_READING_WITHIN_MS,
    dwell_ends_ms,
    next_wake_ms,
    read_soon,
)

# Raised when the same events could give other switchings than before; a log written
# under another number replays as unproven, not as a mismatch.
RULES_VERSION: Final = 6
_ENDS_AN_OFF_OVERRIDE: Final = frozenset(
    {
        Reason.NO_BATTERY,
        Reason.GAUGE_LOST,
        Reason.GAUGE_FROZEN,
        Reason.GAUGE_IMPLAUSIBLE,
        Reason.BELOW_FLOOR,
        Reason.ONLY_SOURCE,
        Reason.RELAY_FED_BY_SUPPLY,
    }
)


def step(state: State, event: Event, now_ms: int) -> tuple[State, tuple[Effect, ...]]:
    """Return the state after the event, and what the shell must do.

    ``now_ms`` is the boot clock and never runs backwards within a run.
    """
    before = state
    state = _advance(state, event, now_ms)
    state, effects, fresh = _absorb(state, event, now_ms)
    state = passing.pass_time(state, now_ms)
    if state.policy.marks is None:
        state, more = _only_measure(state)
        effects += more
    elif isinstance(event, Stopping):
        state, more = _stop(state)
        effects += more
    elif not state.drive.stopped:
        state, more = _control(state, event, fresh=fresh)
        effects += more
    alarms_now = alarms.standing(state)
    if alarms_now != state.alarms:
        effects += alarms.differences(state.alarms, alarms_now)
        state = replace(state, alarms=alarms_now)
    effects += read_soon(before, state)
    looked = isinstance(event, ReadingArrived | GaugeFailed)
    drive = state.drive
    if looked and drive.commanded is (Supply.ON if drive.swapped else Supply.OFF):
        # A miss too: a coast and a lost gauge have their own time-boxes. The timer
        # belongs to what the relay takes for an off.
        effects += (RefreshDeadMan(),)
    wake_ms = next_wake_ms(state)
    if wake_ms is not None:
        effects += (WakeAt(at_ms=wake_ms),)
    return state, effects


def _advance(state: State, event: Event, now_ms: int) -> State:
    """Move the clocks; time between two runs was not lived by the daemon."""
    quiet = state.quiet
    if isinstance(event, Started):
        return state
    assert now_ms >= quiet.now_ms
    lived_ms = quiet.lived_ms + now_ms - quiet.now_ms
    answered_ms = quiet.answered_lived_ms
    if isinstance(event, ReadingArrived):
        answered_ms = lived_ms
    quiet = replace(
        quiet, now_ms=now_ms, lived_ms=lived_ms, answered_lived_ms=answered_ms
    )
    return replace(state, quiet=quiet)


def _absorb(
    state: State, event: Event, now_ms: int
) -> tuple[State, tuple[Effect, ...], bool]:
    """Return the state with the event in it, and whether a trusted reading came
    that was taken after the last on.
    """
    effects: tuple[Effect, ...] = ()
    match event:
        case Started():
            return start(state, event, now_ms), (), False
        case ReadingArrived():
            if event.reading.trusted:
                state = note_return(state, event.reading)
            state, trusted = watch.take_reading(state, event, now_ms)
            if trusted:
                state, effects = judge(state)
            fresh = trusted and event.reading.at_ms > state.drive.on_at_ms
            return state, effects, fresh
        case GaugeFailed():
            state = watch.take_failure(state, event, now_ms)
            state, effects = lost_gauge_is_proof(state)
        case SwitchingSucceeded():
            state, effects = succeed(state, event)
        case SwitchingFailed():
            state = fail(state, event)
        case RelayReported():
            state = relay_reported(state, event)
        case _:
            state = _told(state, event)
    return state, effects, False


def _told(state: State, event: Event) -> State:
    """Return the state after an event that is neither gauge nor relay."""
    now_ms = state.quiet.now_ms
    match event:
        case NeighbourSwitched():
            return _neighbour(state)
        case OverridePlaced():
            override = Override(
                supply=event.supply,
                until_ms=event.until_ms,
                because=event.because,
                by=event.by,
            )
            return replace(state, override=override, override_ended=False)
        case OverrideReleased():
            return replace(state, override=None, override_ended=False)
        case PlanChanged():
            return take_plan(state, event)
        case SettingsChanged():
            return _settings(state, event)
        case Proved():
            return _proved(state, event)
        case NotProved():
            state = _operated(state, event.operations)
            return reverse(state) if event.is_reversed else state
        case Resumed():
            # Nothing is stale until three reads failed, and no leap is a jump.
            known = replace(
                state.watch,
                bad_reads=0,
                rejected_reads=0,
                jump=None,
                no_jump_before_ms=now_ms,
            )
            return replace(state, watch=known)
        case LogLost():
            return replace(state, log_lost=True)
        case LogBack():
            return replace(state, log_lost=False)
        case _:
            assert isinstance(event, TimePassed | Stopping)
            return state


def _neighbour(state: State) -> State:
    drive = replace(state.drive, neighbour_at_ms=state.quiet.now_ms)
    if drive.pending is not None:
        drive = replace(drive, pending=replace(drive.pending, alone=False))
    return replace(state, drive=drive)


def _settings(state: State, event: SettingsChanged) -> State:
    state = replace(state, policy=event.policy)
    if not event.relay_changed:
        return state
    drive = replace(
        state.drive,
        swapped=False,
        ever_proven=False,
        unprovable=False,
        wrong_ways=0,
        trial_at_lived_ms=None,
        trial_wait_ms=0,
        # The new contact was never told: say the standing command once more.
        pending=None,
        off_proven=False,
        resend_on=state.drive.commanded is Supply.ON,
        resend_offs=1 if state.drive.commanded is Supply.OFF else 0,
    )
    return replace(state, drive=drive, latches=replace(state.latches, relay=None))


def unseen(state: State) -> State:
    """Return the state once another hand, a commissioning run's, has the relay.

    What was last seen then says nothing of where the contact stands, so the next
    start says on first.
    """
    return replace(state, quiet=replace(state.quiet, seen=None))


def told_aside(state: State, event: SettingsChanged | Proved | NotProved) -> State:
    """Return the state after an event of a commissioning run.

    No daemon looks after the station then, so no time passes and nothing is
    commanded; what it means shows when the daemon starts.
    """
    return _told(state, event)


def _operated(state: State, times: int) -> State:
    drive = state.drive
    return replace(state, drive=replace(drive, operations=drive.operations + times))


def _proved(state: State, event: Proved) -> State:
    """A commissioning run saw off and on work: lockouts and relay faults end."""
    state = _operated(state, event.operations)
    drive = replace(
        state.drive,
        ever_proven=True,
        unprovable=False,
        wrong_ways=0,
        only_source_losses=0,
        fed_losses=0,
        trial_at_lived_ms=None,
        trial_wait_ms=0,
    )
    latches = replace(state.latches, relay=None, lockout=None)
    return replace(state, drive=drive, latches=latches)


# --- control --------------------------------------------------------------------------


def _only_measure(state: State) -> tuple[State, tuple[Effect, ...]]:
    """No window, no switching; one taken away never leaves the supply off."""
    state, drive = _with_reason(state, Reason.MEASURE_ONLY), state.drive
    if drive.commanded is Supply.OFF:
        state, switch = order(state, Supply.ON, Reason.STOP, kind=Kind.CHANGE)
        return state, (switch,)
    if drive.commanded is Supply.ON and (
        drive.on_failed or drive.probe_until_ms is not None
    ):
        state, again = repeat(state, fresh=False)
        return state, (again,) if again is not None else ()
    return state, ()


def _control(
    state: State, event: Event, *, fresh: bool
) -> tuple[State, tuple[Effect, ...]]:
    if state.drive.commanded is None:
        state, first = _first_command(state, event, fresh=fresh)
        if first or state.drive.commanded is None:
            return state, first
    if state.policy.off_is_refused and state.drive.commanded is Supply.OFF:
        # The relay turned out to be otherwise after the off was told.
        state = _with_reason(state, Reason.DEAD_LOCK)
        state, switch = order(state, Supply.ON, Reason.DEAD_LOCK, kind=Kind.CHANGE)
        return state, (switch,)
    verdict = rules.first_match(state)
    state = _with_reason(state, verdict.reason)
    refused = verdict.reason is Reason.RELAY_BUDGET
    if refused is not state.budget_refused:
        state = replace(state, budget_refused=refused)
    state = _end_override(state, verdict)
    if _may_switch(state, verdict, fresh=fresh):
        assert verdict.supply is not None
        kind = Kind.TRIAL if verdict.trial else Kind.CHANGE
        state, switch = order(state, verdict.supply, verdict.reason, kind=kind)
        return state, (switch,)
    return _again(state, verdict, fresh=fresh)


def _again(
    state: State, verdict: Verdict, *, fresh: bool
) -> tuple[State, tuple[Effect, ...]]:
    """Return a repeat of the standing command, where one is due."""
    if state.drive.resend_offs and verdict.supply is Supply.ON:
        # The verdict on an off came as the table wanted on, and dwell holds it back.
        return state, ()
    state, again = resend(state, fresh=fresh)
    if again is None:
        state, again = repeat(state, fresh=fresh)
    return state, (again,) if again is not None else ()


def _may_switch(state: State, verdict: Verdict, *, fresh: bool) -> bool:
    drive, policy, now_ms = state.drive, state.policy, state.quiet.now_ms
    if verdict.supply is None or verdict.supply is drive.commanded:
        return False
    if verdict.supply is Supply.OFF:
        if policy.off_is_refused:
            return False
        if verdict.needs_fresh and not fresh:
            return False
        if drive.retry_off_at_ms is not None and now_ms < drive.retry_off_at_ms:
            return False
        if drive.probe_until_ms is not None:
            return False
    return not verdict.obeys_dwell or now_ms >= dwell_ends_ms(state)


def _first_command(
    state: State, event: Event, *, fresh: bool
) -> tuple[State, tuple[Effect, ...]]:
    """Supply on, unless a fresh log and the relay agree that it is off."""
    drive, now_ms = state.drive, state.quiet.now_ms
    asked = isinstance(event, ReadingArrived | GaugeFailed)
    if not asked and now_ms - drive.started_at_ms < FIRST_READING_WITHIN_MS:
        return state, ()
    kept = drive.kept_fresh and not state.policy.off_is_refused
    if fresh and kept and drive.started_relay is Supply.OFF:
        return keep_off(state), ()
    state, switch = order(state, Supply.ON, Reason.START, kind=Kind.CHANGE)
    return state, (switch,)


def _stop(state: State) -> tuple[State, tuple[Effect, ...]]:
    changes = state.drive.commanded is not Supply.ON
    kind = Kind.CHANGE if changes else Kind.REPEAT
    state = _with_reason(state, Reason.STOP)
    state, switch = order(state, Supply.ON, Reason.STOP, kind=kind)
    return replace(state, drive=replace(state.drive, stopped=True)), (switch,)


def _end_override(state: State, verdict: Verdict) -> State:
    override = state.override
    if (
        override is None
        or override.supply is Supply.ON
        or verdict.reason not in _ENDS_AN_OFF_OVERRIDE
    ):
        return state
    return replace(state, override=None, override_ended=True)


def _with_reason(state: State, reason: Reason) -> State:
    if state.reason is reason:
        return state
    return replace(state, reason=reason, reason_since_ms=state.quiet.now_ms)
