"""A failing world is made small: what is left still fails, and all of it is needed."""

from __future__ import annotations

from collections.abc import Callable
from itertools import count
from random import Random
from typing import Any

import pytest

from support.search.plan import Incident, Outcome, Plan, Tally
from support.search.shrink import Shrunk, promise_of, shrunk

HOURS = 24.0


def plan(many: int) -> Plan:
    incidents = tuple(
        Incident(number=n, at_s=n * 1000.0, what="mains out")
        for n in range(1, many + 1)
    )
    return Plan(kind="toy", seed=7, hours=HOURS, incidents=incidents, of=many)


def numbers(of: Plan) -> set[int]:
    return {each.number for each in of.incidents}


def life(breaks: Callable[[set[int], float], str]) -> Callable[[Plan], Outcome]:
    """Return a life in which this is said of the incidents and hours, if anything."""

    def live(lived: Plan) -> Outcome:
        said = breaks(numbers(lived), lived.hours)
        return Outcome(plan=lived, tally=Tally(worlds=1), broken=[said] if said else [])

    return live


def small(many: int, breaks: Callable[[set[int], float], str], **bounds: Any) -> Shrunk:
    live = life(breaks)
    failing = live(plan(many))
    assert failing.broken
    return shrunk(failing, live, **bounds)


def needs(*needed: int) -> Callable[[set[int], float], str]:
    return lambda have, hours: f"{hours} h: off at the floor" * (set(needed) <= have)


@pytest.mark.parametrize(
    "needed", [(), (1,), (40,), (17, 18), (1, 40), (3, 20, 39), tuple(range(1, 41))]
)
def test_what_is_left_is_what_was_needed(needed: tuple[int, ...]) -> None:
    made = small(40, needs(*needed))
    assert made.repeats
    assert numbers(made.least.plan) == set(needed)
    assert not made.least.plan.is_whole
    assert made.least.plan.of == 40


def test_a_few_needed_of_many_take_few_lives() -> None:
    made = small(200, needs(60, 150))
    assert numbers(made.least.plan) == {60, 150}
    assert made.lives <= 100


@pytest.mark.parametrize("seed", range(20))
def test_any_rule_of_breaking_ends_where_no_incident_can_go(seed: int) -> None:
    """Breaking need not grow with the incidents: here dice say what breaks."""
    dice, said = Random(seed), {}

    def breaks(have: set[int], hours: float) -> str:
        key = frozenset(have)
        if key not in said:
            said[key] = len(key) == 12 or dice.random() < 0.3
        return "the log does not verify" * said[key]

    made = small(12, breaks)
    left = numbers(made.least.plan)
    assert said[frozenset(left)]
    assert not any(said.get(frozenset(left - {each})) for each in left)
    # Not only never tried: each was.
    assert all(frozenset(left - {each}) in said for each in left)


def test_an_incident_that_mends_is_left_out() -> None:
    """3 breaks it, 5 mends that, 6 undoes the mending: 3 alone is enough."""
    made = small(
        8,
        lambda have, _: "replay differs" * (3 in have and (5 not in have or 6 in have)),
    )
    assert numbers(made.least.plan) == {3}


def test_another_promise_is_not_taken_for_this_one() -> None:
    def breaks(have: set[int], hours: float) -> str:
        if {2, 3} <= have:
            return f"{hours} h: dwell of 180 s was 20 s"
        return "replay differs" * (2 in have)

    assert numbers(small(6, breaks).least.plan) == {2, 3}


def test_the_same_promise_may_come_second() -> None:
    live = life(needs(4))

    def more(lived: Plan) -> Outcome:
        outcome = live(lived)
        if not lived.is_whole:
            outcome.broken.insert(0, "replay differs")
        return outcome

    failing = more(plan(6))
    assert numbers(shrunk(failing, more).least.plan) == {4}


def test_the_end_comes_forward_to_where_it_breaks() -> None:
    def breaks(have: set[int], hours: float) -> str:
        return f"off for {hours} h" * (7 in have and hours >= 5.3)

    least = small(20, breaks).least
    assert least.plan.hours == pytest.approx(5.3, abs=0.011)
    assert least.plan.hours >= 5.3
    assert least.plan.rerun.endswith(f"SEED=7 HOURS={least.plan.hours} ONLY=7")


def test_what_comes_after_the_end_goes_with_one_life() -> None:
    lives: list[set[int]] = []

    def breaks(have: set[int], hours: float) -> str:
        lives.append(have)
        return "off for long" * (hours >= 1.0 and {1, 2, 3} <= have)

    assert numbers(small(80, breaks).least.plan) == {1, 2, 3}
    # Incidents 4 and later come after the first hour.
    assert {len(have) for have in lives} == {80, 3, 2, 1, 0}


def test_lives_are_bounded_and_the_smallest_so_far_is_kept() -> None:
    made = small(40, needs(1, 40), lives_max=25)
    assert made.lives == 25
    assert {1, 40} <= numbers(made.least.plan)
    assert made.least.plan.hours < HOURS
    assert made.least.broken


def test_time_is_bounded() -> None:
    seconds = count()
    made = small(40, needs(1, 40), seconds_max=10.0, clock=lambda: float(next(seconds)))
    assert made.lives == 9
    assert made.repeats


def test_a_world_that_does_not_break_again_is_left_as_it_was() -> None:
    failing = life(needs())(plan(5))
    made = shrunk(failing, life(lambda have, hours: ""))
    assert (made.repeats, made.lives) == (False, 1)
    assert made.least is failing


def test_a_promise_is_its_sentence_without_numbers() -> None:
    def said(text: str) -> str:
        return promise_of(Outcome(plan=plan(0), tally=Tally(), broken=[text, "other"]))

    assert said("12.5 s of run 2: hall off") == said("3 s of run 14: hall off")
    assert said("3 s of run 1: hall off") != said("3 s of run 1: hall on")
