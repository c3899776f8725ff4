"""The table of a triage: each row on both sides of its boundary, and their order.

80 % of the rated capacity as the end of a battery is common practice without a source;
twice the resistance is from memory; 45 and 60 °C are thresholds T3 and T4 of the JEITA
guide of 2007 as the TI BQ25882 has them (register 08h). Every device is invented.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from support import audits, triages
from support.triages import NO, TODAY, UNKNOWN, YES, evidence, sound, triage
from tidegate.core.policy import DAY_MS, Marks
from tidegate.triage.deciding import decided
from tidegate.triage.discharging import Collapse
from tidegate.triage.inspection import SIGNS, SWELLING, Inspection
from tidegate.triage.result import WORDS, Answer
from tidegate.triage.rules import TABLE
from tidegate.triage.steps import OUT_OF_USE

OUT, CHANGE, ELIMINATOR = (
    Answer.OUT_OF_USE,
    Answer.CHANGE_BATTERY,
    Answer.ELIMINATOR,
)
WINDOW, NOTHING = Answer.WINDOW, Answer.NOTHING
WORN = evidence(measured=triages.measured(ah=5.0))
NEEDED = {"autonomy_wanted_h": 2.0, "may_run_without_battery": NO}
NOT_NEEDED = {"autonomy_wanted_h": 0.0, "may_run_without_battery": YES}


def codes(made):
    return [each.code for each in made.reasons]


def test_the_answers_have_the_words_of_people():
    assert list(WORDS.values()) == [
        "out of use at once",
        "change the battery",
        "battery eliminator",
        "window",
        "nothing needed",
    ]


def test_every_row_has_its_own_code_and_the_last_always_applies():
    assert len({row.code for row in TABLE}) == len(TABLE)
    assert triage(Inspection()).reasons[0].code == TABLE[-1].code
    about = [row.about for row in TABLE]
    assert about[: about.count("safety")] == ["safety"] * about.count("safety")


def test_devices_stand_worst_first_whatever_is_certain():
    made = [
        triage(sound(), evidence(), smell=YES),
        triage(Inspection(), WORN),
        triage(sound(**NEEDED, battery_available=YES), WORN),
        triage(sound(**NOT_NEEDED), WORN),
        triage(sound(always_fed=YES, holds_itself=NO)),
        triage(sound(always_fed=NO)),
        triage(sound(), evidence()),
    ]
    answers = [OUT, WINDOW, CHANGE, ELIMINATOR, WINDOW, NOTHING, NOTHING]
    assert [each.answer for each in made[2:]] == answers[2:]
    assert [each.is_certain for each in made[2:]] == [True, True, False, False, True]
    assert sorted(made, key=lambda each: each.rank) == made
    assert len({each.rank for each in made}) == len(made)


# --- safety ---------------------------------------------------------------------------


@pytest.mark.parametrize("sign", SIGNS)
def test_a_sign_puts_it_out_of_use_and_its_absence_does_not(sign):
    sound_log = evidence()
    made = triage(sound(), sound_log, **{sign: YES})
    assert made.answer is OUT
    assert made.is_certain
    assert made.reasons[0].code == ("swelling" if sign in SWELLING else sign)
    assert made.steps == OUT_OF_USE
    assert made.would_change == made.look_first == ()
    other = triage(sound(), sound_log)
    assert other.answer is NOTHING
    assert other.look_first == ()


def test_whoever_takes_it_in_is_told_of_every_sign():
    made = triage(sound(), evidence(), rocks=YES, smell=YES, force_damage=YES)
    assert codes(made) == ["swelling", "smell", "force_damage"]


@pytest.mark.parametrize(("last_c", "answer"), [(60.0, OUT), (59.9, NOTHING)])
def test_a_log_whose_last_reading_is_critically_hot_puts_it_out_of_use(last_c, answer):
    """A CSV has no alarms: its temperature alone must tell."""
    made = triage(sound(), evidence(last_c=last_c))
    assert made.answer is answer
    if answer is OUT:
        assert codes(made) == ["critical_heat"]
        assert "60 °C" in made.reasons[0].text


def test_a_log_that_ends_critically_hot_puts_it_out_of_use():
    hot = evidence(standing=("battery_critical_heat",), ever=("battery_critical_heat",))
    assert triage(sound(), hot).reasons[0].code == "critical_heat"
    over = evidence(ever=("battery_critical_heat",))
    assert triage(sound(), over).answer is NOTHING


def test_the_steps_out_of_use_say_what_the_cautions_say():
    said = " ".join(OUT_OF_USE)
    words = ("charge", "press", "pierce", "open", "Do not ship", "pull the plug")
    for word in (*words, "burns", "transport rules"):
        assert word in said
    assert "qualified person and a licensed collector" in said
    # The daemon fails to on: an order to it is no way to disconnect a pack.
    assert "returns the supply to on" in said


@pytest.mark.parametrize("sign", SIGNS)
def test_a_sign_that_nobody_looked_for_is_a_demand(sign):
    made = triage(sound(), evidence(), **{sign: UNKNOWN})
    assert [each.key for each in made.look_first] == [sign]
    assert made.is_provisional
    assert not made.is_certain
    assert made.answer is NOTHING
    assert "First look" in made.steps[0]


@pytest.mark.parametrize(("days", "demanded"), [(90, []), (91, ["on"]), (-2, ["on"])])
def test_an_inspection_grows_old(days, demanded):
    made = triage(sound(on=TODAY - timedelta(days=days)), evidence())
    assert [each.key for each in made.look_first] == demanded


def test_an_inspection_without_its_day_is_of_any_age():
    made = triage(sound(on=None), evidence())
    assert [each.key for each in made.look_first] == ["on"]
    # Where nobody looked at all there is nothing that could have grown old.
    assert "on" not in [each.key for each in triage(Inspection()).look_first]


# The logs of the triages begin on 2025-01-01 and last a hundred days.
HOT_MS = audits.T0 + 10 * DAY_MS
HOT_DAY = date(2025, 1, 11)


@pytest.mark.parametrize(
    ("warmest_c", "days", "demanded"),
    [(59.9, -9, False), (60.0, -9, True), (60.0, 0, True), (60.0, 1, False)],
)
def test_sixty_degrees_ask_for_a_look_on_a_later_day(warmest_c, days, demanded):
    """On the same day nobody knows what came first; that the log goes on is no matter."""
    heat = replace(triages.heat({20: 2400.0}), highest_c=warmest_c)
    found = evidence(temperature=heat, stopped_ms=HOT_MS)
    looked = HOT_DAY + timedelta(days=days)
    made = decided(sound(on=looked), found, today=looked)
    assert ("highest_c" in [each.key for each in made.look_first]) is demanded
    no_dates = replace(found, is_calendar=False)
    made = decided(sound(on=looked), no_dates, today=looked)
    assert ("highest_c" in [each.key for each in made.look_first]) is (warmest_c >= 60)


@pytest.mark.parametrize(("days", "demanded"), [(0, True), (1, False)])
def test_an_alarm_of_the_past_asks_for_a_look_on_a_later_day(days, demanded):
    found = evidence(
        ever=("battery_critical_heat",),
        alarmed_ms=(("battery_critical_heat", HOT_MS),),
    )
    looked = HOT_DAY + timedelta(days=days)
    made = decided(sound(on=looked), found, today=looked)
    assert made.is_provisional is demanded


def test_an_unsound_battery_of_the_gauge_is_looked_at_whatever_was_seen_before():
    standing = evidence(standing=("battery_health",), ever=("battery_health",))
    made = triage(sound(), standing)
    assert [each.key for each in made.look_first] == ["battery_health"]
    over = evidence(ever=("battery_health",))
    assert triage(sound(), over).look_first == ()
    assert triage(sound(on=None), over).is_provisional


# --- worn, and what it is for ---------------------------------------------------------


@pytest.mark.parametrize(
    ("needs", "answer", "code"),
    [
        ({**NOT_NEEDED, "battery_available": YES}, ELIMINATOR, "worn_not_needed"),
        ({**NEEDED, "battery_available": YES}, CHANGE, "worn_replaceable"),
        (
            {**NEEDED, "battery_available": NO, "may_run_without_battery": YES},
            ELIMINATOR,
            "worn_no_battery",
        ),
        ({**NEEDED, "battery_available": NO}, CHANGE, "worn_no_way"),
    ],
)
def test_a_worn_battery_goes_the_way_that_there_is(needs, answer, code):
    made = triage(sound(**needs), WORN)
    assert (made.answer, made.reasons[0].code) == (answer, code)
    assert made.is_certain
    assert "capacity" in codes(made)
    # The same device with a sound battery.
    assert triage(sound(**needs), evidence()).answer not in (CHANGE, ELIMINATOR)


@pytest.mark.parametrize(
    ("known", "answer"),
    [
        ({"autonomy_wanted_h": 0.0}, CHANGE),
        ({"may_run_without_battery": YES}, CHANGE),
        ({"autonomy_wanted_h": 0.0, "battery_available": YES}, CHANGE),
        ({}, CHANGE),
    ],
)
def test_needs_that_nobody_named_leave_it_uncertain(known, answer):
    made = triage(sound(**known), WORN)
    assert made.answer is answer
    assert not made.is_certain
    (other,) = [each for each in made.would_change if each.lacks]
    assert other.answer is ELIMINATOR
    assert any("may_run_without_battery" in each for each in other.lacks) is (
        "may_run_without_battery" not in known
    )


def test_an_eliminator_for_hours_names_where_they_come_from():
    needs = {**NEEDED, "battery_available": NO, "may_run_without_battery": YES}
    assert "2 h wanted" in triage(sound(**needs), WORN).steps[-1]
    assert "h wanted" not in triage(sound(**NOT_NEEDED), WORN).steps[-1]


@pytest.mark.parametrize(
    ("ah", "sigma", "holds"),
    [
        # 80 % of 7 Ah is 5.6 Ah; two sigma either way.
        (5.49, 0.05, True),
        (5.51, 0.05, None),
        (5.69, 0.05, None),
        (5.70, 0.05, False),
    ],
)
def test_capacity_against_80_percent(ah, sigma, holds):
    found = evidence(measured=triages.measured(ah=ah, sigma=sigma))
    made = triage(sound(**NEEDED, battery_available=YES, autonomy_seen_h=9.0), found)
    assert (made.answer is CHANGE) is (holds is True)
    assert made.is_certain is (holds is not None)
    if holds is None:
        assert "more and wider swings" in made.would_change[0].lacks[0]
    (said,) = [each.text for each in made.reasons if each.code == "capacity"]
    assert "5.60 Ah (80 %)" in said


@pytest.mark.parametrize(
    ("factor", "holds"), [(2.6, True), (2.04, None), (1.3, False), (1.0, False)]
)
def test_resistance_against_twice_that_when_new(factor, holds):
    moved, _ = triages.trend(
        triages.steps_of(lambda day: 0.1 * factor * (1 + 0.03 * (-1) ** day))
    )
    found = evidence(measured=triages.measured(ah=None), trend=moved)
    inspection = sound(**NEEDED, battery_available=YES, resistance_new_ohm=0.1)
    made = triage(inspection, found)
    assert (made.answer is CHANGE) is (holds is True)
    (said,) = [each for each in made.reasons if each.code == "resistance"]
    assert ("not certain" in said.text) is (holds is None)


def test_a_resistance_is_not_said_to_be_at_what_it_was_not_brought_to():
    even = evidence(measured=triages.measured(ah=None), trend=triages.grown(1.2))
    (said,) = [e.text for e in triage(sound(), even).reasons if e.code == "resistance"]
    assert said.startswith("The resistance is ")
    warm, _ = triages.trend(
        triages.steps_of(lambda day: 0.1 + day / 1e4, celsius=lambda day: 20 + day % 9)
    )
    found = replace(even, trend=warm)
    (said,) = [e.text for e in triage(sound(), found).reasons if e.code == "resistance"]
    assert said.startswith("The resistance at 25 °C is ")


def test_a_resistance_that_doubled_in_the_log_has_doubled_since_new():
    found = evidence(measured=triages.measured(ah=None), trend=triages.grown(2.6))
    assert triage(sound(battery_available=YES, **NEEDED), found).answer is CHANGE


@pytest.mark.parametrize(
    ("age", "is_missing"), [(0.7, False), (0.8, True), (None, True)]
)
def test_a_trend_is_since_new_only_where_the_log_began_then(age, is_missing):
    # The log spans 99 days, 0.27 years; half a year before it still counts as new.
    found = evidence(measured=triages.measured(ah=None), trend=triages.grown(1.2))
    made = triage(sound(age_years=age, autonomy_wanted_h=0.0), found)
    (said,) = [each.text for each in made.reasons if each.code == "resistance"]
    assert ("how far it had grown before" in said) is is_missing


def test_a_growth_that_nobody_knows_speaks_against_no_measured_capacity():
    found = evidence(trend=triages.grown(1.2))
    assert triage(sound(autonomy_wanted_h=0.0), found).is_certain


def test_another_way_for_a_worn_battery_is_told_only_where_it_is_worn():
    near = evidence(measured=triages.measured(ah=5.6))
    needed = sound(**NEEDED, battery_available=YES, autonomy_seen_h=9.0)
    told = {each.answer for each in triage(needed, near).would_change}
    assert CHANGE in told
    assert ELIMINATOR not in told
    told = {each.answer for each in triage(needed, WORN).would_change}
    assert ELIMINATOR in told


@pytest.mark.parametrize(
    ("wanted", "low", "high", "holds"),
    [
        (2.0, 1.0, 1.9, True),
        (2.0, 1.0, 2.0, None),
        (2.0, 2.0, 3.0, False),
    ],
)
def test_hours_wanted_against_hours_logged(wanted, low, high, holds):
    found = evidence(
        measured=triages.measured(ah=None),
        autonomy=triages.lasting((low + high) / 2, low=low, high=high),
    )
    made = triage(sound(autonomy_wanted_h=wanted, battery_available=YES), found)
    assert (made.answer is CHANGE) is (holds is True)
    assert made.is_certain is (holds is not None)


@pytest.mark.parametrize(
    ("widest", "certain"), [(20.0, True), (19.9, False), (10.0, False)]
)
def test_hours_that_no_fall_in_the_log_went_through_are_not_certain(widest, certain):
    """At 10 %/h two hours are 20 points: arithmetic."""
    found = evidence(
        measured=triages.measured(ah=None),
        autonomy=triages.lasting(7.5, widest=widest),
    )
    made = triage(sound(autonomy_wanted_h=2.0, battery_available=YES), found)
    assert made.answer is NOTHING
    assert made.is_certain is certain
    (said,) = [each.text for each in made.reasons if each.code == "autonomy"]
    assert ("if it falls as fast further down" in said) is not certain
    # A capacity that was measured to its limit speaks for the battery itself.
    whole = replace(found, measured=triages.measured())
    assert triage(sound(autonomy_wanted_h=2.0), whole).is_certain
    # So does a person with a clock.
    seen = sound(autonomy_wanted_h=2.0, autonomy_seen_h=5.0)
    assert triage(seen, found).is_certain


@pytest.mark.parametrize(("seen_h", "worn"), [(1.8, True), (1.9, False), (2.3, False)])
def test_hours_by_the_clock_are_right_to_a_tenth(seen_h, worn):
    made = triage(
        sound(autonomy_wanted_h=2.0, autonomy_seen_h=seen_h, battery_available=YES)
    )
    assert (made.answer is CHANGE) is worn
    if seen_h == 1.9:
        assert not made.is_certain


def collapse(cell_v=3.1):
    return Collapse(at_ms=audits.T0, cell_v=cell_v, soc_percent=48.0)


@pytest.mark.parametrize(
    ("changes", "told", "holds"),
    [
        ({}, YES, True),
        ({"ever": ("only_source",)}, UNKNOWN, True),
        ({"collapses": (collapse(), collapse())}, NO, True),
        ({"collapses": (collapse(),)}, NO, None),
        ({}, NO, False),
        ({"autonomy": triages.lasting(9.0)}, UNKNOWN, False),
    ],
)
def test_a_battery_that_gives_way_is_worn(changes, told, holds):
    found = evidence(**changes)
    made = triage(sound(died_on_battery=told, battery_available=YES), found)
    assert (made.answer is CHANGE) is (holds is True)
    if holds is not True:
        assert made.is_certain is (holds is not None)


# --- the duty -------------------------------------------------------------------------


def test_a_window_in_force_is_kept():
    made = triage(sound(), evidence(marks=Marks(low_percent=55, high_percent=65)))
    assert (made.answer, made.reasons[0].code) == (WINDOW, "window_in_force")
    assert triage(sound(), evidence()).answer is NOTHING


@pytest.mark.parametrize(
    ("high_h", "unseen_h", "answer", "certain"),
    [
        # The limit is a tenth of the time.
        (240.0, 0, WINDOW, True),
        (239.9, 0, NOTHING, True),
        (260.0, 100, WINDOW, True),
        (245.0, 100, NOTHING, False),
        (145.0, 100, NOTHING, True),
        (155.0, 100, NOTHING, False),
    ],
)
def test_time_above_80_percent_with_what_nobody_saw(high_h, unseen_h, answer, certain):
    found = evidence(
        soc=triages.charge(high_h=high_h, low_h=2400 - high_h),
        unseen_s=3600.0 * unseen_h,
    )
    made = triage(sound(), found)
    assert made.is_certain is certain
    assert made.answer is (answer if certain else WINDOW)


@pytest.mark.parametrize(
    ("hours", "answer", "certain"),
    [
        # The limit is a hundredth of the time; the sensor may be 5 °C off.
        ({20: 2376, 50: 24}, WINDOW, True),
        ({20: 2376, 45: 24}, NOTHING, False),
        ({20: 2376, 40: 24}, NOTHING, False),
        ({20: 2377, 40: 23}, NOTHING, True),
        ({20: 2376, 35: 24}, NOTHING, True),
    ],
)
def test_heat_with_a_sensor_that_may_be_off(hours, answer, certain):
    made = triage(sound(), evidence(temperature=triages.heat(hours)))
    assert made.is_certain is certain
    assert made.answer is (answer if certain else WINDOW)


@pytest.mark.parametrize(
    ("fed", "holds", "answer", "code"),
    [
        (YES, NO, WINDOW, "stands_full"),
        (YES, YES, NOTHING, "spared"),
        (NO, UNKNOWN, NOTHING, "spared"),
        (UNKNOWN, YES, NOTHING, "spared"),
        (YES, UNKNOWN, WINDOW, "not_known"),
        (UNKNOWN, UNKNOWN, WINDOW, "not_known"),
    ],
)
def test_without_a_log_the_form_says_whether_it_stands_full(fed, holds, answer, code):
    made = triage(sound(always_fed=fed, holds_itself=holds, autonomy_wanted_h=0.0))
    assert (made.answer, made.reasons[0].code) == (answer, code)
    assert not made.is_certain  # its capacity was never measured


def test_a_station_without_a_battery_needs_nothing():
    made = triage(sound(), replace(WORN, fitted=False))
    assert (made.answer, made.reasons[0].code) == (NOTHING, "already_without")
    assert triage(sound(**NEEDED), WORN).answer is CHANGE


# --- what would change it, and steps --------------------------------------------------


def test_a_window_says_at_which_capacity_it_turns_and_to_what():
    marks = Marks(low_percent=55, high_percent=65)
    made = triage(sound(**NOT_NEEDED), evidence(marks=marks))
    assert [(each.answer, each.text) for each in made.would_change] == [
        (ELIMINATOR, "a capacity under 5.60 Ah (80 %)")
    ]
    needed = sound(**NEEDED, battery_available=YES, autonomy_seen_h=5.0)
    made = triage(needed, evidence(marks=marks))
    assert [(each.answer, each.text) for each in made.would_change] == [
        (CHANGE, "a capacity under 5.60 Ah (80 %) or more than 5.5 h wanted")
    ]


def test_hours_that_nobody_tried_are_not_certain():
    made = triage(sound(autonomy_wanted_h=2.0), evidence())
    assert made.answer is NOTHING
    assert not made.is_certain
    assert "autonomy_seen_h" in made.would_change[0].lacks[0]


def test_a_changed_battery_says_at_which_capacity_it_would_stay():
    made = triage(sound(**NEEDED, battery_available=YES), WORN)
    assert {(each.answer, each.text) for each in made.would_change} == {
        (NOTHING, "a capacity of 5.60 Ah (80 %)"),
        (
            ELIMINATOR,
            "no hours on its battery wanted and leave to run without a battery",
        ),
        (
            ELIMINATOR,
            "no fitting battery to be had and leave to run without a battery",
        ),
    }


def test_a_full_device_says_at_which_share_it_needs_nothing():
    found = evidence(soc=triages.charge(high_h=2000.0, low_h=400.0))
    made = triage(sound(), found)
    told = {each.answer: each.text for each in made.would_change}
    assert told[NOTHING] == "less than 10 % of its time above 80 %"


@pytest.mark.parametrize(("low", "said"), [(44, "must be 45 %"), (45, ""), (55, "")])
def test_hours_wanted_name_the_lowest_low_mark(low, said):
    """At 10 %/h two hours above a floor of 25 % begin at 45 %: arithmetic."""
    found = evidence(
        marks=Marks(low_percent=low, high_percent=65), autonomy=triages.lasting(7.5)
    )
    steps = " ".join(triage(sound(autonomy_wanted_h=2.0), found).steps)
    assert ("low mark must be" in steps) is bool(said)
    assert said in steps


def test_offs_without_effect_are_to_be_proven():
    switchings = audits.changed(audits.SWITCHINGS, missing=2, unconfirmed=4000)
    found = evidence(
        marks=Marks(low_percent=55, high_percent=65), switchings=switchings
    )
    steps = " ".join(triage(sound(), found).steps)
    assert "2 of 5,840 switchings had no effect" in steps
    assert "4,000 of 5,840 switchings the effect was not seen" in steps
