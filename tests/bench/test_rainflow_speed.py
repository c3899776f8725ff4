"""Rainflow beside the package ``rainflow`` 3.2.0: a million samples, same result.

The series is a walk in whole percents, seed 1, as a list, which suits the package best.
Best times of rounds that take turns in one process, so that a busy machine slows both.
"""

from __future__ import annotations

import json
import os
import subprocess
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import rainflow as package
from environments import environment
from table import Figures, Part, faster

from support.walks import LINGERING, MOVING, percent_walk
from tidegate.wear.rainflow import Rainflow, count

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]

ROOT = Path(__file__).parents[2]
SAMPLES = 1_000_000


def took_s(work: Callable[[], object]) -> float:
    began_s = time.process_time()
    work()
    return time.process_time() - began_s


def streamed(levels: list[int]) -> Rainflow:
    flow = Rainflow()
    flow.extend(levels)
    flow.cycles()
    return flow


def pushed(levels: list[int]) -> Rainflow:
    flow = Rainflow()
    for level in levels:
        flow.push(level)
    return flow


def best_s(levels: list[int]) -> tuple[float, float, float]:
    """Return the best times of the package, of ``extend``, and of a push a sample."""
    rounds = [
        (
            took_s(lambda: package.count_cycles(levels)),
            took_s(lambda: streamed(levels)),
            took_s(lambda: pushed(levels)),
        )
        for _ in range(5)
    ]
    package_s, stream_s, push_s = (min(each) for each in zip(*rounds, strict=True))
    return package_s, stream_s, push_s


def shown(
    figures: Figures,
    what: str,
    value_s: float,
    package_s: float,
    goal: float | None = None,
) -> None:
    figures.row(
        Part.RAINFLOW,
        what,
        1_000 * value_s,
        "ms",
        beside=("package rainflow", 1_000 * package_s),
        goal=None if goal is None else faster(goal),
    )


def test_plain_python_is_twice_as_fast(figures: Figures) -> None:
    levels = percent_walk(SAMPLES, steps=MOVING)
    by_range: dict[float, float] = defaultdict(float)
    for span, _, number in streamed(levels).cycles():
        by_range[span] += number
    assert sorted(by_range.items()) == package.count_cycles(levels)
    theirs = [cycle[:3] for cycle in package.extract_cycles(levels)]
    assert list(count(levels)) == theirs

    package_s, stream_s, push_s = best_s(levels)
    shown(figures, "plain, streaming", stream_s, package_s, goal=2)
    shown(figures, "plain, one push a sample", push_s, package_s)
    package_at_rest_s, at_rest_s, _ = best_s(percent_walk(SAMPLES, steps=LINGERING))
    shown(figures, "plain, a third at rest", at_rest_s, package_at_rest_s)
    assert package_s / stream_s >= 2


@pytest.fixture(scope="module")
def fleet_python(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """An environment with the extra `fleet`: numba is too heavy for every test run."""
    folder = tmp_path_factory.mktemp("fleet")
    with environment(folder, "requirements-bench-fleet.txt") as python:
        yield python


def test_compiled_it_is_twenty_times_as_fast(
    fleet_python: Path, figures: Figures
) -> None:
    """Over an array, compiled before; compiling is told apart."""
    ran = subprocess.run(
        [fleet_python, Path(__file__).with_name("compiled_count.py"), str(SAMPLES)],
        check=True,
        capture_output=True,
        text=True,
        env=os.environ | {"PYTHONPATH": f"{ROOT / 'daemon'}:{ROOT / 'tests'}"},
    )
    told = json.loads(ran.stdout)
    for walk in ("moving", "lingering"):
        assert told[walk]["same"]
        assert told[walk]["cycles"] > SAMPLES / 10
    moving, at_rest = told["moving"], told["lingering"]
    shown(figures, "compiled", moving["array_s"], moving["package_s"], goal=20)
    shown(figures, "compiled, from a list", moving["list_s"], moving["package_s"])
    shown(
        figures, "compiled, a third at rest", at_rest["array_s"], at_rest["package_s"]
    )
    figures.row(Part.RAINFLOW, "compiling it, once", told["compile_s"], "s")
    assert moving["package_s"] / moving["array_s"] >= 20
