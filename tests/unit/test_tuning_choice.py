"""What is recommended: constraints, regret, the front, what stays as it is.

Source of minimax regret: L. J. Savage, "The theory of statistical decision", J. Am.
Stat. Assoc. 46 (1951), 55-67, from memory; the tables here are worked out by hand.
"""

from __future__ import annotations

from itertools import pairwise

import pytest

from support.tuning_cases import candidate, outcome, several
from tidegate.tuning.choice import ROWS_MOST, choose
from tidegate.tuning.constraints import Constraints, Rule

FREE = Constraints(autonomy_h=0, relay_life_years=0, max_window_percent=95)


def test_minimax_regret_of_a_table_worked_by_hand():
    """Rows are candidates, columns models; smallest of each column: 4, 4, 5.

    A  4 9 6   regrets 0 5 1   largest 5
    B  6 6 7           2 2 2           2   <- smallest
    C  9 4 5           5 0 0           5
    D  7 7 8           3 3 3           3

    The mean would have taken C (18 against 19, 19 and 22 points).
    """
    table = [(4.0, 9.0, 6.0), (6.0, 6.0, 7.0), (9.0, 4.0, 5.0), (7.0, 7.0, 8.0)]
    made = [
        outcome(candidate(30 + 5 * place, 50 + 5 * place), losses)
        for place, losses in enumerate(table)
    ]
    found = choose(made, FREE, is_present_known=False)
    assert [found.regret(place)[0] for place in range(4)] == pytest.approx([5, 2, 5, 3])
    assert found.recommended == found.best == 1
    assert [tuple(each.values()) for each in found.regrets] == [
        (0, 5, 1),
        (2, 2, 2),
        (5, 0, 0),
        (3, 3, 3),
    ]


def test_an_infeasible_candidate_sets_no_standard():
    """What cannot be had is not regretted."""
    made = [
        outcome(candidate(55, 65), (5.0, 5.0, 5.0, 5.0)),
        outcome(candidate(30, 40), (1.0, 1.0, 1.0, 1.0), autonomy_h=0.5),
    ]
    found = choose(made, Constraints(autonomy_h=2))
    assert found.broken == ((), (Rule.AUTONOMY,))
    assert found.regret(0)[0] == 0
    assert found.regret(1)[0] == -4
    assert found.recommended == 0


@pytest.mark.parametrize(
    ("it", "changed", "rule"),
    [
        (candidate(55, 65), {"autonomy_h": 1.99}, Rule.AUTONOMY),
        (candidate(55, 65), {"relay_life_years": 9.9}, Rule.RELAY_LIFE),
        (candidate(55, 81), {}, Rule.MAX_WINDOW),
        (candidate(55, 65), {"is_carried": False}, Rule.CARRIED),
        (candidate(55, 65), {"lowest_percent": 24.9}, Rule.FLOOR_WHILE_FED),
        (candidate(55, 56), {}, Rule.MARKS),
        (candidate(29, 50), {}, Rule.ABOVE_FLOOR),
        (candidate(55, 65), {"switchings": 48.01 * 365}, Rule.BUDGET),
        (candidate(58, 60, hold_percent=60.0), {}, Rule.HOLD),
        (candidate(55, 65, supply_a=0.5), {}, Rule.SUPPLY),
    ],
)
def test_each_rule_excludes_alone(it, changed, rule):
    asked = Constraints(autonomy_h=2, relay_life_years=10, is_supply_free=False)
    changed = {"relay_life_years": None, **changed}
    made = [outcome(it, **changed)]
    found = choose(made, asked)
    assert found.broken == ((rule,),)
    assert found.recommended is None
    assert choose(made, asked.without(rule)).recommended == 0


def test_the_edges_of_the_rules_are_allowed():
    asked = Constraints(autonomy_h=2, relay_life_years=10, can_hold=True)
    made = [
        outcome(candidate(30, 32), autonomy_h=2.0, relay_life_years=10.0),
        outcome(candidate(60, 80), switchings=48 * 365.0, relay_life_years=None),
        outcome(candidate(58, 60, hold_percent=60.0), switchings=0.0),
        outcome(candidate(55, 65, supply_a=0.5), lowest_percent=25.0),
    ]
    assert choose(made, asked).feasible == (0, 1, 2, 3)


def test_a_battery_that_is_empty_while_fed_is_never_allowed():
    made = [outcome(candidate(55, 65), lowest_percent=each) for each in (0.0, 0.1)]
    assert choose(made, Constraints(floor_percent=0)).broken == (
        (Rule.FLOOR_WHILE_FED,),
        (),
    )


def test_the_budget_of_the_hour_binds_as_that_of_the_day():
    asked = Constraints(per_hour=1, per_day=48)
    made = [
        outcome(switchings=365 * count, relay_life_years=None) for count in (24, 25)
    ]
    assert choose(made, asked).broken == ((), (Rule.BUDGET,))


def test_the_high_mark_of_the_settings_binds_whatever_is_asked():
    made = [outcome(candidate(60, 96))]
    assert choose(made, Constraints(max_window_percent=99)).broken == ((Rule.MARKS,),)


def test_equal_losses_are_decided_by_switchings_then_autonomy_then_nearness():
    equal = (5.0, 5.0, 5.0, 5.0)
    made = [
        outcome(candidate(55, 65), (9.0, 9.0, 9.0, 9.0)),
        outcome(candidate(40, 50), equal, switchings=900, autonomy_h=2.5),
        outcome(candidate(45, 55), equal, switchings=800, autonomy_h=2.5),
        outcome(candidate(50, 60), equal, switchings=800, autonomy_h=3.5),
        outcome(candidate(56, 66), equal, switchings=800, autonomy_h=3.5),
    ]
    assert choose(made, Constraints()).recommended == 4
    assert choose(made[:4], Constraints()).recommended == 3
    assert choose(made[:3], Constraints()).recommended == 2


def test_switchings_within_a_twentieth_are_as_few():
    """1,050 is 5 % more than 1,000, 1,051 more than that; no dwell is changed for it."""
    far = candidate(40, 50, dwell_on_ms=1_800_000, dwell_off_ms=1_800_000)

    def best(switchings, autonomy_h=3.0):
        made = [
            outcome(candidate(55, 65), (9.0,) * 4),
            outcome(far, (5.0,) * 4, switchings=1_000, autonomy_h=autonomy_h),
            outcome(candidate(40, 50), (4.99,) * 4, switchings=switchings),
        ]
        found = choose(made, Constraints())
        assert found.front == found.equals == (1, 2)
        return found.best

    assert best(1_050) == 2
    assert best(1_051) == 1
    assert best(1_050, autonomy_h=3.1) == 1, "more autonomy counts before nearness"


@pytest.mark.parametrize(
    ("least_percent", "near_percent", "far_percent"),
    # Half a point, and of a large loss a hundredth of it, as ``wear.account`` tells.
    [(10.0, 10.5, 10.51), (80.0, 80.8, 80.9)],
)
def test_what_no_model_can_tell_is_the_same(least_percent, near_percent, far_percent):
    least = outcome(candidate(40, 50), (least_percent,) * 4, switchings=4_000)
    near = outcome(candidate(40, 60), (near_percent,) * 4, switchings=2_000)
    far = outcome(candidate(40, 70), (far_percent,) * 4, switchings=1_000)
    now = outcome(candidate(55, 65), (90.0,) * 4)
    found = choose([now, least, near, far], Constraints())
    assert found.equals == (1, 2)
    assert found.recommended == 2


def test_what_another_beats_by_every_model_is_no_equal():
    """Regrets by hand, of a table whose least are 4, 4 and 5.

    now    6 6 7     2 2 2
    other  6 6 5.2   2 2 0.2, by no model more and by one 1.8 less
    """
    table = [(6.0, 6.0, 7.0), (6.0, 6.0, 5.2), (4.0, 9.0, 6.0), (9.0, 4.0, 5.0)]

    def found(*, other):
        rows = [table[0], other, *table[2:]]
        made = [
            outcome(candidate(30 + 5 * place, 50 + 5 * place), losses)
            for place, losses in enumerate(rows)
        ]
        # More switchings and less autonomy are no cost by any model.
        made[1] = outcome(made[1].candidate, other, switchings=4_000, autonomy_h=2.5)
        return choose(made, FREE)

    beaten = found(other=table[1])
    assert beaten.regret(0)[0] == beaten.regret(1)[0] == pytest.approx(2)
    assert beaten.equals == (1,)
    assert beaten.recommended == 1
    assert found(other=(6.0, 6.0, 6.55)).recommended == 0, "less than can be told"
    assert found(other=(6.0, 6.01, 5.2)).recommended == 0, "by one model it costs more"


def test_present_settings_among_the_equals_are_left():
    now = outcome(candidate(55, 65), (10.05,) * 4, switchings=4_000)
    other = outcome(candidate(40, 60), (10.0,) * 4, switchings=2_000)
    found = choose([now, other], Constraints())
    assert (found.best, found.recommended, found.is_change) == (1, 0, False)
    unknown = choose([now, other], Constraints(), is_present_known=False)
    assert (unknown.recommended, unknown.present) == (1, None)
    assert unknown.is_change


def test_a_known_front():
    """Regret, lost autonomy and switchings: what another has no worse is beaten."""
    rows = [
        # loss of all models, autonomy, switchings, on the front
        (8.0, 3.0, 900, False),  # the last one beats it
        (5.0, 2.0, 4_000, True),  # least regret
        (6.0, 4.0, 4_000, True),
        (6.0, 4.0, 4_500, False),
        (7.0, 2.0, 500, True),
        (7.5, 2.0, 500, False),
        (8.0, 6.0, 900, True),
    ]
    made = [
        outcome(
            candidate(40 + place, 60 + place), (loss,) * 4, autonomy_h=h, switchings=n
        )
        for place, (loss, h, n, _) in enumerate(rows)
    ]
    found = choose(made, Constraints())
    assert [place in found.front for place in range(len(rows))] == [
        is_on for *_, is_on in rows
    ]


def test_of_equal_candidates_the_nearest_stands_on_the_front():
    made = [
        outcome(candidate(55, 65), (9.0,) * 4),
        outcome(candidate(30, 40), (5.0,) * 4),
        outcome(candidate(50, 60), (5.0,) * 4),
        outcome(candidate(45, 55), (5.0,) * 4),
    ]
    assert choose(made, Constraints()).front == (2,)


def test_the_table_keeps_present_and_recommended_and_the_ends():
    many = [
        outcome(
            candidate(30 + place / 4, 60 + place / 4),
            (5.0 + place / 10,) * 4,
            autonomy_h=2.0 + place,
            switchings=1_000.0 + place,
        )
        for place in range(60)
    ]
    beaten = outcome(candidate(55, 65), (50.0,) * 4, switchings=9_000)
    found = choose([beaten, *many], Constraints())
    rows = found.rows()
    assert len(found.front) == 60
    assert len(rows) == len(set(rows)) == ROWS_MOST
    assert {found.present, found.recommended, 1, 60} <= set(rows)
    lows = [found.outcomes[row].candidate.low_percent for row in rows]
    assert lows == sorted(lows)
    # Evenly: no two neighbours of the front lie much farther apart than the others.
    places = sorted(row for row in rows if row)
    steps = [after - before for before, after in pairwise(places)]
    assert max(steps) <= 3 * min(steps)


def test_without_a_feasible_candidate_only_the_present_one_is_in_the_table():
    found = choose(several(), Constraints(autonomy_h=50))
    assert (found.feasible, found.regrets, found.best) == ((), (), None)
    assert found.rows() == (0,)


def test_endless_autonomy_does_not_spoil_the_table():
    hours = [3.0, 4.0, 6.0, float("inf"), 2.0]
    made = [
        outcome(candidate(40 + place, 60), (5.0 + place,) * 4, autonomy_h=each)
        for place, each in enumerate(hours)
    ]
    found = choose(made, Constraints())
    assert found.rows() == found.front == (0, 1, 2, 3)
    assert found.rows(3) == (0, 2, 3)


def test_other_years_may_decide():
    """The losses of a case grow with the root of time, so the regrets shrink too."""
    made = [
        outcome(candidate(55, 65), (9.0, 6.0, 5.0, 11.0)),
        outcome(candidate(40, 50), (6.0, 6.0, 5.0, 9.0)),
    ]
    assert choose(made, FREE, years=1).regret(0)[0] == pytest.approx(3 / 3**0.5)
