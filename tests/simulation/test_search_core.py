"""The search in worlds of core and twin: it finds nothing, and it can find something."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from support.search.core_incidents import CALENDAR, INCIDENTS, draw
from support.search.core_kind import CORE
from support.search.core_witness import EXCUSES
from support.search.plan import Incident, Outcome, Plan
from tidegate.core import controller, passing, rules, watch
from tidegate.core.effects import Effect, ReadSoon
from tidegate.core.state import State

NOWHERE = Path()
HERE = Path(__file__).resolve().parents[1]


def lived(plan: Plan) -> Outcome:
    return CORE.live(plan, NOWHERE)


def begin_of(seed: int, hours: float) -> Plan:
    """Return a shorter world: its begin, with what happens then."""
    return replace(draw(seed), hours=hours)


@pytest.mark.parametrize("seed", range(3))
def test_the_begin_of_a_world_keeps_every_promise(seed: int) -> None:
    outcome = lived(begin_of(seed, 12.0))

    assert outcome.broken == []
    assert outcome.tally.worlds == 1
    assert outcome.tally.device_days == 0.5
    assert outcome.tally.checks[3] >= 1


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(100, 130))
def test_whole_worlds_keep_every_promise(seed: int) -> None:
    assert lived(draw(seed)).broken == []


# --- it can find something ------------------------------------------------------------


def no_floor(state: State, reading: object) -> State:
    return state


def no_dwell(state: State) -> int:
    return 0


def never_lost(state: State, known: object, now_ms: int) -> State:
    return state


def never_over(state: State, now_ms: int) -> bool:
    return False


def ever_free(state: State) -> bool:
    return True


def never_again(state: State, *, fresh: bool) -> tuple[State, None]:
    return state, None


def no_last_on(state: State) -> tuple[State, tuple[Effect, ...]]:
    return state, ()


# The first one is where a stranger leaves a hungry device without supply.
SEEDS = (16, 0, 1, 2, 3)


def happening(what: str, seed: int) -> Plan:
    """Return half a day in which this happens four times, for two hours each."""
    incidents = tuple(
        Incident(number=n, at_s=3 * 3600.0 * n + 3600, what=what, lasts_s=7200, dice=n)
        for n in range(4 if what else 0)
    )
    return Plan(
        kind="core", seed=seed, hours=12.0, incidents=incidents, of=len(incidents)
    )


@pytest.mark.parametrize(
    ("module", "name", "broken", "what", "found"),
    [
        (watch, "_floor_enters", no_floor, "override off", "the supply stayed off"),
        (controller, "dwell_ends_ms", no_dwell, "", "inside the dwell"),
        (passing, "_gauge_latch", never_lost, "gauge lost", "off and blind"),
        (rules, "coast_is_over", never_over, "", "off and blind"),
        (rules, "budget_is_free", ever_free, "", "half of the day is used"),
        (
            controller,
            "repeat",
            never_again,
            "relay moved by a stranger",
            "nothing kept it down",
        ),
        (controller, "_stop", no_last_on, "", "the supply is not on"),
    ],
)
def test_a_core_that_breaks_a_promise_is_found(
    monkeypatch: pytest.MonkeyPatch,
    module: Any,
    name: str,
    broken: Callable[..., object],
    what: str,
    found: str,
) -> None:
    """In one of the first worlds, where the core as it is breaks nothing."""
    monkeypatch.setattr(module, name, broken)
    plan = next(
        plan
        for seed in SEEDS
        for plan in [happening(what, seed)]
        if any(found in sentence for sentence in lived(plan).broken)
    )

    monkeypatch.undo()

    assert lived(plan).broken == []


def test_a_core_that_remembers_beside_its_state_is_found(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The events are told again in some worlds; they must bring the same."""
    seed = next(
        seed for seed in range(99) if lived(begin_of(seed, 0.1)).tally.checks[6]
    )
    asked = 0

    def moody(before: State, state: State) -> tuple[Effect, ...]:
        nonlocal asked
        asked += 1
        return (ReadSoon(at_ms=state.quiet.now_ms + 3_600_000 + asked),)

    monkeypatch.setattr(controller, "read_soon", moody)

    assert any("told again" in each for each in lived(begin_of(seed, 2.0)).broken)


# --- a world is its seed --------------------------------------------------------------


def test_a_world_is_the_same_in_another_process() -> None:
    """Whatever the seed of the hashes there."""
    program = (
        "from pathlib import Path; from dataclasses import replace\n"
        "from support.search.core_kind import CORE\n"
        "outcome = CORE.live(replace(CORE.draw(5), hours=6.0), Path())\n"
        "print(outcome.tally, outcome.broken)"
    )
    told = subprocess.run(
        [sys.executable, "-c", program],
        env={**os.environ, "PYTHONHASHSEED": "7", "PYTHONPATH": str(HERE)},
        check=True,
        capture_output=True,
        text=True,
    ).stdout

    outcome = lived(begin_of(5, 6.0))
    assert told == f"{outcome.tally} {outcome.broken}\n"


def test_leaving_out_incidents_moves_no_other() -> None:
    plan = next(plan for seed in range(99) if len((plan := draw(seed)).incidents) > 8)
    numbers = {each.number for each in plan.incidents[::3]}

    less = plan.only(numbers, hours=1.0)

    assert set(less.incidents) == set(plan.incidents[::3])
    assert [str(each.random.random()) for each in less.incidents] == [
        str(each.random.random()) for each in plan.incidents[::3]
    ]
    assert not lived(less).tally.incidents["nothing of the kind"]


def test_each_incident_has_a_begin_or_stands_in_the_twins_calendar() -> None:
    silent = {name for name, doing in INCIDENTS.items() if doing.begin is None}

    assert silent == set(CALENDAR)
    assert set(INCIDENTS) >= EXCUSES
