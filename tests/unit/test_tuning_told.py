"""What is told of weak supplies, temperatures, unknown hours, plans and contacts.

All numbers are invented.
"""

from __future__ import annotations

from dataclasses import replace
from math import inf

import pytest

from support.tuning_cases import candidate, device, outcome, several
from tidegate.cli.tune_text import lines
from tidegate.core.policy import Marks, Policy
from tidegate.report.tune_page import page
from tidegate.tuning import said
from tidegate.tuning.advice import advise
from tidegate.tuning.choice import choose
from tidegate.tuning.constraints import Constraints, Worst
from tidegate.tuning.document import as_document

POLICY = Policy(marks=Marks(low_percent=55, high_percent=65))
NOW = candidate(55, 65)


class Told:
    """A choice as text, as document and as page, each as one string or mapping."""

    def __init__(self, outcomes, asked=None, made=None, **more):
        made = made or device()
        self.choice = choose(outcomes, asked or Constraints())
        self.advice = advise(self.choice, made, **more)
        self.lines = list(lines(self.choice, made, self.advice))
        self.text = " ".join(" ".join(self.lines).split())
        self.json = as_document(self.choice, made, self.advice)
        self.page = page(self.choice, made, self.advice, POLICY).replace("\xa0", " ")
        assert max(map(len, self.lines)) <= 79


def everywhere(words, told):
    return words in told.text and words in told.page and words in str(told.json)


# --- under the floor, outside of the window -------------------------------------------


def test_a_charge_under_the_floor_while_fed_is_said_with_what_to_do():
    weak = outcome(NOW, lowest_percent=12.5, under_h=5_476.0)
    told = Told([weak, outcome(candidate(60, 70))])
    demand = "a charge that stays above the floor (25 %) while the supply is on"
    assert everywhere(f"As it is now it misses the demand for {demand}.", told)
    assert everywhere("a stronger supply, less load in those hours, or", told)
    assert "misses floor while fed, 5,476 h a year under its window" in told.text
    assert "misses floor while fed" in told.page
    assert told.json["candidates"][0]["excluded_by"] == ["floor_while_fed"]
    assert told.json["candidates"][0]["lowest_fed_percent"] == 12.5
    sure = Told([outcome(NOW, lowest_percent=54.9)])
    assert "less load in those hours" not in sure.text


def test_where_all_fall_under_the_floor_the_verdict_says_so():
    weak = [outcome(each, lowest_percent=12.5) for each in (NOW, candidate(60, 70))]
    told = Told(weak)
    assert told.advice.verdict.endswith(
        "all 2 miss the demand for a charge that stays above the floor (25 %) while "
        "the supply is on."
    )
    assert "a stronger supply, less load in those hours" in told.text
    short = Told(weak, Constraints(autonomy_h=9))
    assert short.advice.verdict.endswith(
        "in the worst hour of the week, and 2 may fall under the floor with the supply "
        "on."
    )


def test_a_weak_supply_among_others_says_why_not():
    weak = outcome(candidate(50, 60, supply_a=0.5), lowest_percent=12.5)
    told = Told([outcome(NOW), weak])
    assert (
        "On a supply of 0.5 A nothing meets the constraints: the only one compared "
        "misses the demand for a charge that stays above the floor (25 %) while the "
        "supply is on."
    ) in told.text


def test_no_weaker_supply_is_offered_where_the_load_outruns_it_already():
    """Cycling costs here (6.0 of which 3.0 at rest, float 4.0), and 300 EFC are many."""
    floats = (4.0,) * 4
    for lowest, is_offered in ((None, True), (54.8, True), (41.0, False)):
        now = outcome(NOW, (6.0,) * 4, floats=floats, efc=300, lowest_percent=lowest)
        told = Told([now])
        assert ("weaker supply could change" in told.text) is is_offered
        assert ("A weaker supply, just above the load" in told.text) is is_offered
        assert "a hold (relay of kind kernel)" in told.text


def test_autonomy_is_said_from_where_it_begins():
    low = Told([outcome(NOW, lowest_percent=41.2)])
    assert everywhere("Autonomy from 41 %, to which it may fall under the low", low)
    for near in (None, 54.8):
        told = Told([outcome(NOW, lowest_percent=near)])
        assert "Autonomy from the low mark down to the floor" in told.text


def test_hours_outside_of_the_window_are_told():
    told = Told([outcome(NOW, outside_h=2_000.0, under_h=437.0)])
    assert everywhere("Of a year 2,000 h lie above the window and 437 h under it", told)
    assert "above it the dwell, the budget or rule 4 keep the supply on" in told.text
    assert "keeps the supply off" not in told.text
    assert "2,000 h a year above its window" in told.text
    assert "437 h a year under" not in told.text
    assert "settings, 2,000 h a year above its window)" in told.page
    assert told.json["candidates"][0]["outside_h_per_year"] == 2_000
    other = Told(
        [outcome(NOW, under_h=438.0), outcome(candidate(45, 55), (1.0,) * 4)],
    )
    assert "12 h lie above the window and 30 h under it (now 12 and 438 h)" in (
        other.text
    )


# --- temperatures ---------------------------------------------------------------------


def test_temperatures_are_told_with_their_sensor():
    words = "mean 27.0 °C, 21 to 33 °C, sensor battery"
    told = Told([outcome(NOW)], made=device(held_c=(26.0,) * 168))
    assert everywhere(f"Temperature: {words}.", told)
    assert f"temperature {words}" in told.text
    assert ">26 to 26 °C<" in told.page
    assert "temperature sensor" in told.page
    first = told.json["candidates"][0]
    assert first["temperature_mean_c"] == 27
    assert (first["temperature_lowest_c"], first["temperature_highest_c"]) == (21, 33)
    assert told.json["device"]["temperature_assumed_c"] is None
    assert told.json["device"]["held_c_by_hour_of_week"] == [26.0] * 168


def test_a_temperature_that_was_assumed_is_said_so():
    losses = {
        years: replace(each, mean_c=None, lowest_c=None, highest_c=None)
        for years, each in outcome(NOW).losses.items()
    }
    bare = device(fed_c=(), unfed_c=(), sensor=None)
    told = Told([replace(outcome(NOW), losses=losses)], made=bare)
    assert everywhere("Temperature: none was read, 25 °C was assumed.", told)
    assert ">none was read, 25 °C was assumed<" in told.page
    assert told.json["device"]["temperature_assumed_c"] == 25
    assert told.json["candidates"][0]["temperature_mean_c"] is None


# --- hours that are not known ---------------------------------------------------------


@pytest.mark.parametrize(
    ("steepest", "worst", "demand", "sentence"),
    [
        (
            6.0,
            "steepest_seen",
            "2 h of autonomy at the steepest load seen",
            "3.0 ± 0.1 h at the steepest load seen over an hour, 4.2 h in the mean",
        ),
        (
            None,
            "not_known",
            "2 h of autonomy in the mean, worst hour not known",
            "down to the floor: 4.2 h in the mean",
        ),
    ],
)
def test_no_worst_hour_is_claimed_where_none_is_known(
    steepest, worst, demand, sentence
):
    made = device(is_calendar=False, steepest_percent_per_h=steepest)
    told = Told([outcome(NOW)], Constraints(worst=Worst.of(made)), made)
    assert everywhere("The worst hour of the week is not known", told)
    assert everywhere(sentence, told)
    assert f"at least {demand}" in told.text
    assert f"at least {demand}" in told.page
    assert "in the worst hour" not in told.text
    assert "in the worst hour" not in told.page
    assert f"autonomy {said.WORST[Worst.of(made)]}</text>" in told.page
    assert told.json["constraints"]["autonomy_worst"] == worst
    assert told.json["device"]["steepest_load_percent_per_h"] == steepest
    assert told.json["device"]["is_hour_of_week_known"] is False


def test_the_worst_hour_is_claimed_where_it_is_known():
    told = Told([outcome(NOW)])
    assert told.json["constraints"]["autonomy_worst"] == "hour_of_week"
    assert "autonomy in the worst hour of the week</text>" in told.page
    assert "is not known: autonomy" not in told.text


# --- the rest -------------------------------------------------------------------------


def test_what_never_comes_back_is_told_as_never():
    dark = outcome(NOW, recovery_h=inf, is_carried=False)
    assert said.recovery(dark) == "never"
    assert said.recovery(outcome(NOW, recovery_h=9_000.0)) == "over 1,000 h"
    told = Told([dark, *several()[1:]])
    assert everywhere("(now 3.0 h, 4.2 h and never)", told) is True
    assert ">never<" in told.page


def test_a_contact_of_unknown_life_is_told_only_where_it_is_used():
    unknown = "How many operations the contact lasts is not in the settings"
    held = outcome(
        candidate(58, 60, hold_percent=60.0), switchings=0, relay_life_years=None
    )
    assert unknown not in Told([held], Constraints(can_hold=True)).text
    assert unknown in Told([outcome(NOW, relay_life_years=None), held]).text


def test_plans_are_told_to_be_in_no_number():
    plans = "Planned rises and relearns of this station are in no number here"
    told = Told(several(), has_plans=True)
    assert everywhere(plans, told)
    assert told.json["limits"][0].startswith(plans)
    assert plans not in Told(several()).text
