"""Worlds at random: no promise breaks. A few in each run, the standard search in `check`.

A world that fails here is lived again by the line that the failure shows.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from support.search import told
from support.search.demanded import not_reached
from support.search.kept import KEPT, Kept
from support.search.kinds import ADDRESSES, incidents_at, kind_at
from support.search.lanes import Job, Lane
from support.search.plan import Outcome
from support.search.runner import LIMIT_S, STANDARD, search

# Whole worlds live for days; the first hours of each are what fits here.
FIRST_HOURS = {"whole": 5.0, "core": 24.0}


def lived(job: Job, folder: Path) -> Outcome:
    kind = kind_at(job.address)
    return kind.live(job.drawn(kind), folder)


@pytest.mark.parametrize(
    ("kind", "seed"),
    [("whole", seed) for seed in range(20)] + [("core", seed) for seed in range(5)],
)
def test_a_few_worlds_break_no_promise(kind: str, seed: int, tmp_path: Path) -> None:
    hours = FIRST_HOURS[kind]
    job = Job(address=ADDRESSES[kind], kind=kind, seed=seed, hours=hours)
    outcome = lived(job, tmp_path)
    assert not outcome.broken, told.world(outcome)
    assert outcome.tally.worlds == 1
    assert outcome.tally.device_days > 0
    assert outcome.tally.checks.total() > 0


@pytest.mark.parametrize(
    "kept",
    [
        pytest.param(
            kept,
            id=f"{kept.kind}-{kept.seed}",
            marks=[pytest.mark.slow] if kept.is_slow else [],
        )
        for kept in KEPT
    ],
)
def test_a_world_that_once_failed_does_not_fail_again(
    kept: Kept, tmp_path: Path
) -> None:
    outcome = lived(kept.job(ADDRESSES[kept.kind]), tmp_path)
    assert not outcome.broken, f"{kept.found}\n{told.world(outcome)}"
    # It is still the world that was kept.
    numbers = {each.number for each in outcome.plan.incidents}
    assert kept.only is None or kept.only == numbers


@pytest.mark.slow
def test_a_world_is_its_seeds_alone(tmp_path: Path) -> None:
    """Neither the process nor the worlds before change what comes of a world.

    Two processes also differ in how they order sets of text.
    """
    jobs = [
        Job(address=ADDRESSES[kind], kind=kind, seed=seed, hours=2 * hours)
        for seed in range(5)
        for kind, hours in FIRST_HOURS.items()
    ]
    outcomes: list[list[Outcome]] = []
    for order in (jobs, jobs[::-1]):
        with Lane(tmp_path / f"lane-{len(outcomes)}", limit_s=LIMIT_S) as lane:
            outcomes.append([lane.live(job).outcome for job in order])
    assert outcomes[0] == outcomes[1][::-1]
    assert sum(outcome.tally.switchings for outcome in outcomes[0]) > 20


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_the_standard_search_reaches_all_and_breaks_nothing(
    capsys: pytest.CaptureFixture[str],
) -> None:
    found = search(STANDARD)
    tables = {kind: incidents_at(ADDRESSES[kind]) for kind in STANDARD}
    missing = not_reached(found.tallies, tables)
    text = told.summary(found, missing)
    with capsys.disabled():
        print(f"\n{text}")  # noqa: T201 - this summary is what the run is for
    assert found.broken == 0, text
    assert missing == []
    assert not found.cut_short
    for kind, goal in STANDARD.items():
        assert found.tallies[kind].device_days >= goal.wanted
