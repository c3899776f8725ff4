"""Which marks should be in force at a station now: a rise goes before a relearn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Final

from tidegate.core.events import PlanChanged
from tidegate.core.policy import DAY_MS, PlanReason
from tidegate.core.state import State
from tidegate.plans import relearn, rise
from tidegate.plans.calendar import Moment, is_set, moments
from tidegate.plans.rates import Rates
from tidegate.settings import StationSettings

# While nobody knows the time, a rise that is in force stays so at most so long.
UNTIMED_MS: Final = DAY_MS


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """What should change, and what is worth saying. ``late``: a rise whose level will
    not be reached by its moment, with the level to be expected.
    """

    change: PlanChanged | None = None
    waits_for: str | None = None
    late: tuple[Moment, float] | None = None


def decide(
    settings: StationSettings | None,
    state: State,
    rates: Rates,
    wall_ms: int,
    *,
    zone: tzinfo | None = None,
) -> Decision:
    """Return what should change now. ``settings`` of ``None`` know of no plan."""
    if state.policy.marks is None or state.drive.stopped:
        return Decision()
    rises = settings.rise if settings is not None else ()
    found = moments(rises, wall_ms, zone)
    now = rise.standing(found, state, rates, wall_ms)
    if now is not None:
        return _rising(now, state, rates, wall_ms, found=found)
    if state.plan_why is PlanReason.PLANNED_RISE:
        return _risen(state, wall_ms, has_rises=bool(rises))
    excursion = settings.relearn if settings is not None else None
    if excursion is None:
        if state.plan_why is None:
            return Decision()
        return Decision(change=PlanChanged(marks=None, why=PlanReason.WITHDRAWN))
    why_not_now = None
    if rises and not is_set(wall_ms):
        why_not_now = "the clock is not set, so a planned rise may be near"
    elif any(_is_near(each, state, rates, wall_ms) for each in found):
        why_not_now = "a planned rise is near"
    wish = relearn.wish(excursion, state, why_not_now=why_not_now)
    return Decision(change=wish.change, waits_for=wish.waits_for)


def _rising(
    moment: Moment,
    state: State,
    rates: Rates,
    wall_ms: int,
    *,
    found: Sequence[Moment],
) -> Decision:
    marks = rise.marks_of(moment, state, rates, wall_ms, found=found)
    in_force = (state.plan_low_percent, state.plan_high_percent)
    wanted = (marks.low_percent, marks.high_percent)
    if rise.is_in_force(moment, state) and in_force == wanted:
        change = None
    else:
        change = PlanChanged(
            marks=marks,
            why=PlanReason.PLANNED_RISE,
            because=moment.rise.because,
            moment_wall_ms=moment.at_ms,
        )
    way = rise.climb(moment, state, rates, wall_ms, is_begun=True)
    is_late = way.is_late(moment) and not rise.is_reached(marks)
    late = (moment, way.expected_percent) if is_late else None
    return Decision(change=change, late=late)


def _risen(state: State, wall_ms: int, *, has_rises: bool) -> Decision:
    """A rise is in force that no moment wants: it is over, or its settings are gone."""
    since_ms, moment_ms = state.plan_since_lived_ms, state.plan_moment_wall_ms
    if (
        has_rises
        and not is_set(wall_ms)
        and since_ms is not None
        and state.quiet.lived_ms - since_ms < UNTIMED_MS
    ):
        return Decision()
    is_over = moment_ms is not None and wall_ms >= moment_ms
    why = PlanReason.RISE_OVER if has_rises and is_over else PlanReason.WITHDRAWN
    return Decision(change=PlanChanged(marks=None, why=why))


def _is_near(moment: Moment, state: State, rates: Rates, wall_ms: int) -> bool:
    begins_ms = rise.climb(moment, state, rates, wall_ms, is_begun=False).begins_ms
    return begins_ms - wall_ms <= relearn.BEFORE_A_RISE_MS
