"""A choice in words and as a document: what to set, why, what would change it."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import pytest

from support.tuning_cases import candidate, device, outcome, several
from tidegate.tuning.advice import advise
from tidegate.tuning.choice import choose
from tidegate.tuning.constraints import Constraints
from tidegate.tuning.device import Rate
from tidegate.tuning.document import as_document
from tidegate.tuning.infeasible import nearest
from tidegate.wear.finding import LIMITS

EVERY = (9.0, 6.0, 5.0, 11.0)


def advice_of(outcomes, constraints=None, *, made=None, known=True, **more):
    choice = choose(outcomes, constraints or Constraints(), is_present_known=known)
    return advise(choice, made or device(), **more)


def said(texts):
    return " ".join(texts)


def test_a_change_is_said_first_with_numbers_against_now_and_float():
    found = advice_of(several())
    assert found.verdict == (
        "Set wall-guide to a window of 55 to 61 % (now 55 to 65 %); 4 of 4 models say "
        "that it costs less than float."
    )
    why = said(found.reasons)
    assert (
        "Over 3 years from new it costs 4.5 to 8.0 % of the capacity by model, float at "
        "100 % 8.0 to 15.0 %: 4 of 4 say less than float; as it is now 5.0 to 11.0 %"
    ) in why
    # Model by model: 9 - 7.5, 6 - 5.19, 5 - 4.48 and 11 - 8.04.
    assert "model by model: 0.5 to 3.0 points saved" in why
    assert "3.8 ± 0.1 h from the worst hour of the week" in why
    assert "4,000 ± 200 switchings (relay life 25 years)" in why
    assert "average" not in why


def test_a_change_of_dwell_alone_is_named():
    now = outcome(candidate(55, 65), EVERY)
    slower = candidate(55, 65, dwell_on_ms=600_000, dwell_off_ms=600_000)
    found = advice_of([now, outcome(slower, (5.0, 5.0, 4.0, 9.0))])
    assert found.verdict.startswith(
        "Set wall-guide to a window of 55 to 65 % with a dwell of 10min (now 55 to "
        "65 %, dwell 3min); 4 of 4"
    )


def test_what_nothing_beats_is_left():
    found = advice_of([outcome(candidate(55, 65), EVERY)])
    assert found.verdict.startswith("Leave wall-guide at a window of 55 to 65 %")
    assert "more than the models can tell apart" in found.verdict
    assert "as it is now" not in said(found.reasons)


def test_without_known_settings_nothing_is_called_present():
    found = advice_of(several(), known=False, remarks=("No charge window is known.",))
    assert "now" not in found.verdict
    assert "as it is now" not in said(found.reasons)
    assert found.rests_on[-1] == "No charge window is known."


WAYS = "; a hold (relay of kind kernel) or a weaker supply could change that."


@pytest.mark.parametrize(
    ("floats", "ends"),
    [
        ((10, 10, 10, 4), "; 3 of 4 models say that it costs less than float."),
        (
            (10, 10, 4, 4),
            f"; but 2 of 4 models say that it costs more than float{WAYS}",
        ),
        (
            (10, 4, 4, 6.05),
            "; but 2 of 4 models say that it costs more than float and 1 of 4 models "
            f"says that it costs as much as float{WAYS}",
        ),
        (
            (6, 6, 6, 6),
            f"; but 4 of 4 models say that it costs as much as float{WAYS}",
        ),
    ],
)
def test_that_half_of_the_models_speak_for_float_is_said_in_the_verdict(floats, ends):
    """Losses are 6.0 each, 3.0 at rest and 3.6 in a hold."""
    made = [outcome(candidate(55, 65), (6.0,) * 4, floats=floats, efc=300)]
    found = advice_of(made)
    assert found.verdict.endswith(ends)
    why = said(found.reasons)
    assert ("it is the cycling that costs: 300 equivalent" in why) is (
        ends[2:5] == "but"
    )
    assert ("xu2016 6.0 % (float 6.0 %)" in why) is ("as much" in ends)


def test_only_what_was_found_to_help_is_offered_against_float():
    floats = (4.0, 4.0, 4.0, 10.0)
    now = outcome(candidate(55, 65), (6.0,) * 4, floats=floats, efc=300)
    hold = candidate(58, 60, hold_percent=60.0)
    weak = candidate(55, 65, supply_a=0.5)
    fixed = Constraints(is_supply_free=False)

    def ways(held, weaker):
        made = [
            now,
            outcome(hold, (held,) * 4, floats=floats, switchings=0),
            outcome(weak, (weaker,) * 4, floats=floats),
        ]
        return advice_of(made, fixed).verdict.partition("more than float")[2]

    assert ways(3.0, 5.0) == "; a hold (relay of kind kernel) could change that."
    assert ways(5.0, 3.0) == "; a weaker supply could change that."
    assert ways(5.0, 5.0) == "."


def test_against_float_a_high_level_asks_for_less_autonomy():
    """At rest (half of the loss) it is no less than float: no cycling is to blame."""
    floats = (3.0,) * 4
    low = outcome(candidate(30, 40), (1.0,) * 4, floats=floats, autonomy_h=1.0)
    made = [outcome(candidate(55, 65), (6.0,) * 4, floats=floats), low]
    found = advice_of(made)
    assert found.verdict.endswith("; asking for less autonomy could change that.")
    assert "cycling" not in said(found.reasons)
    assert advice_of(made[:1]).verdict.endswith("it costs more than float.")


def test_a_lower_hold_wants_the_device_unplugged_once():
    hold = outcome(candidate(46, 48, hold_percent=48.0), (1.0,) * 4, switchings=0)
    made = [outcome(candidate(55, 65), EVERY), hold]
    asked = Constraints(can_hold=True)
    told = "unplug the device until its charge has fallen to 48 %"
    assert told in said(advice_of(made, asked).reasons)
    assert told not in said(advice_of(made[::-1], asked).reasons), "held already"
    made[0] = outcome(candidate(30, 40), EVERY)
    assert "unplug" not in said(advice_of(made, asked).reasons), "it rises by itself"


def test_a_binding_constraint_says_what_it_costs():
    found = said(advice_of(several()).would_change)
    assert (
        "Without asking for at least 2 h of autonomy in the worst hour of the week: a "
        "window of 40 to 46 %, 3.6 to 7.4 % over 3 years instead of 4.5 to 8.0 %, "
        "autonomy 1.9 h"
    ) in found
    assert "relay life:" not in found, "which excludes none"
    free = said(advice_of(several(), Constraints(autonomy_h=0)).would_change)
    assert "Without asking" not in free


def test_a_constraint_is_blamed_only_for_what_it_keeps_out():
    """By hand, of two models that differ.

    A 10 20, B 20 12: regrets 8 and 10, so A. With C 50 1, which has little autonomy,
    they are 19, 11 and 40, so B, which no constraint keeps out.
    """
    made = [
        outcome(candidate(55, 65), (10.0, 20.0, 5.0, 5.0)),
        outcome(candidate(60, 70), (20.0, 12.0, 5.0, 5.0)),
        outcome(candidate(40, 50), (50.0, 1.0, 5.0, 5.0), autonomy_h=1.0),
    ]
    found = advice_of(made)
    assert found.verdict.startswith("Leave wall-guide at a window of 55 to 65 %")
    assert "Without asking" not in said(found.would_change)
    # Less wear by less than the models tell apart is no reason to ask for less.
    near = outcome(candidate(40, 50), (9.95,) * 4, autonomy_h=1.0, switchings=900)
    found = advice_of([outcome(candidate(55, 65), (10.0,) * 4), near])
    assert "Without asking" not in said(found.would_change)


def test_a_hold_that_was_compared_is_offered_and_else_that_of_the_models():
    hold = candidate(46, 48, hold_percent=48.0)
    with_hold = [*several(), outcome(hold, (2.0,) * 4, switchings=0, efc=0)]
    found = said(advice_of(with_hold).would_change)
    with_relay = "With a relay that can hold a level (kind kernel): a hold at"
    assert f"{with_relay} 48 %, 2.0 %" in found
    assert f"{with_relay} 60 %" not in found
    assert f"{with_relay} 60 % would cost" in said(advice_of(several()).would_change)
    taken = advice_of(with_hold, Constraints(can_hold=True))
    assert "Set wall-guide to a hold at 48 %" in taken.verdict
    assert "0 switchings (relay life over 100 years)" in said(taken.reasons)


def test_a_contact_of_unknown_life_that_is_never_switched_lasts():
    hold = candidate(58, 60, hold_percent=60.0)
    made = [outcome(hold, switchings=0, relay_life_years=None)]
    found = said(advice_of(made, Constraints(can_hold=True)).reasons)
    assert "0 switchings (relay life over 100 years)" in found
    used = [outcome(candidate(55, 65), relay_life_years=None)]
    assert "(relay life not known)" in said(advice_of(used).reasons)


def test_supplies_are_compared_and_named():
    weak = candidate(50, 60, supply_a=0.5)
    none = candidate(50, 60, supply_a=0.2)
    made = [
        outcome(candidate(55, 65), EVERY),
        outcome(weak, (6.0, 5.0, 4.0, 7.0)),
        outcome(none, (5.0, 4.0, 3.0, 6.0), is_carried=False),
    ]
    found = advice_of(made)
    assert "a window of 50 to 60 % on a supply of 0.5 A" in found.verdict
    changes = said(found.would_change)
    assert "On the supply as it is: a window of 55 to 65 %, 5.0 to 11.0 %" in changes
    assert (
        "On a supply of 0.2 A nothing meets the constraints: the only one compared misses "
        "the demand for a supply that outruns the load over the week."
    ) in changes
    fixed = advice_of(made, Constraints(is_supply_free=False))
    assert fixed.verdict.startswith("Leave wall-guide at a window of 55 to 65 %")
    assert "On a supply of 0.5 A: a window of 50 to 60 %" in said(fixed.would_change)


def test_another_supply_is_offered_with_what_would_be_chosen_on_it():
    """Of what no model tells apart the one of fewer switchings, as anywhere."""
    made = [
        outcome(candidate(55, 65), (4.0,) * 4),
        outcome(candidate(55, 65, supply_a=1.0), (6.0,) * 4, switchings=9_000),
        outcome(candidate(50, 60, supply_a=1.0), (5.0,) * 4, switchings=9_000),
        outcome(candidate(50, 62, supply_a=1.0), (5.01,) * 4, switchings=3_000),
    ]
    found = said(advice_of(made).would_change)
    assert "On a supply of 1 A: a window of 50 to 62 %, 5.0 % over 3 years" in found


def test_a_cooler_place_and_a_model_that_disagrees():
    now = outcome(candidate(55, 65), (6.0, 6.0, 6.0, 6.0))
    other = outcome(candidate(30, 40), (5.0, 9.0, 9.0, 9.0), autonomy_h=2.5)
    cool = outcome(candidate(55, 65), (4.0, 4.0, 4.0, 4.5))
    found = said(advice_of([now, other], cooler=[cool]).would_change)
    assert (
        "If the battery were 5 °C cooler: 4.0 to 4.5 % over 3 years instead of 6.0 %."
    ) in found
    assert (
        "By schmalstieg2014 alone it would be a window of 30 to 40 %: 5.0 % instead of "
        "6.0 %."
    ) in found


def test_a_model_that_would_rather_have_the_supply_as_it_is_says_so():
    made = [
        outcome(candidate(55, 65), (5.0, 9.0, 9.0, 9.0)),
        outcome(candidate(55, 65, supply_a=0.5), (6.0, 6.0, 6.0, 6.0)),
    ]
    found = said(advice_of(made).would_change)
    assert (
        "By schmalstieg2014 alone it would be a window of 55 to 65 % on the supply as "
        "it is: 5.0 % instead of 6.0 %."
    ) in found


def test_a_doubt_that_matters_asks_for_more_days():
    sure = advice_of(several())
    assert "more days of log" not in said(sure.would_change)
    near = [replace(each, sigma={"autonomy_h": 0.9}) for each in several()]
    assert "3.8 ± 0.9 h lies within twice its uncertainty" in said(
        advice_of(near).would_change
    )
    vague = device(load_mean=Rate(percent_per_h=5.0, sigma=1.0, hours=6.0), days=1.2)
    assert "1.2 days tell the load only to ± 20 %" in said(
        advice_of(several(), made=vague).would_change
    )


def test_it_says_what_it_rests_on_and_what_was_never_seen():
    made = [outcome(candidate(55, 75), EVERY, beyond=("never charged above 70 %",))]
    found = said(advice_of(made).rests_on)
    assert "without supply the charge falls by 5.2 ± 0.3 points an hour" in found
    assert "6.80 ± 0.15 Ah, measured over swings in the log" in found
    assert "Never charged above 70 %." in found
    assert "Tuesday's mains outage" in found
    bare = device(capacity=None, notes=(), fed_c=(), unfed_c=())
    found = advice_of([outcome(relay_life_years=None)], made=bare)
    assert "Capacity: not known." in found.rests_on
    assert "so relay life excludes nothing" in said(found.rests_on)
    assert "sensor" not in said(found.limits)


def test_limits_name_the_sensor_and_that_models_are_of_other_cells():
    found = advice_of(several()).limits
    assert set(LIMITS) < set(found)
    assert "sensor battery, which is not the cell itself" in said(found)


def test_nothing_feasible_names_the_constraints_and_what_comes_nearest():
    asked = Constraints(autonomy_h=5, relay_life_years=30)
    choice = choose(several(), asked)
    found = advise(choice, device())
    assert found.verdict == (
        "No candidate meets what is asked of wall-guide: all 14 miss the demand for "
        "at least 5 h of autonomy in the worst hour of the week."
    )
    why = said(found.reasons)
    assert re.search(r"\d of 14 miss the demand for at least 30 years of relay", why)
    # (62 - 25) / 8 h of 5, and a contact that lasts.
    assert choice.outcomes[nearest(choice)].candidate == candidate(62, 72)
    assert "Nearest to it comes a window of 62 to 72 %" in why
    assert found.would_change == ()


def test_nothing_feasible_says_where_room_could_be_made():
    every = said(advise(choose(several(), Constraints(autonomy_h=9)), device()).reasons)
    assert "--max-window 95 compares them too" in every
    some = choose(several(), Constraints(autonomy_h=4, relay_life_years=90))
    assert "--max-window" not in said(advise(some, device()).reasons)
    wide = Constraints(autonomy_h=9, max_window_percent=95)
    assert "--max-window" not in said(advise(choose(several(), wide), device()).reasons)
    alone = [outcome(candidate(85, 95), autonomy_h=1.5)]
    asked = Constraints(floor_percent=75)
    found = advise(choose(alone, asked), device())
    assert found.verdict == (
        "No candidate meets what is asked of wall-guide: the only one compared misses "
        "the demand for at least 2 h of autonomy in the worst hour of the week."
    )
    assert "No other window fits between 5 points above the floor (75 %)" in said(
        found.reasons
    )


# --- the document ---------------------------------------------------------------------


def test_the_document_has_the_stable_names():
    choice = choose(several(), Constraints())
    made = device()
    document = as_document(choice, made, advise(choice, made))
    assert json.loads(json.dumps(document, allow_nan=False)) == document
    assert set(document) == {
        "station",
        "days",
        "rests_on",
        "device",
        "constraints",
        "verdict_years",
        "least_loss_percent",
        "excluded",
        "candidates",
        "recommendation",
        "offs",
        "limits",
    }
    assert document["device"]["load_percent_per_h"] == 5.2
    assert document["device"]["load_sigma_percent_per_h"] == 0.3
    assert document["device"]["charge_percent_per_h"] == 14
    assert document["device"]["capacity_ah"] == 6.8
    assert document["device"]["capacity_from"] == "measured"
    assert len(document["device"]["load_by_hour_of_week"]) == 168
    assert document["constraints"]["autonomy_h"] == 2
    now, *others = document["candidates"]
    assert len(others) == 13
    assert now["window"] == {"low_percent": 55, "high_percent": 65}
    assert (now["hold_percent"], now["supply_a"]) == (None, None)
    assert (now["dwell_on_s"], now["dwell_off_s"]) == (180, 180)
    assert [each["years"] for each in now["losses"]] == [1, 3, 5]
    models = {each["name"]: each for each in now["losses"][1]["models"]}
    assert models["xu2016"]["loss_percent"] == 11
    assert models["naumann_lfp"]["counts"] is False
    assert now["losses"][1]["better_than_float"] == {"k": 4, "n": 4}
    for name in (
        "autonomy_h",
        "autonomy_mean_h",
        "recovery_h",
        "switchings_per_year",
        "relay_life_years",
        "efc_per_year",
        "outside_h_per_year",
        "under_h_per_year",
        "largest_regret_percent",
        "beyond",
    ):
        assert name in now
    assert now["is_present"] is True
    (chosen,) = [each for each in others if each["is_recommended"]]
    assert chosen["on_front"] is True
    assert chosen["window"] == document["recommendation"]["candidate"]["window"]
    assert document["recommendation"]["is_change"] is True
    assert document["excluded"] == [{"constraint": "autonomy", "count": 6}]


def test_the_document_tells_models_where_they_matter_and_spans_of_all():
    choice = choose(several(), Constraints())
    made = device()
    document = as_document(choice, made, advise(choice, made))
    told = 0
    for place, each in enumerate(document["candidates"]):
        is_full = each["on_front"] or each["is_present"] or each["is_recommended"]
        told += is_full
        after = {losses["years"]: losses for losses in each["losses"]}[3]
        assert (after["models"] is not None) is is_full
        account = choice.account(place)
        span = (after["least_loss_percent"], after["most_loss_percent"])
        assert span == pytest.approx(account.loss_percent, abs=1e-4)
        if is_full:
            # Recomputed from the document alone.
            least = document["least_loss_percent"]
            regrets = {
                model["name"]: model["loss_percent"] - least[model["name"]]
                for model in after["models"]
                if model["counts"]
            }
            assert max(regrets.values()) == pytest.approx(
                each["largest_regret_percent"], abs=2e-4
            )
    assert 2 <= told < len(document["candidates"])


def test_the_document_of_nothing_feasible_and_of_what_never_ends():
    endless = outcome(
        candidate(58, 60, hold_percent=60.0), switchings=0, autonomy_h=float("inf")
    )
    choice = choose([endless], Constraints(max_window_percent=50))
    made = device(capacity=None)
    document = as_document(choice, made, advise(choice, made))
    json.dumps(document, allow_nan=False)
    (only,) = document["candidates"]
    assert (only["window"], only["hold_percent"]) == (None, 60)
    assert only["autonomy_h"] is only["relay_life_years"] is None
    assert only["excluded_by"] == ["max_window", "hold"]
    assert document["recommendation"]["candidate"] is None
    assert document["least_loss_percent"] is None
    assert document["device"]["capacity_ah"] is None
