"""What a station says of itself: its sentence, its numbers, and what comes next.

The states are those of the controller on its bench, so no sentence is of a state that
cannot be. Marks 55 and 65 %, floor 25 %, dwell 3 min, settle 60 s, coast at most 2 h.
The sentences are our own; they are checked against the numbers that were fed.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from support.core_rig import HOLD, OFF, ON, POLICY, REMOTE, Rig, running
from tidegate.core.effects import Reason
from tidegate.core.events import PlanChanged
from tidegate.core.policy import HOUR_MS, MINUTE_MS, Marks, PlanReason, Policy
from tidegate.core.reading import BatteryStatus, ExternalPower
from tidegate.service.outlook import Next, Rise, because, sentence, upcoming
from tidegate.service.pace import Pace
from tidegate.words import REASONS

DWELL_MS = 3 * MINUTE_MS


def begun(soc: float = 60.0, policy: Policy = POLICY) -> Rig:
    """A station whose relay obeys, after its first reading and its dwell."""
    rig = Rig(policy, obeys=True)
    rig.soc = soc
    return rig.start().read(soc).steady(240)


def coming(rig: Rig, pace: Pace | None = None) -> Next:
    return upcoming(rig.state, pace or Pace(), rig.now_ms)


def moving(rig: Rig, rate_percent_h: float) -> Pace:
    """A pace that moved so until now, to where the station is."""
    assert rig.supply is not None
    pace, soc = Pace(), rig.soc
    for hours in (2, 1, 0):
        level = soc - hours * rate_percent_h
        pace.take(rig.now_ms - hours * HOUR_MS - 1, level + 0.001, rig.supply)
        pace.take(rig.now_ms - hours * HOUR_MS, level, rig.supply)
    return pace


# --- the sentence ---------------------------------------------------------------------


def test_nothing_is_said_of_a_supply_before_the_first_command() -> None:
    rig = Rig().start()
    assert "nothing is commanded yet" in sentence(rig.state)
    assert coming(rig) == Next(why="the daemon is starting or stopping")


def test_in_the_window() -> None:
    assert sentence(begun(60.0).state) == (
        "supply stays on: SoC 60 % is inside the window 55 to 65 %"
    )


@pytest.mark.parametrize(
    ("soc", "said"),
    [
        (64.0, "supply stays on: SoC 64 % is inside the window 55 to 65 %"),
        (64.9, "supply stays on: SoC 64.9 % is inside the window 55 to 65 %"),
        (65.0, "supply off because SoC 65 % is at the high mark 65 %"),
        (65.5, "supply off because SoC 65.5 % is at the high mark 65 %"),
    ],
)
def test_both_sides_of_the_high_mark(soc: float, said: str) -> None:
    assert sentence(begun(63.0).read(soc).state) == said


@pytest.mark.parametrize(
    ("soc", "said"),
    [
        (56.0, "supply stays off: SoC 56 % is inside the window 55 to 65 %"),
        (55.0, "supply on because SoC 55 % is at the low mark 55 %"),
        (54.0, "supply on because SoC 54 % is at the low mark 55 %"),
    ],
)
def test_both_sides_of_the_low_mark(soc: float, said: str) -> None:
    rig = begun().read(65.0).slide(57.0, over_s=2_400)
    assert rig.supply is OFF
    assert sentence(rig.read(soc).state) == said


def test_the_floor_and_the_charge_are_both_named() -> None:
    rig = begun().read(65.0).slide(24.0, over_s=8_000)
    rig.slide(24.9, over_s=60)
    assert rig.reason is Reason.BELOW_FLOOR
    assert because(rig.state) == ("the charge reached the floor 25 % (now SoC 24.9 %)")


def test_a_switching_that_waits_for_its_dwell_is_due() -> None:
    rig = Rig(obeys=True).start().read(60.0).read(65.0)
    assert rig.supply is ON
    assert sentence(rig.state) == (
        "supply on for now; off is due because SoC 65 % is at the high mark 65 %"
    )
    ends_ms = rig.state.drive.commanded_at_ms + DWELL_MS
    assert coming(rig) == Next(what="off", at_ms=ends_ms, to_percent=65.0)
    # Nothing but the dwell was in its way.
    rig.steady(180)
    assert rig.supply is OFF


def test_where_there_is_no_number_the_reason_says_it() -> None:
    rig = begun().fails(4).fail(after_s=300)
    assert rig.reason is Reason.GAUGE_LOST
    assert sentence(rig.state) == f"supply on because {REASONS[Reason.GAUGE_LOST]}"
    assert coming(rig) == Next(
        why=f"it stays so as long as {REASONS[Reason.GAUGE_LOST]}"
    )


def test_a_plan_has_its_own_marks() -> None:
    rig = begun()
    marks = {"low_percent": 75.0, "high_percent": 85.0}
    rig.send(PlanChanged(marks=Marks(**marks), why=PlanReason.PLANNED_RISE))
    rig.read(60.0)
    assert sentence(rig.state) == "supply on because SoC 60 % is at the low mark 75 %"
    rig.read(80.0, after_s=3_600)
    assert because(rig.state) == "SoC 80 % is inside the window 75 to 85 %"


def test_a_station_that_only_measures_says_no_more() -> None:
    rig = Rig(Policy(marks=None)).start().read(60.0)
    assert sentence(rig.state) == "only measures"
    assert because(rig.state) == REASONS[Reason.MEASURE_ONLY]
    assert coming(rig) == Next(why="the station only measures")


def test_a_daemon_that_stops_promises_nothing() -> None:
    rig = Rig(obeys=True).start().read(60.0).read(66.0).stop()
    assert sentence(rig.state) == f"supply on because {REASONS[Reason.STOP]}"
    assert coming(rig) == Next(why="the daemon is starting or stopping")


def test_an_off_that_is_refused_for_ever_is_not_called_due() -> None:
    rig = begun(66.0, replace(POLICY, fails_on=False))
    assert rig.supply is ON
    assert rig.state.policy.off_is_refused
    dead_lock = REASONS[Reason.DEAD_LOCK]
    assert sentence(rig.state) == f"supply on because {dead_lock}"
    assert coming(rig) == Next(why=f"it is never switched off: {dead_lock}")
    # An operator who took that on has it as anybody.
    accepted = begun(66.0, replace(POLICY, fails_on=False, accept_dead_lock=True))
    assert sentence(accepted.state).startswith("supply off because SoC 66 %")


def test_a_trial_is_called_a_trial() -> None:
    stuck = {"power": ExternalPower.YES, "status": BatteryStatus.CHARGING}
    rig = running(60).read(65, after_s=121, **stuck).done()
    for settles in (1, 2, 6):
        rig.read(after_s=settles * 60, **stuck).done()
    no_effect = REASONS[Reason.RELAY_NO_EFFECT]
    assert sentence(rig.state) == f"supply on because {no_effect}"
    assert coming(rig).why == f"it stays so as long as {no_effect}"
    # The first trial is due after an hour, and waits for a reading.
    rig.read(after_s=3_599.999, **stuck).wait(0.001)
    assert sentence(rig.state) == (
        f"supply on for now; a trial of off is due because {no_effect}"
    )


# --- what comes next ------------------------------------------------------------------


def test_the_next_switching_follows_the_pace() -> None:
    rig = begun(60.0)
    # 5 points at 20 %/h.
    found = coming(rig, moving(rig, 20.0))
    assert (found.what, found.to_percent) == ("off", 65.0)
    assert found.at_ms == pytest.approx(rig.now_ms + 15 * MINUTE_MS, abs=1_000)
    rig.read(65.0).slide(60.0, over_s=1_500)
    # 5 points at 12 %/h.
    found = coming(rig, moving(rig, -12.0))
    assert (found.what, found.to_percent) == ("on", 55.0)
    assert found.at_ms == pytest.approx(rig.now_ms + 25 * MINUTE_MS, abs=1_000)


def test_a_pace_that_is_not_known_is_said_with_the_mark() -> None:
    assert coming(begun(60.0)) == Next(
        why="it goes off at 65 %; how fast the charge moves is not yet known"
    )
    rig = begun().read(65.0).slide(60.0, over_s=1_500)
    assert coming(rig).why.startswith("it goes on at 55 %;")
    # A charge that moves the wrong way tells no time either.
    assert coming(rig, moving(rig, 12.0)).what is None


def test_a_charge_that_moves_away_from_its_mark_is_not_called_unknown() -> None:
    """A load above what the supply gives: on, and the charge falls."""
    rig = begun(60.0)
    assert rig.supply is ON
    found = coming(rig, moving(rig, -5.0))
    assert found.what is None
    assert found.why == "it goes off at 65 %; the charge does not move towards it"


def test_a_mark_that_is_reached_within_the_dwell_waits_for_it() -> None:
    rig = begun(60.0, replace(POLICY, dwell_off_ms=HOUR_MS)).read(65.0)
    assert rig.supply is OFF
    rig.slide(57.0, over_s=2_400)
    ends_ms = rig.state.drive.commanded_at_ms + HOUR_MS
    # 20 min of the dwell are left: 2 points take 10 min, or 40.
    assert coming(rig, moving(rig, -12.0)) == Next(
        what="on", at_ms=ends_ms, to_percent=55.0
    )
    slow = coming(rig, moving(rig, -3.0))
    assert slow.at_ms == pytest.approx(rig.now_ms + 40 * MINUTE_MS, abs=2_000)


def test_under_a_hold_the_hold_is_the_mark() -> None:
    rig = begun(59.0, HOLD)
    assert rig.supply is ON
    assert coming(rig, moving(rig, 10.0)).to_percent == 60.0


def test_an_override_ends_at_its_end() -> None:
    rig = begun(60.0).override(ON, for_s=7_200)
    until_ms = rig.now_ms + 7_200_000
    assert sentence(rig.state) == f"supply on because {REASONS[Reason.OVERRIDE]}"
    assert coming(rig) == Next(what="override_ends", at_ms=until_ms)


def test_an_override_that_a_rule_outranks_is_not_what_comes_next() -> None:
    rig = begun(60.0).override(ON, for_s=7_200)
    for _ in range(4):
        rig.read(60.0, temp=50.0)
    assert rig.reason is Reason.BATTERY_HOT
    assert coming(rig).why == f"it stays so as long as {REASONS[Reason.BATTERY_HOT]}"


def coasting() -> Rig:
    """A gauge that is reached over the switched cable, blind since the off."""
    rig = begun(60.0, REMOTE).read(65.0)
    assert rig.supply is OFF
    rig.fails(4)
    assert rig.state.coasting
    return rig


def test_a_coast_ends_with_on_at_the_latest() -> None:
    rig = coasting()
    latches = rig.state.latches
    assert latches.coast_since_ms is not None
    ends_ms = latches.coast_since_ms + latches.coast_box_ms
    why = "the time without a readable gauge is used up then"
    assert coming(rig) == Next(what="on", at_ms=ends_ms, why=why)
    # It is the end that the rules know too.
    rig.fail(after_s=(ends_ms - rig.now_ms) / 1_000 - 1)
    assert rig.supply is OFF
    rig.fail(after_s=1)
    assert rig.supply is ON
    assert rig.reason is Reason.COAST_OVER


@pytest.mark.parametrize(("for_s", "what"), [(600, "override_ends"), (80_000, "on")])
def test_of_a_coast_and_an_override_the_earlier_end_is_told(
    for_s: int, what: str
) -> None:
    rig = coasting().override(OFF, for_s=for_s)
    assert rig.reason is Reason.OVERRIDE
    assert coming(rig).what == what


def test_where_no_power_comes_nothing_is_expected() -> None:
    rig = begun(60.0)
    rig.steady(300, power=ExternalPower.NO)
    assert rig.state.supply_is_absent
    assert coming(rig) == Next(why="nothing as long as no power comes")


def test_a_state_without_a_reading_says_so() -> None:
    rig = begun(60.0)
    state = replace(rig.state, quiet=replace(rig.state.quiet, seen=None))
    assert upcoming(state, Pace(), rig.now_ms).why == "no reading yet"
    assert sentence(state) == f"supply stays on: {REASONS[Reason.IN_WINDOW]}"


def test_an_off_that_failed_is_expected_when_it_is_tried_again() -> None:
    rig = Rig().start().read(60.0).done().steady(240).read(65.0)
    assert rig.supply is OFF
    rig.refuse()
    for _ in range(6):
        if rig.state.drive.retry_off_at_ms is not None and rig.supply is ON:
            break
        rig.read(65.0)
        if rig.switched:
            (rig.done if rig.switched[0][0] is ON else rig.refuse)()
    retry_ms = rig.state.drive.retry_off_at_ms
    assert retry_ms is not None
    assert rig.supply is ON
    dwell_ms = rig.state.drive.commanded_at_ms + DWELL_MS
    assert coming(rig) == Next(
        what="off", at_ms=max(rig.now_ms, dwell_ms, retry_ms), to_percent=65.0
    )


def test_a_budget_that_refuses_tells_when_it_is_free() -> None:
    rig = begun(60.0, replace(POLICY, per_hour=2))
    rig.read(65.0)
    spent_lived_ms = rig.state.quiet.lived_ms
    rig.slide(55.0, over_s=1_500).slide(65.0, over_s=900)
    assert rig.reason is Reason.RELAY_BUDGET
    found = coming(rig)
    assert found.what == "off"
    assert found.why == "the relay's budget is free then"
    assert found.at_ms is not None
    # An hour after the first of the two that it has spent, or after both.
    wait_ms = found.at_ms - rig.now_ms
    assert wait_ms >= HOUR_MS - (rig.state.quiet.lived_ms - spent_lived_ms)
    # And so it comes: nothing before, and then at the next reading.
    while rig.now_ms + 30_000 < found.at_ms:
        rig.read(65.0)
        assert rig.supply is ON
    rig.read(65.0, after_s=(found.at_ms - rig.now_ms - 1) / 1_000)
    assert rig.supply is ON
    rig.read(65.0, after_s=0.001)
    assert rig.supply is OFF


def falling() -> Rig:
    """Off, at 60 %; 12 %/h bring the low mark in 25 min."""
    return begun().read(65.0).slide(60.0, over_s=1_500)


@pytest.mark.parametrize(
    ("begins_in_min", "low_percent", "what", "in_min"),
    [
        (24, 75.0, "a planned rise begins", 24),
        (26, 75.0, "", 25),
        (24, 60.0, "a planned rise begins", 24),
        (24, 59.0, "", 25),  # the charge may fall to that mark by then, or not
    ],
)
def test_a_rise_that_begins_before_the_mark_is_next(
    begins_in_min: int, low_percent: float, what: str, in_min: int
) -> None:
    rig = falling()
    rise = Rise(
        begins_ms=rig.now_ms + begins_in_min * MINUTE_MS,
        low_percent=low_percent,
        high_percent=85.0,
        ends_ms=rig.now_ms + 5 * HOUR_MS,
    )
    found = upcoming(rig.state, moving(rig, -12.0), rig.now_ms, rise=rise)
    assert (found.what, found.why) == ("on", what)
    assert found.at_ms == pytest.approx(rig.now_ms + in_min * MINUTE_MS, abs=1_000)


@pytest.mark.parametrize(
    ("pace_percent_h", "begins_in_min", "what"),
    [
        (None, 60, "on"),
        (None, 61, None),
        (1.0, 61, "on"),  # it does not fall, so nothing comes before
    ],
)
def test_a_rise_far_away_is_not_next_where_the_charge_falls_at_an_unknown_pace(
    pace_percent_h: float | None, begins_in_min: int, what: str | None
) -> None:
    rig = falling()
    rise = Rise(
        begins_ms=rig.now_ms + begins_in_min * MINUTE_MS,
        low_percent=75.0,
        high_percent=85.0,
        ends_ms=rig.now_ms + 5 * HOUR_MS,
    )
    pace = Pace() if pace_percent_h is None else moving(rig, pace_percent_h)
    found = upcoming(rig.state, pace, rig.now_ms, rise=rise)
    assert found.what == what
    if what is None:
        assert "it goes on at 55 %" in found.why


@pytest.mark.parametrize(
    ("begins_in_min", "to_percent", "in_min"),
    [
        (14, 85.0, 75),  # 20 %/h: the high mark after 15 min, that of the rise after 75
        (16, 65.0, 15),
    ],
)
def test_a_rise_that_begins_while_it_charges_moves_the_off_to_its_own_mark(
    begins_in_min: int, to_percent: float, in_min: int
) -> None:
    rig = begun(60.0)
    rise = Rise(
        begins_ms=rig.now_ms + begins_in_min * MINUTE_MS,
        low_percent=83.0,
        high_percent=85.0,
        ends_ms=rig.now_ms + 5 * HOUR_MS,
    )
    found = upcoming(rig.state, moving(rig, 20.0), rig.now_ms, rise=rise)
    assert (found.what, found.to_percent) == ("off", to_percent)
    assert found.at_ms == pytest.approx(rig.now_ms + in_min * MINUTE_MS, abs=1_000)
    # Without a pace there is no time, and the next mark is named.
    unknown = upcoming(rig.state, Pace(), rig.now_ms, rise=rise)
    assert unknown.what is None
    assert "it goes off at 65 %" in unknown.why


def risen(soc: float) -> Rig:
    """On and charging under a planned rise from 75 to 85 %."""
    rig = begun(60.0)
    rig.send(
        PlanChanged(
            marks=Marks(low_percent=75.0, high_percent=85.0),
            why=PlanReason.PLANNED_RISE,
        )
    )
    return rig.slide(soc, over_s=3_600)


@pytest.mark.parametrize(
    ("ends_in_min", "to_percent", "in_min", "why"),
    [
        (14, None, 14, "the planned rise is over then"),
        (16, 85.0, 15, ""),
    ],
)
def test_a_rise_that_is_over_before_its_mark_ends_the_charge(
    ends_in_min: int, to_percent: float | None, in_min: int, why: str
) -> None:
    """At 80 %, 20 %/h: 85 % after 15 min; the marks after the rise are 55 and 65 %."""
    rig = risen(80.0)
    assert rig.supply is ON
    ends_ms = rig.now_ms + ends_in_min * MINUTE_MS
    rise = Rise(low_percent=75.0, high_percent=85.0, ends_ms=ends_ms)
    found = upcoming(rig.state, moving(rig, 20.0), rig.now_ms, rise=rise)
    assert (found.what, found.to_percent, found.why) == ("off", to_percent, why)
    assert found.at_ms == pytest.approx(rig.now_ms + in_min * MINUTE_MS, abs=1_000)
    if why:
        # And so it comes, once the marks are those of before.
        rig.send(PlanChanged(marks=None, why=PlanReason.PLANNED_RISE))
        assert rig.read(80.0).supply is OFF


def test_after_a_rise_the_low_mark_is_that_of_the_settings() -> None:
    """Off, 80 %, 10 %/h: 75 % in 30 min, but the rise is over by then; 55 % in 150."""
    rig = risen(85.0)
    assert rig.read(85.0).supply is OFF
    rig.slide(80.0, over_s=1_800)
    assert rig.supply is OFF
    ends_ms = rig.now_ms + 20 * MINUTE_MS
    rise = Rise(low_percent=75.0, high_percent=85.0, ends_ms=ends_ms)
    found = upcoming(rig.state, moving(rig, -10.0), rig.now_ms, rise=rise)
    assert (found.what, found.to_percent) == ("on", 55.0)
    assert found.at_ms == pytest.approx(rig.now_ms + 150 * MINUTE_MS, abs=1_000)


def test_a_crowded_day_waits_for_its_distance_from_the_last_off() -> None:
    # Eight a day, six spent: more than half, so two eighths of a day lie between offs.
    rig = begun(60.0, replace(POLICY, per_hour=100, per_day=8))
    rig.slide(65.0, over_s=600)
    for _ in range(3):
        assert rig.supply is OFF
        last_off_ms = rig.now_ms
        rig.slide(55.0, over_s=1_500).slide(65.0, over_s=900)
    assert rig.reason is Reason.RELAY_BUDGET
    assert coming(rig) == Next(
        what="off",
        at_ms=last_off_ms + 6 * HOUR_MS,
        why="the relay's budget is free then",
    )


@pytest.mark.parametrize(
    ("for_s", "what", "level"),
    [(14_399, "override_ends", None), (14_402, "on", 25.0)],
)
def test_an_off_that_outlasts_the_charge_ends_at_the_floor(
    for_s: int, what: str, level: float | None
) -> None:
    # The floor at 25 % is 35 points from 60 %: four hours at 8.75 %/h.
    rig = begun(60.0).override(OFF, for_s=for_s)
    rig.read(60.0, after_s=0.001)
    assert rig.supply is OFF
    found = coming(rig, moving(rig, -8.75))
    assert (found.what, found.to_percent) == (what, level)


def test_an_on_by_an_operator_does_not_end_at_the_floor() -> None:
    rig = begun(60.0).override(ON, for_s=36_000)
    assert coming(rig, moving(rig, -20.0)).what == "override_ends"


def test_an_off_of_which_no_pace_is_known_ends_at_its_end() -> None:
    rig = begun(60.0).override(OFF, for_s=36_000).read(60.0)
    assert rig.supply is OFF
    assert coming(rig).what == "override_ends"


@pytest.mark.parametrize("soc", [55.0, 54.5])
def test_at_the_low_mark_too_an_on_waits_for_its_dwell(soc: float) -> None:
    rig = begun(60.0, replace(POLICY, dwell_off_ms=HOUR_MS)).read(65.0)
    rig.slide(soc, over_s=2_400)
    assert rig.supply is OFF
    assert sentence(rig.state) == (
        f"supply off for now; on is due because SoC {soc:g} % is at the low mark 55 %"
    )
    ends_ms = rig.state.drive.commanded_at_ms + HOUR_MS
    assert coming(rig) == Next(what="on", at_ms=ends_ms, to_percent=55.0)
