"""The marks of a plan come into force and go; the rules only ever see the marks."""

from __future__ import annotations

from typing import Final

from tidegate.core.events import PlanChanged
from tidegate.core.frozen import replace
from tidegate.core.passing import coast_begins
from tidegate.core.policy import PlanReason
from tidegate.core.state import State

# These come to an end that counts; the next relearn is a whole interval away.
_ENDS_A_RELEARN: Final = frozenset({PlanReason.RELEARNED, PlanReason.RELEARN_GIVEN_UP})


def take_plan(state: State, event: PlanChanged) -> State:
    """Return the state with the marks of a plan in force, or without."""
    marks, lived_ms = event.marks, state.quiet.lived_ms
    goes_on = (
        marks is not None
        and event.why is state.plan_why
        and event.moment_wall_ms == state.plan_moment_wall_ms
    )
    since_ms = state.plan_since_lived_ms if goes_on else lived_ms
    relearned_ms, broken_ms = state.relearned_lived_ms, state.relearn_broken_lived_ms
    tries = state.relearn_tries
    if event.why in _ENDS_A_RELEARN:
        relearned_ms, broken_ms, tries = lived_ms, None, None
    elif state.plan_why is PlanReason.RELEARN and event.why is not PlanReason.RELEARN:
        broken_ms, tries = lived_ms, (tries or 0) + 1
    is_planned = marks is not None and event.why is not None
    state = replace(
        state,
        plan_low_percent=marks.low_percent if marks else None,
        plan_high_percent=marks.high_percent if marks else None,
        plan_why=event.why if is_planned else None,
        plan_since_lived_ms=since_ms if is_planned else None,
        plan_moment_wall_ms=event.moment_wall_ms if is_planned else None,
        relearned_lived_ms=relearned_ms,
        relearn_broken_lived_ms=broken_ms,
        relearn_tries=tries,
    )
    return _coast_no_longer(state)


def _coast_no_longer(state: State) -> State:
    """Return the state with a coast that ends by the low mark now in force.

    It began under other marks, and nobody sees the level fall to a higher one. It is
    never made longer.
    """
    latches = state.latches
    if latches.coast_since_ms is None:
        return state
    box_ms = coast_begins(state, latches.coast_since_ms).latches.coast_box_ms
    if box_ms >= latches.coast_box_ms:
        return state
    return replace(state, latches=replace(latches, coast_box_ms=box_ms))
