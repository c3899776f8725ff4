"""What a station's plans are and will be, for people and for the status document."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from math import ceil
from typing import Any, Final

from tidegate.core.policy import DAY_MS, HOUR_MS, MINUTE_MS, PlanReason
from tidegate.core.state import State
from tidegate.plans import relearn, rise
from tidegate.plans.calendar import Moment, moments
from tidegate.plans.planner import decide
from tidegate.plans.rates import Rates
from tidegate.settings import StationSettings
from tidegate.settings.table_plans import Relearn

_TOLD_IN_HOURS: Final = 48
_TOLD_APART_MS: Final = 30 * MINUTE_MS


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """The plan in force, or the next one.

    Times are ms of the wall clock; a relearn counts lived time, so it has none.
    ``says`` is a sentence; what a person wrote stands in ``because`` alone, as written.
    ``waits_for``: why a relearn that is due does not begin.
    ``is_late``: the level to be expected at the moment is under the wanted one.
    """

    what: PlanReason
    in_force: bool
    says: str
    because: str = ""
    low_percent: float | None = None
    high_percent: float | None = None
    to_percent: float | None = None
    at_ms: int | None = None
    begins_ms: int | None = None
    until_ms: int | None = None
    expected_percent: float | None = None
    is_late: bool = False
    rate_is_learned: bool | None = None
    due_in_lived_ms: int | None = None
    waits_for: str | None = None

    def document(self) -> dict[str, Any]:
        """Return it as JSON data."""
        return {
            "what": self.what.value,
            "in_force": self.in_force,
            "says": self.says,
            "because": self.because,
            "low_percent": self.low_percent,
            "high_percent": self.high_percent,
            "to_percent": self.to_percent,
            "at": _utc(self.at_ms),
            "begins_at": _utc(self.begins_ms),
            "until": _utc(self.until_ms),
            "expected_percent": _rounded(self.expected_percent),
            "too_late": self.is_late,
            "rate_is_learned": self.rate_is_learned,
            "due_in_lived_s": _seconds(self.due_in_lived_ms),
            "waits_for": self.waits_for,
        }


def outlook(
    settings: StationSettings | None,
    state: State,
    rates: Rates,
    wall_ms: int,
    *,
    zone: tzinfo | None = None,
) -> Outlook | None:
    """Return the plan in force, else the next one, ``None`` where there is none.

    A relearn goes before a rise where it may begin, by the time it has to wait at
    least, while that is still so far away that it does not wait for it.
    """
    if settings is None or state.policy.marks is None:
        return None
    found = moments(settings.rise, wall_ms, zone)
    waits_for = decide(settings, state, rates, wall_ms, zone=zone).waits_for
    now = rise.standing(found, state, rates, wall_ms)
    if now is not None:
        return _of_rise(
            now, state, rates, wall_ms, zone=zone, is_begun=True, found=found
        )
    if state.plan_why is PlanReason.RELEARN and settings.relearn is not None:
        return _of_relearn(settings.relearn, state)
    coming = [each for each in found if wall_ms < each.at_ms]
    if coming:
        ways = {
            each: rise.climb(each, state, rates, wall_ms, is_begun=False).begins_ms
            for each in coming
        }
        first = min(coming, key=ways.__getitem__)
        if settings.relearn is not None:
            begins_ms = wall_ms + max(0, relearn.due_in_ms(settings.relearn, state))
            if begins_ms < ways[first] - relearn.BEFORE_A_RISE_MS:
                return _of_relearn(settings.relearn, state, waits_for=waits_for)
        return _of_rise(first, state, rates, wall_ms, zone=zone, is_begun=False)
    if settings.relearn is not None:
        return _of_relearn(settings.relearn, state, waits_for=waits_for)
    return None


def _of_rise(
    moment: Moment,
    state: State,
    rates: Rates,
    wall_ms: int,
    *,
    zone: tzinfo | None,
    is_begun: bool,
    found: Sequence[Moment] = (),
) -> Outlook:
    marks = rise.marks_of(moment, state, rates, wall_ms, found=found)
    way = rise.climb(moment, state, rates, wall_ms, is_begun=is_begun)
    is_sought = wall_ms < moment.at_ms and not rise.is_reached(marks)
    is_late = is_sought and way.is_late(moment)
    to = f"{moment.rise.to_percent:g} %"
    if is_begun:
        window = f"{marks.low_percent:g} to {marks.high_percent:g} %"
        until = _local(moment.over_ms, wall_ms, zone)
        says = f"window {window} because of a planned rise until {until}"
    else:
        at = _local(moment.at_ms, wall_ms, zone)
        begins = _begins(moment, state, rates, wall_ms, zone=zone)
        says = f"the window rises to {to} {begins}, for {at}"
    if is_late:
        says += f"; about {way.expected_percent:.0f} % is to be expected by then"
    return Outlook(
        what=PlanReason.PLANNED_RISE,
        in_force=is_begun and rise.is_in_force(moment, state),
        says=says,
        because=moment.rise.because,
        low_percent=marks.low_percent,
        high_percent=marks.high_percent,
        to_percent=moment.rise.to_percent,
        at_ms=moment.at_ms,
        begins_ms=None if is_begun else way.begins_ms,
        until_ms=moment.over_ms,
        expected_percent=way.expected_percent,
        is_late=is_late,
        rate_is_learned=rates.is_learned(wall_ms),
    )


def _begins(
    moment: Moment, state: State, rates: Rates, wall_ms: int, *, zone: tzinfo | None
) -> str:
    """Return when a rise begins; the charge moves until then, and with it the time."""
    marks = state.policy.marks
    assert marks is not None
    levels = marks.low_percent, marks.high_percent
    first_ms, last_ms = rise.begins_between(moment, state, rates, wall_ms, levels)
    if last_ms - max(first_ms, wall_ms) < _TOLD_APART_MS:
        return f"from {_local(last_ms, wall_ms, zone)} on"
    first, last = (
        _local(max(wall_ms, each), wall_ms, zone) for each in (first_ms, last_ms)
    )
    return f"between {first} and {last}, by the charge then"


def _of_relearn(
    table: Relearn, state: State, *, waits_for: str | None = None
) -> Outlook:
    in_force = state.plan_why is PlanReason.RELEARN
    due_ms = max(0, relearn.due_in_ms(table, state))
    low, high = relearn.lowest(table, state), table.high_percent
    if in_force:
        high = max(high, state.high_percent)  # it may go a little higher than told
        says = f"window {low:g} to {high:g} % because of a relearn until it is done"
    else:
        says = f"a relearn between {low:g} and {high:g} % {_due(due_ms)}"
        if waits_for is not None:
            says += f"; it waits: {waits_for}"
    return Outlook(
        what=PlanReason.RELEARN,
        in_force=in_force,
        says=says,
        low_percent=low,
        high_percent=high,
        due_in_lived_ms=None if in_force else due_ms,
        waits_for=waits_for,
    )


def _due(due_ms: int) -> str:
    if not due_ms:
        return "as soon as it may"
    hours = ceil(due_ms / HOUR_MS)
    if hours < _TOLD_IN_HOURS:
        return f"in {hours} h of running"
    return f"in {due_ms / DAY_MS:.0f} days of running"


def _local(at_ms: int, wall_ms: int, zone: tzinfo | None) -> str:
    at, now = (datetime.fromtimestamp(each / 1000, zone) for each in (at_ms, wall_ms))
    year = "" if at.year == now.year else "%Y "
    return at.strftime(f"%a %d %b {year}%H:%M")


def _utc(wall_ms: int | None) -> str | None:
    if wall_ms is None:
        return None
    at = datetime.fromtimestamp(wall_ms / 1000, UTC)
    return at.isoformat(timespec="seconds").replace("+00:00", "Z")


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 1)


def _seconds(value_ms: int | None) -> int | None:
    return None if value_ms is None else value_ms // 1000
