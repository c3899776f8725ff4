"""A week of ``tidegate demo``: the real daemon in virtual time, its set-up excluded."""

from __future__ import annotations

import io
import time
from pathlib import Path

import pytest
from table import Figures, Part, at_most

from tidegate import notice
from tidegate.demo import Demo, Outcome
from tidegate.twin.museum import Museum

pytestmark = pytest.mark.slow

DAYS = 7
GOAL_S = 5.0
# Against a machine that does other things too: no goal, only no nonsense.
PATIENCE = 5.0


def waited_s() -> float:
    """Return how long others kept this thread from a processor.

    Source: the kernel's Documentation/scheduler/sched-stats.rst.
    """
    times = Path("/proc/thread-self/schedstat").read_text(encoding="ascii")
    return int(times.split()[1]) / 1e9


def week(log: Path) -> tuple[float, float, Outcome]:
    """Return the seconds without and with the wait for a processor, and the outcome."""
    demo = Demo(Museum(days=DAYS, seed=1), log, progress=lambda _: None)
    before_s, began_s = waited_s(), time.perf_counter()
    outcome = demo.run()
    took_s = time.perf_counter() - began_s
    return took_s - (waited_s() - before_s), took_s, outcome


def test_a_week_of_one_station(tmp_path: Path, figures: Figures) -> None:
    notice.configure(stream=io.StringIO(), level="error")
    rounds = [week(tmp_path / f"{number}.db") for number in range(2)]
    alone_s, took_s, _ = min(rounds, key=lambda each: each[0])
    figures.row(
        Part.DEMO,
        "a week of one station",
        alone_s,
        "s",
        beside=("with the wait for a core", took_s),
        goal=at_most(GOAL_S),
    )
    for _, _, outcome in rounds:
        assert outcome.kept.counted_s > 0.5 * DAYS * 86_400
        assert outcome.told.switchings > 2 * DAYS
    assert took_s < PATIENCE * GOAL_S
