"""The planned rise: which marks it wants now, and what is to be expected of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from tidegate.core.policy import DAY_MS, MINUTE_MS, Marks, PlanReason, Policy
from tidegate.core.state import State
from tidegate.plans.calendar import Moment
from tidegate.plans.rates import Rates

# A rise takes so much longer than the learned rate says, and never begins earlier
# than two days before its moment: engineering choices without a source.
SPARE: Final = 1.25
SPARE_MS: Final = 10 * MINUTE_MS
EARLIEST_MS: Final = 2 * DAY_MS
# While the level is sought, the two marks are this far apart: the least of a window.
NARROW_PERCENT: Final = 2.0
# Once it was reached, it is kept from there to so much less shortly before the moment.
KEPT_PERCENT: Final = 4.0
# What is this near to the wanted level is there: the narrow window, and a point more.
NEAR_PERCENT: Final = NARROW_PERCENT + 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Climb:
    """What the way up to a moment looks like from a level and a time on.

    ``begins_ms`` is the wall time at which the window rises at the latest;
    ``expected_percent`` the level at the moment if it begins then, or now if later.
    """

    begins_ms: int
    expected_percent: float

    def is_late(self, moment: Moment) -> bool:
        """Return whether the level will not be reached by the moment."""
        return self.expected_percent < moment.rise.to_percent - NEAR_PERCENT


def climb(
    moment: Moment, state: State, rates: Rates, wall_ms: int, *, is_begun: bool
) -> Climb:
    """Return how the station gets to the level of a moment."""
    policy = state.policy
    assert policy.marks is not None
    level = policy.marks.low_percent if state.soc_percent is None else state.soc_percent
    to_percent = moment.rise.to_percent
    needs_ms = rates.ms_between(level, to_percent, wall_ms)
    lead_ms = min(EARLIEST_MS, round(needs_ms * SPARE) + _slack_ms(policy))
    begins_ms = moment.at_ms - lead_ms
    charging_from_ms = wall_ms if is_begun else max(wall_ms, begins_ms)
    expected = rates.level_after(
        level,
        max(0, moment.at_ms - charging_from_ms),
        wall_ms,
        most_percent=to_percent,
    )
    return Climb(begins_ms=begins_ms, expected_percent=max(expected, min(level, 100.0)))


def standing(
    found: Sequence[Moment], state: State, rates: Rates, wall_ms: int
) -> Moment | None:
    """Return the moment whose rise is in force now: the highest, then the longest."""
    begun = [each for each in found if _is_begun(each, state, rates, wall_ms)]
    if not begun:
        return None
    return max(begun, key=lambda each: (each.rise.to_percent, each.over_ms, each.at_ms))


def is_in_force(moment: Moment, state: State) -> bool:
    """Return whether the plan in force is that of this moment."""
    return (
        state.plan_why is PlanReason.PLANNED_RISE
        and state.plan_moment_wall_ms == moment.at_ms
    )


def marks_of(moment: Moment, state: State, rates: Rates, wall_ms: int) -> Marks:
    """Return the marks that the rise wants.

    Near its level until that is reached. From then on as far apart as those of the
    settings, for a narrow window uses up the relay's budget; only as long before the
    moment as it takes to get there once more, not quite as far.
    """
    marks, high = state.policy.marks, moment.rise.to_percent
    assert marks is not None
    width = marks.high_percent - marks.low_percent
    wide = round(high - width, 3)
    near = round(high - min(width, KEPT_PERCENT), 3)
    narrow = round(high - NARROW_PERCENT, 3)
    was = None
    if is_in_force(moment, state) and state.plan_high_percent == high:
        was = state.plan_low_percent
    level = state.soc_percent or 0.0
    has_reached = level >= high or (was is not None and was < narrow)
    if wall_ms >= moment.latest_ms:
        low = wide if has_reached or level >= high - NEAR_PERCENT else narrow
    elif not has_reached:
        low = narrow
    else:
        way = climb(moment, state, rates, wall_ms, is_begun=False)
        low = near if was == near or wall_ms >= way.begins_ms else wide
    return Marks(low_percent=low, high_percent=high)


def is_reached(marks: Marks) -> bool:
    """Return whether marks of a rise are those from when its level was reached."""
    return marks.low_percent < round(marks.high_percent - NARROW_PERCENT, 3)


def _is_begun(moment: Moment, state: State, rates: Rates, wall_ms: int) -> bool:
    if is_in_force(moment, state):
        # Once begun it goes on, but not where the clock was set far back meanwhile.
        return wall_ms >= moment.at_ms - EARLIEST_MS
    way = climb(moment, state, rates, wall_ms, is_begun=False)
    return wall_ms >= way.begins_ms


def _slack_ms(policy: Policy) -> int:
    """Return what may pass until a low mark that rose has an effect."""
    return policy.dwell_off_ms + policy.settle_ms + 2 * policy.poll_ms + SPARE_MS
