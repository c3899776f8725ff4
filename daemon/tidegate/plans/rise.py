"""The planned rise: which marks it wants now, and what is to be expected of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from tidegate.core.passing import COAST_FIRST_SLOPE, COAST_SLOPE, COAST_SURE_DAYS
from tidegate.core.policy import DAY_MS, HOUR_MS, MINUTE_MS, Marks, PlanReason, Policy
from tidegate.core.state import State, days_learned, learned_slope
from tidegate.plans.calendar import Moment
from tidegate.plans.rates import Rates
from tidegate.settings.table_plans import LEAST_SLOPE

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

    ``begins_ms`` is the wall time at which the window rises if the level stays so;
    ``expected_percent`` the level at the moment if it begins then, or now if later.
    """

    begins_ms: int
    expected_percent: float

    def is_late(self, moment: Moment) -> bool:
        """Return whether the level will not be reached by the moment."""
        return self.expected_percent < moment.rise.to_percent - NEAR_PERCENT


def climb(
    moment: Moment,
    state: State,
    rates: Rates,
    wall_ms: int,
    *,
    is_begun: bool,
    fallen_percent: float = 0.0,
) -> Climb:
    """Return how the station gets to the level of a moment, so far under its own."""
    policy, level = state.policy, _level(state) - fallen_percent
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


def begins_between(
    moment: Moment,
    state: State,
    rates: Rates,
    wall_ms: int,
    levels_percent: tuple[float, float],
) -> tuple[int, int]:
    """Return the wall times between which the window rises, where the level lies
    between these two by then, or where it is now.
    """
    level, times = _level(state), []
    for each in (*levels_percent, level):
        way = climb(
            moment, state, rates, wall_ms, is_begun=False, fallen_percent=level - each
        )
        times.append(way.begins_ms)
    return min(times), max(times)


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


def marks_of(
    moment: Moment,
    state: State,
    rates: Rates,
    wall_ms: int,
    *,
    found: Sequence[Moment] = (),
) -> Marks:
    """Return the marks that the rise wants; of those ``found`` none is let down.

    Near its level until that is reached. From then on as far apart as those of the
    settings, for a narrow window uses up the relay's budget; only as long before the
    moment as it takes to get there once more, not quite as far. A lower rise whose
    moment comes first keeps the low mark near its own level until then.
    """
    marks, high = state.policy.marks, moment.rise.to_percent
    assert marks is not None
    width = marks.high_percent - marks.low_percent
    wide = round(high - width, 3)
    near = _near(moment, width)
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
        begins_ms = _again_ms(moment, state, rates, wall_ms, width=width)
        low = near if was == near or wall_ms >= begins_ms else wide
    fallen = max(0.0, _level(state) - wide)
    for each in found:
        is_higher = each.rise.to_percent > high
        if each is moment or is_higher or wall_ms >= each.latest_ms:
            continue
        # By the low mark, not by the level: that goes up and down all the time.
        way = climb(each, state, rates, wall_ms, is_begun=False, fallen_percent=fallen)
        if wall_ms >= way.begins_ms - _blind_ms(state, width):
            low = max(low, min(_near(each, width), narrow))
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


def _near(moment: Moment, width: float) -> float:
    """Return the low mark shortly before a moment whose level was reached."""
    return round(moment.rise.to_percent - min(width, KEPT_PERCENT), 3)


def _level(state: State) -> float:
    """Return the level to count on; in a coast the last one read is no more true."""
    seen, marks = state.quiet.seen, state.policy.marks
    assert marks is not None
    if seen is None:
        return marks.low_percent
    if not state.coasting:
        return seen.soc_percent
    slope = learned_slope(state, least=0.0) or LEAST_SLOPE
    lost = slope * (state.quiet.now_ms - seen.at_ms) / HOUR_MS
    # The box of a coast ends it at the low mark.
    return min(seen.soc_percent, max(state.low_percent, seen.soc_percent - lost))


def _again_ms(
    moment: Moment, state: State, rates: Rates, wall_ms: int, *, width: float
) -> int:
    """Return from when no other off in the wide window leaves time to come back."""
    blind_ms = _blind_ms(state, width)
    slope = learned_slope(state, least=0.0) or LEAST_SLOPE
    off_ms = max(state.policy.dwell_off_ms, blind_ms)
    fallen = min(width, slope * off_ms / HOUR_MS)
    way = climb(moment, state, rates, wall_ms, is_begun=False, fallen_percent=fallen)
    return way.begins_ms - blind_ms


def _blind_ms(state: State, width: float) -> int:
    """Return how long a coast may last that begins in a window of such a width."""
    policy = state.policy
    if not policy.gauge_needs_supply:
        return 0
    is_sure = days_learned(state) >= COAST_SURE_DAYS
    least = COAST_SLOPE if is_sure else COAST_FIRST_SLOPE
    falls_h = width / learned_slope(state, least=least)
    return min(policy.max_off_ms, round(falls_h * HOUR_MS))


def _slack_ms(policy: Policy) -> int:
    """Return what may pass until a low mark that rose has an effect."""
    return policy.dwell_off_ms + policy.settle_ms + 2 * policy.poll_ms + SPARE_MS
