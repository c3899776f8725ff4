"""What 400 candidates over a year cost, beside the same year in steps of a minute.

The steps are those of ``support.stepped_tune``, written apart, and must agree. They
count nothing but path and switchings; the walk beside them counts levels and
temperatures too, and the losses of all models for 1, 3 and 5 years are in its time.
"""

from __future__ import annotations

import time

import pytest
from table import Figures, Part, at_most, faster

from support.stepped_tune import Rules, stepped
from support.tuned_device import candidate, device, museum_load, policy
from tidegate.tuning.candidates import grid
from tidegate.tuning.compare import compare

pytestmark = pytest.mark.slow

CANDIDATES = 400
GOAL_S = 2.0
# Against a machine that does other things too: no goal, only no nonsense.
PATIENCE = 5.0
STEP_S = 60.0
WEEKS = 52
LOAD = museum_load()
RISE = [min(18.0, 22.0 - each) for each in LOAD]
LATE_H = STEP_S / 2 / 3600


def site_device() -> object:
    """A mark is found half a minute late in the mean, as by the steps."""
    return device(
        LOAD,
        RISE,
        delay_h=LATE_H,
        swing_extra_percent=LATE_H * (sum(LOAD) + sum(RISE)) / 168,
        fed_c=tuple(26.5 + 3 * (10 <= hour % 24 < 18) for hour in range(168)),
        unfed_c=tuple(24.5 + 3 * (10 <= hour % 24 < 18) for hour in range(168)),
    )


def test_four_hundred_candidates_over_a_year(figures: Figures) -> None:
    known, rules = site_device(), policy(50, 60)
    ways = grid(rules, supplies_a=(), can_hold=True)
    dwells = (2, 5, 7, 15, 20, 25)
    for minutes in dwells:
        ways += [
            candidate(
                each.low_percent,
                each.high_percent,
                dwell_on_ms=60_000 * minutes,
                dwell_off_ms=60_000 * minutes,
            )
            for each in ways[1:53]
        ]
    ways = list(dict.fromkeys(ways))[:CANDIDATES]
    assert len(ways) == CANDIDATES
    rounds = []
    for _ in range(2):
        began_s = time.process_time()
        outcomes = compare(known, rules, ways, can_hold=True)
        rounds.append(time.process_time() - began_s)
    took_s = min(rounds)
    began_s = time.process_time()
    truth = stepped(LOAD, RISE, Rules(low=50, high=60), weeks=WEEKS, step_s=STEP_S)
    stepped_s = time.process_time() - began_s
    assert outcomes[0].efc_per_year == pytest.approx(truth.efc_per_year, rel=0.01)
    assert outcomes[0].switchings_per_year == pytest.approx(
        truth.switchings_per_year, rel=0.015
    )
    figures.row(
        Part.BESIDE,
        "tune: 400 candidates over a year, all losses",
        took_s,
        "s",
        goal=at_most(GOAL_S),
        why="processor time; another thread of the core takes its share",
    )
    figures.row(
        Part.BESIDE,
        "tune: a year of one candidate, its losses too",
        took_s / CANDIDATES,
        "s",
        beside=("the year in minutes, no losses", stepped_s),
        goal=faster(20),
    )
    assert took_s < PATIENCE * GOAL_S
    assert took_s / CANDIDATES < stepped_s / 10
