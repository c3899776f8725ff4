"""The relearn: when it begins, what it wants, what holds it back and what ends it.

Floor 25 %, hot 45 °C; the excursion goes from 35 to 85 %. All numbers are invented.
That a swing of 30 points is the least from which capacity is measured is common
practice, no source.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from support.core_rig import (
    DAY_S,
    DISCHARGING,
    HOUR_S,
    NO,
    OFF,
    REMOTE,
    Rig,
    switched_off,
)
from tidegate.core.events import LogLost, PlanChanged
from tidegate.core.frozen import replace
from tidegate.core.policy import DAY_MS, HOUR_MS, Marks, PlanReason
from tidegate.core.state import State
from tidegate.plans.outlook import outlook
from tidegate.plans.planner import Decision, decide
from tidegate.plans.rates import Rates
from tidegate.settings import StationSettings, from_tables

NOW = datetime(2026, 12, 9, 18, tzinfo=UTC)
NOW_MS = round(NOW.timestamp() * 1000)
DOWN = Marks(low_percent=35.0, high_percent=37.0)
UP = Marks(low_percent=55.0, high_percent=85.0)
BEGINS = PlanChanged(marks=DOWN, why=PlanReason.RELEARN)


def settings(**table: object) -> StationSettings:
    station = {
        "gauge": {"kind": "twin"},
        "relay": {"kind": "twin"},
        "window": {"low": 55, "high": 65},
        "relearn": {"every": "90d"},
        **table,
    }
    return from_tables({"station": {"hall": station}}).stations["hall"]


SET = settings()
HIGH = {"low": 70, "high": 80}


def due(rig: Rig, *, ms_too_early: int = 0) -> Rig:
    """Let the relearn be due, or nearly."""
    lived_ms = rig.state.quiet.lived_ms
    ended_ms = lived_ms - 90 * DAY_MS + ms_too_early
    rig.state = replace(rig.state, relearned_lived_ms=ended_ms)
    return rig


def ready(soc: float = 60.0) -> Rig:
    rig = switched_off(65, obeys=True)
    return due(rig.slide(soc, over_s=3 * HOUR_S, every_s=120) if soc != 65 else rig)


def wanted(state: State, of: StationSettings = SET) -> Decision:
    return decide(of, state, Rates(), NOW_MS, zone=UTC)


def taken(rig: Rig, of: StationSettings = SET) -> PlanChanged:
    change = wanted(rig.state, of).change
    assert change is not None
    rig.send(change)
    return change


def under_way(soc: float = 50.0) -> Rig:
    """Return a rig whose relearn is on its way down."""
    rig = ready()
    taken(rig)
    return rig.slide(soc, over_s=3 * HOUR_S, every_s=120)


@pytest.mark.parametrize(("early_ms", "holds"), [(1, False), (0, True)])
def test_it_begins_when_its_interval_was_lived(early_ms: int, holds: bool) -> None:
    rig = due(switched_off(65), ms_too_early=early_ms)

    assert wanted(rig.state).change == (BEGINS if holds else None)


def test_a_station_that_never_did_counts_from_its_first_day() -> None:
    rig = switched_off(65)
    assert wanted(rig.state).change is None

    quiet = replace(rig.state.quiet, lived_ms=90 * DAY_MS)
    assert wanted(replace(rig.state, quiet=quiet)).change == BEGINS


def test_down_then_up_then_done() -> None:
    rig = ready()
    taken(rig)
    rig.slide(36, over_s=4 * HOUR_S, every_s=120)
    assert rig.supply is OFF
    assert wanted(rig.state).change is None
    rig.read(35, after_s=300)
    assert rig.supply is not OFF
    assert taken(rig) == PlanChanged(marks=UP, why=PlanReason.RELEARN)
    rig.slide(84, over_s=5 * HOUR_S, every_s=120)
    assert rig.supply is not OFF
    assert wanted(rig.state).change is None
    rig.read(85, after_s=300)
    assert rig.supply is OFF
    done = taken(rig)

    assert done == PlanChanged(marks=None, why=PlanReason.RELEARNED)
    assert rig.state.relearned_lived_ms == rig.state.quiet.lived_ms
    assert wanted(rig.state).change is None
    assert (rig.state.low_percent, rig.state.high_percent) == (55, 65)


def stopped_on_its_way(soc: float, of: StationSettings = SET) -> Rig:
    """Return a rig on its way down that a restart has switched on at this level."""
    rig = ready(65.0)
    taken(rig, of)
    for percent in range(64, round(soc), -1):
        rig.wait(HOUR_S / 2)
        rig.read(float(percent), status=DISCHARGING, power=NO)
    rig.start()
    rig.read(soc, status=DISCHARGING, power=NO)
    return rig


@pytest.mark.parametrize(("soc", "turns"), [(37.5, False), (37.0, True), (36.0, True)])
def test_with_the_supply_on_again_it_turns_where_no_off_would_come(
    soc: float, turns: bool
) -> None:
    """Between its two marks nothing switches: a coast that ended there would last."""
    rig = stopped_on_its_way(soc)
    assert rig.state.drive.commanded is not OFF
    change = wanted(rig.state).change
    assert (change == PlanChanged(marks=UP, why=PlanReason.RELEARN)) is turns


@pytest.mark.parametrize(
    ("high", "why"), [(85, PlanReason.RELEARN), (70, PlanReason.RELEARN_BROKEN_OFF)]
)
def test_another_off_that_dwells_must_not_lead_near_the_floor(
    high: int, why: PlanReason
) -> None:
    """In an hour 15 points may go: at 42 % they would end under floor + 3."""
    table = settings(
        relearn={"every": "90d", "low": 40, "high": high}, dwell={"off": "48min"}
    )
    rig = ready(65.0)
    policy = replace(rig.state.policy, dwell_off_ms=HOUR_MS)
    rig.state = replace(rig.state, policy=policy)
    rig = due(rig)
    taken(rig, table)
    rig.wait(HOUR_S)
    rig.start()
    rig.wait(1)
    rig.read(42.5, status=DISCHARGING, power=NO)
    change = wanted(rig.state, table).change
    assert change is not None
    assert change.why is why


THIRTY = settings(relearn={"every": "90d", "low": 40, "high": 70})


def turned(soc: float) -> Rig:
    """Return a rig that spans 30 points and had to turn at this level."""
    rig = stopped_on_its_way(soc, THIRTY)
    change = taken(rig, THIRTY)
    assert change.marks is not None
    assert change.marks.high_percent - soc >= 30
    return rig


def test_turned_above_its_low_level_it_goes_as_much_higher() -> None:
    """Between the two marks of the way down it turns too, and 28.5 points measure no
    capacity; a restart and a look at the same settings change nothing of that.
    """
    rig = turned(41.5)
    assert (rig.state.low_percent, rig.state.high_percent) == (55, 71.5)
    rig.start(same_boot=False).slide(71.0, over_s=5 * HOUR_S, every_s=120)
    assert wanted(rig.state, THIRTY).change is None
    found = outlook(THIRTY, rig.state, Rates(), NOW_MS)
    assert found is not None
    assert found.says.startswith("window 40 to 71.5 % because of a relearn")
    rig.read(71.5, after_s=300)

    assert taken(rig, THIRTY).why is PlanReason.RELEARNED


def test_at_its_low_level_it_goes_as_high_as_it_was_told() -> None:
    assert turned(40).state.high_percent == 70


def test_what_cannot_go_higher_is_broken_off() -> None:
    rig = ready(65.0)
    rig.settings(marks=Marks(low_percent=70, high_percent=80))
    rig.send(
        PlanChanged(
            marks=Marks(low_percent=65.0, high_percent=67.0), why=PlanReason.RELEARN
        )
    )
    rig.start(same_boot=False).read(66.5, after_s=1)
    of = settings(relearn={"every": "90d", "low": 65, "high": 95}, window=HIGH)

    change = wanted(rig.state, of).change

    assert change is not None
    assert change.why is PlanReason.RELEARN_BROKEN_OFF


def test_a_floor_that_was_raised_raises_the_turn() -> None:
    of = settings(limits={"floor": 30})
    rig = ready()
    rig.settings(floor_percent=33.0)

    assert wanted(rig.state, of).change == PlanChanged(
        marks=Marks(low_percent=38.0, high_percent=40.0), why=PlanReason.RELEARN
    )


# --- what holds it back ---------------------------------------------------------------


@pytest.mark.parametrize(("celsius", "holds"), [(39.9, True), (40.0, False)])
def test_it_waits_while_the_battery_is_warm(celsius: float, holds: bool) -> None:
    rig = ready().read(60, after_s=30, temp=celsius)

    found = wanted(rig.state)

    assert (found.change == BEGINS) is holds
    if not holds:
        assert found.change is None
        assert found.waits_for == "the battery is warm (from 40 °C on)"


@pytest.mark.parametrize(("celsius", "holds"), [(42.9, True), (43.0, False)])
def test_heat_ends_it(celsius: float, holds: bool) -> None:
    rig = under_way().read(50, after_s=30, temp=celsius)

    change = wanted(rig.state).change

    assert (change is None) is holds
    if change is not None:
        assert change.why is PlanReason.RELEARN_BROKEN_OFF
        assert change.marks is None


@pytest.mark.parametrize(("celsius", "holds"), [(5.1, True), (5.0, False)])
def test_it_waits_while_the_battery_is_cold(celsius: float, holds: bool) -> None:
    """At or under 0 °C it may not be charged: from its low level it would fall on."""
    rig = ready().read(60, after_s=30, temp=celsius)

    found = wanted(rig.state)

    assert (found.change == BEGINS) is holds
    if not holds:
        assert found.change is None
        assert found.waits_for == "the battery is cold (up to 5 °C)"


@pytest.mark.parametrize(("celsius", "holds"), [(2.1, True), (2.0, False)])
def test_cold_ends_it_while_it_may_still_be_charged(
    celsius: float, holds: bool
) -> None:
    rig = under_way().read(50, after_s=30, temp=celsius)

    change = wanted(rig.state).change

    assert (change is None) is holds
    if change is not None:
        assert change.because == "the battery is cold (up to 2 °C)"


def test_it_does_not_begin_while_nobody_sees_the_battery() -> None:
    """In a coast the last temperature may be hours old."""
    rig = Rig(REMOTE, obeys=True).start().read(60, after_s=1).done().taught(10.0)
    rig.read(65, after_s=600).fails(3)
    due(rig)
    assert rig.state.coasting

    assert "cannot be read" in (wanted(rig.state).waits_for or "")


def test_an_override_that_was_ended_for_safety_does_not_hold_it_back_for_ever() -> None:
    """That alarm stands until somebody places or releases one: it is over by then."""
    rig = ready()
    rig.state = replace(rig.state, override_ended=True)
    rig.read(60, after_s=30)
    assert "override_ended" in rig.alarms

    assert wanted(rig.state).change == BEGINS


def test_an_override_holds_it_back_and_ends_it() -> None:
    rig = ready().override(OFF)
    assert wanted(rig.state).waits_for == "an override is in force"
    rig.release()
    assert wanted(rig.state).change == BEGINS

    rig = under_way().override(OFF)
    change = wanted(rig.state).change
    assert change is not None
    assert change.why is PlanReason.RELEARN_BROKEN_OFF
    assert change.because == "an override is in force"


def test_alarms_hold_it_back_and_end_it() -> None:
    rig = ready()
    rig.fails(10)
    assert "gauge_lost" in (wanted(rig.state).waits_for or "")

    rig = under_way()
    rig.fails(10)
    change = wanted(rig.state).change
    assert change is not None
    assert change.because == "alarms stand: gauge_lost"


def test_power_that_does_not_come_ends_it_on_its_way_up() -> None:
    rig = under_way(36).read(35, after_s=300)
    taken(rig)
    for _ in range(6):
        rig.read(35, after_s=60, power=NO, status=DISCHARGING)

    change = wanted(rig.state).change
    assert change is not None
    assert change.because == "alarms stand: supply_absent"


def test_a_log_that_cannot_be_written_holds_it_back_and_ends_nothing() -> None:
    rig = ready()
    rig.send(LogLost())
    assert wanted(rig.state).waits_for is not None

    rig = under_way()
    rig.send(LogLost())
    assert wanted(rig.state).change is None


@pytest.mark.parametrize(("soc", "holds"), [(37.0, False), (37.1, True), (60.0, True)])
def test_it_does_not_begin_where_it_would_turn_at_once(soc: float, holds: bool) -> None:
    rig = ready(soc)

    assert (wanted(rig.state).change == BEGINS) is holds


@pytest.mark.parametrize(("dwell_h", "holds"), [(2.1, True), (2.2, False)])
def test_a_long_dwell_must_not_lead_near_the_floor(dwell_h: float, holds: bool) -> None:
    """At 15 %/h from 60 %: 2.13 h lead down to 28, which is floor + 3."""
    rig = ready(60)
    rig.settings(dwell_off_ms=round(dwell_h * HOUR_MS))

    assert (wanted(rig.state).change == BEGINS) is holds


@pytest.mark.parametrize(
    ("after", "holds"),
    [
        # 60 to 80 %: 5 h 15 min before the moment it rises, a day before that it waits
        (timedelta(hours=29, minutes=14), False),
        (timedelta(hours=29, minutes=16), True),
        (timedelta(hours=-1, minutes=-59), False),
        (timedelta(hours=-2), True),
    ],
)
def test_it_waits_from_a_day_before_a_rise_until_that_is_over(
    after: timedelta, holds: bool
) -> None:
    of = settings(rise=[{"at": NOW + after, "to": 80, "for": "2h"}])
    rig = ready()

    found = wanted(rig.state, of)

    assert (found.change == BEGINS) is holds


def test_while_nobody_knows_the_time_a_rise_may_be_near() -> None:
    of = settings(rise=[{"at": NOW, "to": 80, "for": "2h"}])
    rig = ready()

    assert decide(of, rig.state, Rates(), 0, zone=UTC).waits_for is not None
    assert decide(SET, rig.state, Rates(), 0, zone=UTC).change == BEGINS


# --- what ends it ---------------------------------------------------------------------


def test_broken_off_it_is_tried_again_after_a_day_lived() -> None:
    rig = under_way().override(OFF)
    taken(rig)
    rig.release()
    rig.steady(DAY_S - 600, every_s=600)
    assert wanted(rig.state).change is None
    rig.steady(600, every_s=600)
    assert wanted(rig.state).change == BEGINS


def test_broken_off_three_times_it_waits_for_its_next_time() -> None:
    """Each try costs a deep cycle; a wall that is warm every noon must not."""
    rig = ready()
    for lived_ms in (DAY_MS, DAY_MS, 90 * DAY_MS, DAY_MS):
        taken(rig)
        rig.send(PlanChanged(marks=None, why=PlanReason.RELEARN_BROKEN_OFF))
        assert wanted(rig.state).change is None
        quiet = rig.state.quiet
        almost = replace(quiet, lived_ms=quiet.lived_ms + lived_ms - 1)
        assert wanted(replace(rig.state, quiet=almost)).change is None
        lived = replace(quiet, lived_ms=quiet.lived_ms + lived_ms)
        rig.state = replace(rig.state, quiet=lived)
    taken(rig)
    rig.send(PlanChanged(marks=None, why=PlanReason.RELEARNED))
    assert rig.state.relearn_tries is None


def test_a_rise_goes_before_it() -> None:
    of = settings(rise=[{"at": NOW, "to": 80, "for": "2h"}])
    rig = under_way()

    change = taken(rig, of)

    assert change.why is PlanReason.PLANNED_RISE
    assert rig.state.relearn_broken_lived_ms == rig.state.quiet.lived_ms


def test_after_two_days_lived_it_is_given_up_until_the_next_time() -> None:
    rig = ready()
    taken(rig)
    rig.slide(50, over_s=HOUR_S, every_s=120)
    begun_ms = rig.state.plan_since_lived_ms
    assert begun_ms is not None
    left_s = (48 * HOUR_MS - (rig.state.quiet.lived_ms - begun_ms)) // 1000
    state = rig.state
    nearly = replace(state.quiet, lived_ms=state.quiet.lived_ms + left_s * 1000 - 1)
    assert wanted(replace(state, quiet=nearly)).change is None
    rig.state = replace(state, quiet=replace(nearly, lived_ms=nearly.lived_ms + 1000))

    change = taken(rig)

    assert change.why is PlanReason.RELEARN_GIVEN_UP
    assert change.because == "not done within 48 h"
    assert rig.state.relearned_lived_ms == rig.state.quiet.lived_ms
    assert wanted(rig.state).change is None


def test_other_settings_end_it() -> None:
    rig = under_way()
    of = settings(relearn={"every": "90d", "low": 40})

    change = wanted(rig.state, of).change

    assert change == PlanChanged(
        marks=None,
        why=PlanReason.RELEARN_BROKEN_OFF,
        because="its settings changed",
    )
    assert wanted(rig.state, settings(relearn=None)).change == PlanChanged(
        marks=None, why=PlanReason.WITHDRAWN
    )


def test_a_restart_goes_on_with_it() -> None:
    rig = under_way()
    since_ms = rig.state.plan_since_lived_ms
    rig.stop()
    rig.start(same_boot=False).read(50, after_s=1)

    assert wanted(rig.state).change is None
    assert rig.state.plan_since_lived_ms == since_ms


def test_the_outlook_says_when_and_what() -> None:
    rig = due(switched_off(65), ms_too_early=10 * DAY_MS)
    found = outlook(SET, rig.state, Rates(), NOW_MS)
    assert found is not None
    assert found.says == "a relearn between 35 and 85 % in 10 days of running"
    assert found.document()["due_in_lived_s"] == 10 * DAY_S

    found = outlook(SET, ready().read(60, after_s=30, temp=41.0).state, Rates(), NOW_MS)
    assert found is not None
    assert found.says == (
        "a relearn between 35 and 85 % as soon as it may; it waits: the battery is "
        "warm (from 40 °C on)"
    )
    assert found.document()["waits_for"] == "the battery is warm (from 40 °C on)"

    nearly = due(switched_off(65), ms_too_early=90 * 60_000)
    found = outlook(SET, nearly.state, Rates(), NOW_MS)
    assert found is not None
    assert found.says == "a relearn between 35 and 85 % in 2 h of running"

    found = outlook(SET, under_way().state, Rates(), NOW_MS)
    assert found is not None
    assert found.in_force
    assert found.says == "window 35 to 85 % because of a relearn until it is done"


@pytest.mark.parametrize(
    ("due_in", "what"),
    [
        # From 65 to 80 % it takes 4 h: a rise 3 days away begins in 68 h.
        (timedelta(hours=43), PlanReason.RELEARN),
        (timedelta(hours=45), PlanReason.PLANNED_RISE),
    ],
)
def test_the_outlook_tells_what_comes_first(
    due_in: timedelta, what: PlanReason
) -> None:
    of = settings(rise=[{"at": NOW + timedelta(days=3), "to": 80, "for": "2h"}])
    early_ms = due_in // timedelta(milliseconds=1)
    rig = due(switched_off(65), ms_too_early=early_ms)

    found = outlook(of, rig.state, Rates(), NOW_MS, zone=UTC)

    assert found is not None
    assert found.what is what
