"""When a rise begins, which marks it wants, when it ends. All numbers are invented.

Nothing is learned here, so 5 points an hour are counted on up to 80 % and half of
that above it. With its spare of a quarter and 17 min of slack (dwell 3 min, settle
60 s, two polls of 30 s, 10 min), a rise from 60 to 80 % takes 4 h x 1.25 + 15 min.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from support.core_rig import POLICY, Rig, switched_off
from tidegate.core.events import PlanChanged
from tidegate.core.policy import Marks, PlanReason
from tidegate.core.state import State
from tidegate.plans.outlook import outlook
from tidegate.plans.planner import UNTIMED_MS, Decision, decide
from tidegate.plans.rates import Rates
from tidegate.settings import StationSettings, from_tables

MINUTE = 60_000
HOUR = 60 * MINUTE
AT = datetime(2026, 12, 9, 18, tzinfo=UTC)
AT_MS = round(AT.timestamp() * 1000)
LEAD_MS = 5 * HOUR + 15 * MINUTE


def settings(*rises: dict[str, Any], **table: Any) -> StationSettings:
    made = from_tables(
        {
            "station": {
                "hall": {
                    "gauge": {"kind": "twin"},
                    "relay": {"kind": "twin"},
                    "window": {"low": 55, "high": 65},
                    "rise": list(rises) or [planned()],
                    **table,
                }
            }
        }
    )
    return made.stations["hall"]


def planned(at: datetime = AT, **more: Any) -> dict[str, Any]:
    return {"at": at, "to": 80, "for": "2h", "because": "tour", **more}


def wanted(state: State, wall_ms: int, of: StationSettings | None = None) -> Decision:
    return decide(of or settings(), state, Rates(), wall_ms, zone=UTC)


def taken(rig: Rig, wall_ms: int, of: StationSettings | None = None) -> PlanChanged:
    """Let what is wanted happen, as the daemon would, and return it."""
    change = wanted(rig.state, wall_ms, of).change
    assert change is not None
    rig.send(change)
    return change


def marks(low: float, high: float) -> Marks:
    return Marks(low_percent=low, high_percent=high)


@pytest.mark.parametrize(("early_ms", "holds"), [(-1, False), (0, True), (1, True)])
def test_it_begins_as_early_as_the_rate_asks_for(early_ms: int, holds: bool) -> None:
    rig = switched_off(65).read(60, after_s=30)

    change = wanted(rig.state, AT_MS - LEAD_MS + early_ms).change

    assert (change is not None) is holds
    if change is not None:
        assert change == PlanChanged(
            marks=marks(78, 80),
            why=PlanReason.PLANNED_RISE,
            because="tour",
            moment_wall_ms=AT_MS,
        )


def test_never_earlier_than_two_days() -> None:
    rig = switched_off(65).read(20, after_s=30).read(20, after_s=30)
    of = settings(planned(to=95), dwell={"on": "3min", "off": "24h"})
    rig.settings(dwell_off_ms=24 * HOUR)

    assert wanted(rig.state, AT_MS - 48 * HOUR - 1, of).change is None
    assert wanted(rig.state, AT_MS - 48 * HOUR, of).change is not None


def test_the_supply_goes_on_at_once_and_off_at_its_level() -> None:
    rig = switched_off(65, obeys=True).read(60, after_s=30)
    told = len(rig.commands)

    taken(rig, AT_MS - LEAD_MS)

    assert [each.supply for each in rig.commands[told:]] == ["on"]
    for level in range(61, 80, 4):
        rig.read(level, after_s=600)
    rig.read(80, after_s=600)
    assert [each.supply for each in rig.commands[told:]] == ["on", "off"]


def test_reached_early_it_is_as_wide_as_the_window_and_narrower_near_the_moment() -> (
    None
):
    rig = switched_off(65, obeys=True).read(60, after_s=30)
    taken(rig, AT_MS - LEAD_MS)
    for level in range(64, 81, 4):
        rig.read(level, after_s=600)

    assert taken(rig, AT_MS - 3 * HOUR).marks == marks(70, 80)
    assert wanted(rig.state, AT_MS - 15 * MINUTE - 1).change is None
    assert taken(rig, AT_MS - 15 * MINUTE).marks == marks(76, 80)
    assert wanted(rig.state, AT_MS - 1).change is None
    assert taken(rig, AT_MS).marks == marks(70, 80)
    assert wanted(rig.state, AT_MS + 2 * HOUR - 1).change is None


def test_what_is_not_reached_by_the_moment_is_still_sought() -> None:
    rig = switched_off(65, obeys=True).read(60, after_s=30)
    taken(rig, AT_MS - LEAD_MS)
    rig.read(76, after_s=600)

    assert wanted(rig.state, AT_MS + HOUR).change is None
    rig.read(77, after_s=600)
    assert taken(rig, AT_MS + HOUR).marks == marks(70, 80)


@pytest.mark.parametrize(("late_ms", "holds"), [(-1, False), (0, True), (HOUR, True)])
def test_it_ends_when_its_time_has_passed(late_ms: int, holds: bool) -> None:
    rig = switched_off(65).read(60, after_s=30)
    taken(rig, AT_MS - LEAD_MS)

    change = wanted(rig.state, AT_MS + 2 * HOUR + late_ms).change

    ended = PlanChanged(marks=None, why=PlanReason.RISE_OVER)
    assert change == (ended if holds else None)


def test_a_suspend_over_all_of_it_leaves_nothing_to_do() -> None:
    rig = switched_off(65).read(60, after_s=30)

    assert wanted(rig.state, AT_MS + 2 * HOUR).change is None


def test_one_that_is_no_more_in_the_settings_is_withdrawn() -> None:
    rig = switched_off(65).read(60, after_s=30)
    taken(rig, AT_MS - LEAD_MS)
    later = settings(planned(AT.replace(day=20)))

    for of in (later, settings(rise=[])):
        change = wanted(rig.state, AT_MS - LEAD_MS + 1, of).change
        assert change == PlanChanged(marks=None, why=PlanReason.WITHDRAWN)
    gone = decide(None, rig.state, Rates(), AT_MS - LEAD_MS + 1, zone=UTC).change
    assert gone == PlanChanged(marks=None, why=PlanReason.WITHDRAWN)


def test_another_level_takes_its_place_in_one_step() -> None:
    rig = switched_off(65).read(60, after_s=30)
    taken(rig, AT_MS - LEAD_MS)

    change = taken(rig, AT_MS - LEAD_MS + 1, settings(planned(to=90)))

    assert change.marks == marks(88, 90)


def test_of_two_at_once_the_higher_counts_and_then_the_other() -> None:
    both = settings(planned(), planned(AT.replace(hour=17), to=90, **{"for": "1h"}))
    rig = switched_off(65).read(60, after_s=30)

    assert taken(rig, AT_MS - 2 * HOUR, both).marks == marks(88, 90)
    assert taken(rig, AT_MS + 1, both).marks == marks(78, 80)


def test_a_clock_set_far_back_ends_it_and_set_right_begins_it_again() -> None:
    rig = switched_off(65).read(60, after_s=30)
    taken(rig, AT_MS - LEAD_MS)

    back = taken(rig, AT_MS - 30 * 24 * HOUR)
    assert back == PlanChanged(marks=None, why=PlanReason.WITHDRAWN)
    assert taken(rig, AT_MS - LEAD_MS).marks == marks(78, 80)


def test_a_clock_that_is_not_set_starts_none_and_keeps_one_for_a_day_lived() -> None:
    rig = switched_off(65).read(60, after_s=30)
    assert wanted(rig.state, 5 * MINUTE).change is None

    taken(rig, AT_MS - LEAD_MS)
    rig.steady(UNTIMED_MS // 1000 - 600, every_s=600)
    assert wanted(rig.state, 5 * MINUTE).change is None
    rig.steady(600, every_s=600)
    assert wanted(rig.state, 5 * MINUTE).change is not None


def test_a_restart_goes_on_with_it() -> None:
    rig = switched_off(65).read(60, after_s=30)
    taken(rig, AT_MS - LEAD_MS)
    rig.stop()
    rig.start(same_boot=False).read(62, after_s=1)

    assert (rig.state.low_percent, rig.state.high_percent) == (78, 80)
    assert wanted(rig.state, AT_MS - HOUR).change is None
    assert wanted(rig.state, AT_MS + 2 * HOUR).change is not None


def test_a_station_that_stops_or_only_measures_is_left_alone() -> None:
    rig = switched_off(65).read(60, after_s=30)
    rig.stop()
    assert wanted(rig.state, AT_MS).change is None
    measuring = Rig(POLICY, marks=None).start().read(60, after_s=1)
    assert wanted(measuring.state, AT_MS).change is None


@pytest.mark.parametrize(("to", "is_late"), [(68, False), (95, True)])
def test_it_says_when_the_level_will_not_be_reached(to: int, is_late: bool) -> None:
    """From 60 % in an hour at 5 %/h: 65 % are to be expected."""
    rig = switched_off(65).read(60, after_s=30)

    late = wanted(rig.state, AT_MS - HOUR, settings(planned(to=to))).late

    assert (late is not None) is is_late
    if late is not None:
        assert late[1] == pytest.approx(65)


def test_the_outlook_tells_the_next_one_and_the_one_in_force() -> None:
    rig = switched_off(65).read(60, after_s=30)
    found = outlook(settings(), rig.state, Rates(), AT_MS - 9 * HOUR, zone=UTC)
    assert found is not None
    assert found.document() == {
        "what": "planned_rise",
        "in_force": False,
        "says": "the window rises to 80 % from Wed 09 Dec 12:45 on, for Wed 09 Dec "
        "18:00",
        "because": "tour",
        "low_percent": 78.0,
        "high_percent": 80.0,
        "to_percent": 80.0,
        "at": "2026-12-09T18:00:00Z",
        "begins_at": "2026-12-09T12:45:00Z",
        "until": "2026-12-09T20:00:00Z",
        "expected_percent": 80.0,
        "too_late": False,
        "rate_is_learned": False,
        "due_in_lived_s": None,
    }

    taken(rig, AT_MS - HOUR)
    found = outlook(settings(), rig.state, Rates(), AT_MS - HOUR, zone=UTC)
    assert found is not None
    assert found.in_force
    assert found.is_late
    assert found.says == (
        "window 78 to 80 % because of a planned rise until Wed 09 Dec 20:00; about "
        "65 % is to be expected by then"
    )


def test_a_station_without_plans_has_no_outlook() -> None:
    rig = switched_off(65).read(60, after_s=30)

    assert outlook(None, rig.state, Rates(), AT_MS) is None
    assert outlook(settings(rise=[]), rig.state, Rates(), AT_MS) is None
