"""What a station's plans are and will be, for people and for the status document."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from typing import Any

from tidegate.core.policy import HOUR_MS, PlanReason
from tidegate.core.state import State
from tidegate.plans import relearn, rise
from tidegate.plans.calendar import Moment, moments
from tidegate.plans.rates import Rates
from tidegate.settings import StationSettings
from tidegate.settings.table_plans import Relearn


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """The plan in force, or the next one.

    Times are ms of the wall clock; a relearn counts lived time, so it has none.
    ``says`` is a sentence; what a person wrote stands in ``because`` alone, as written.
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
        }


def outlook(
    settings: StationSettings | None,
    state: State,
    rates: Rates,
    wall_ms: int,
    *,
    zone: tzinfo | None = None,
) -> Outlook | None:
    """Return the plan in force, else the next one, ``None`` where there is none."""
    if settings is None or state.policy.marks is None:
        return None
    found = moments(settings.rise, wall_ms, zone)
    now = rise.standing(found, state, rates, wall_ms)
    if now is not None:
        return _of_rise(now, state, rates, wall_ms, zone=zone, is_begun=True)
    if state.plan_why is PlanReason.RELEARN and settings.relearn is not None:
        return _of_relearn(settings.relearn, state)
    coming = [each for each in found if wall_ms < each.at_ms]
    if coming:
        ways = {
            each: rise.climb(each, state, rates, wall_ms, is_begun=False).begins_ms
            for each in coming
        }
        first = min(coming, key=ways.__getitem__)
        return _of_rise(first, state, rates, wall_ms, zone=zone, is_begun=False)
    if settings.relearn is not None:
        return _of_relearn(settings.relearn, state)
    return None


def _of_rise(
    moment: Moment,
    state: State,
    rates: Rates,
    wall_ms: int,
    *,
    zone: tzinfo | None,
    is_begun: bool,
) -> Outlook:
    marks = rise.marks_of(moment, state, rates, wall_ms)
    way = rise.climb(moment, state, rates, wall_ms, is_begun=is_begun)
    is_sought = wall_ms < moment.at_ms and not rise.is_reached(marks)
    is_late = is_sought and way.is_late(moment)
    to = f"{moment.rise.to_percent:g} %"
    if is_begun:
        window = f"{marks.low_percent:g} to {marks.high_percent:g} %"
        until = _local(moment.over_ms, zone)
        says = f"window {window} because of a planned rise until {until}"
    else:
        begins, at = (_local(each, zone) for each in (way.begins_ms, moment.at_ms))
        says = f"the window rises to {to} from {begins} on, for {at}"
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


def _of_relearn(table: Relearn, state: State) -> Outlook:
    in_force = state.plan_why is PlanReason.RELEARN
    due_ms = max(0, relearn.due_in_ms(table, state))
    low, high = relearn.lowest(table, state), table.high_percent
    if in_force:
        says = f"window {low:g} to {high:g} % because of a relearn until it is done"
    else:
        days = due_ms / (24 * HOUR_MS)
        when = f"in {days:.0f} days of running" if due_ms else "as soon as it may"
        says = f"a relearn between {low:g} and {high:g} % {when}"
    return Outlook(
        what=PlanReason.RELEARN,
        in_force=in_force,
        says=says,
        low_percent=low,
        high_percent=high,
        due_in_lived_ms=None if in_force else due_ms,
    )


def _local(wall_ms: int, zone: tzinfo | None) -> str:
    return datetime.fromtimestamp(wall_ms / 1000, zone).strftime("%a %d %b %H:%M")


def _utc(wall_ms: int | None) -> str | None:
    if wall_ms is None:
        return None
    at = datetime.fromtimestamp(wall_ms / 1000, UTC)
    return at.isoformat(timespec="seconds").replace("+00:00", "Z")


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 1)


def _seconds(value_ms: int | None) -> int | None:
    return None if value_ms is None else value_ms // 1000
