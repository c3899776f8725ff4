"""When a rise begins, which marks it wants, when it ends. All numbers are invented.

Nothing is learned here, so 5 points an hour are counted on up to 80 % and half of
that above it. With its spare of a quarter and 17 min of slack (dwell 3 min, settle
60 s, two polls of 30 s, 10 min), a rise from 60 to 80 % takes 4 h x 1.25 + 15 min.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from support.core_rig import OFF, POLICY, REMOTE, Rig, switched_off
from tidegate.core.events import PlanChanged
from tidegate.core.frozen import replace
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
    # An off dwells for 3 min, in which 0.75 points may go (15 %/h), and they are back
    # in 9 min x 1.25: 11 min 15 s more than the 15 min of slack.
    assert wanted(rig.state, AT_MS - 26 * MINUTE - 15_000 - 1).change is None
    assert taken(rig, AT_MS - 26 * MINUTE - 15_000).marks == marks(76, 80)
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


def test_a_long_dwell_has_to_leave_time_to_come_back() -> None:
    """An off of an hour costs 4.8 points, as it just did: they take 0.96 h x 1.25
    to come back; the slack is an hour and 12 min.
    """
    of = settings(dwell={"on": "3min", "off": "1h"})
    rig = switched_off(65, obeys=True).settings(dwell_off_ms=HOUR)
    rig.read(60, after_s=HOUR // 1000)
    taken(rig, AT_MS - 6 * HOUR, of)
    for level in range(64, 81, 4):
        rig.read(level, after_s=600)

    near_ms = AT_MS - 2 * HOUR - 24 * MINUTE
    assert taken(rig, AT_MS - 5 * HOUR, of).marks == marks(70, 80)
    assert wanted(rig.state, near_ms - 1, of).change is None
    assert taken(rig, near_ms, of).marks == marks(76, 80)


def test_a_lower_rise_that_comes_first_is_not_let_down_by_a_higher_one() -> None:
    """A window of 40 to 65 %: once 90 % was reached the higher one would let the level
    fall to 65 %, though the lower one promises 85 %, at most 5 points less.
    """
    wide = {"low": 40, "high": 65}
    first = planned(AT.replace(hour=15), to=85, **{"for": "30min"})
    of = settings(first, planned(to=90), window=wide)
    rig = switched_off(65, obeys=True)
    rig.settings(marks=marks(40, 65))
    rig.read(60, after_s=30)
    assert taken(rig, AT_MS - 10 * HOUR, of).marks == marks(88, 90)
    for level in range(64, 93, 4):
        rig.read(min(level, 90), after_s=600)

    assert taken(rig, AT_MS - 10 * HOUR, of).marks == marks(65, 90)
    first_ms = AT_MS - 3 * HOUR
    # From 65 %, where it may be by then: 3 h at 5 %/h, 2 h at 2.5, and the slack.
    begins_ms = first_ms - 6 * HOUR - 30 * MINUTE
    assert wanted(rig.state, begins_ms - 1, of).change is None
    assert taken(rig, begins_ms, of).marks == marks(81, 90)
    assert wanted(rig.state, first_ms - 1, of).change is None
    # With the lower one past, the higher one goes on alone.
    change = wanted(rig.state, first_ms, of).change
    assert change is not None
    assert change.marks is not None
    assert change.marks.low_percent in (65, 86)


def test_the_next_week_of_a_rise_does_not_keep_this_one_narrow() -> None:
    weekly = {**planned(days=["wed"]), "at": AT.time()}
    rig = switched_off(65, obeys=True).read(60, after_s=30)
    of = settings(weekly)
    taken(rig, AT_MS - LEAD_MS, of)
    for level in range(64, 81, 4):
        rig.read(level, after_s=600)

    assert taken(rig, AT_MS - 10 * MINUTE, of).marks == marks(76, 80)
    assert taken(rig, AT_MS, of).marks == marks(70, 80)
    assert taken(rig, AT_MS + 2 * HOUR, of).marks is None


# --- a gauge that is reached over the switched cable ----------------------------------


def coasting(soc: float, for_h: float, *, rate: float = 10.0) -> Rig:
    """Return a rig that went off at this level and has been blind for so long."""
    rig = Rig(REMOTE, obeys=True).start().read(60, after_s=1).done()
    rig.taught(rate)
    rig.read(65, after_s=600)
    rig.send(PlanChanged(marks=marks(soc - 10, soc), why=None))
    rig.reads(2, soc, every_s=60)
    assert rig.supply is OFF
    return rig.fails(round(for_h * 60), every_s=60)


def test_a_coast_counts_with_the_level_that_it_hides() -> None:
    """Off at 65 %, blind for half an hour, 10 %/h: it is 60 % that it has."""
    rig = coasting(65, 0.5)
    rig.state = replace(rig.state, plan_low_percent=None, plan_high_percent=None)
    assert rig.state.coasting
    assert rig.state.soc_percent == 65

    early = outlook(settings(), rig.state, Rates(), AT_MS - 9 * HOUR, zone=UTC)

    assert early is not None
    # A poll may lie between the last reading and the first that failed.
    assert early.begins_ms == pytest.approx(AT_MS - LEAD_MS, abs=20 * MINUTE)


def test_before_its_moment_a_rise_leaves_time_for_a_coast_to_end() -> None:
    """Off in a window of 10 points at 10 %/h nothing is seen for an hour, and 10 points
    take 2 h x 1.25 to come back: a level that was reached is kept within 4 from then on.
    """
    rig = coasting(80, 0.1)
    state = replace(
        rig.state,
        plan_why=PlanReason.PLANNED_RISE,
        plan_moment_wall_ms=AT_MS,
    )
    slack_ms = POLICY.dwell_off_ms + POLICY.settle_ms + 2 * POLICY.poll_ms
    near_ms = AT_MS - HOUR - 150 * MINUTE - slack_ms - 10 * MINUTE

    assert wanted(state, near_ms - 20 * MINUTE).change is None
    change = wanted(state, near_ms + 20 * MINUTE).change
    assert change is not None
    assert change.marks == marks(76, 80)


# --- the clock ------------------------------------------------------------------------


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
        # From 55 % it takes 5 h x 1.25 and the slack, from 65 % 3 h x 1.25.
        "says": "the window rises to 80 % between Wed 09 Dec 11:30 and Wed 09 Dec "
        "14:00, by the charge then, for Wed 09 Dec 18:00",
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
        "waits_for": None,
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


def test_the_outlook_names_the_year_where_it_is_another() -> None:
    rig = switched_off(65).read(60, after_s=30)
    of = settings(planned(AT.replace(year=2028)))

    found = outlook(of, rig.state, Rates(), AT_MS, zone=UTC)

    assert found is not None
    assert found.says.endswith(", for Sat 09 Dec 2028 18:00")


@pytest.mark.parametrize(
    ("levels", "begins"),
    [
        ((55, 65), ("Wed 09 Dec 11:30", "Wed 09 Dec 14:00")),
        # After a higher rise the level is above the window still, and falls.
        ((79,), ("Wed 09 Dec 11:30", "Wed 09 Dec 17:30")),
    ],
)
def test_the_outlook_is_true_of_every_level_that_may_be_there_by_then(
    levels: tuple[int, ...], begins: tuple[str, str]
) -> None:
    for level in levels:
        rig = switched_off(65).reads(2, level, every_s=30)
        found = outlook(settings(), rig.state, Rates(), AT_MS - 9 * HOUR, zone=UTC)
        assert found is not None
        assert "between {} and {}, by".format(*begins) in found.says


def test_a_station_without_plans_has_no_outlook() -> None:
    rig = switched_off(65).read(60, after_s=30)

    assert outlook(None, rig.state, Rates(), AT_MS) is None
    assert outlook(settings(rise=[]), rig.state, Rates(), AT_MS) is None
