"""Rainflow beside the package ``rainflow`` 3.2.0: a million samples, same result.

The series is a walk in whole percents, seed 1, as a list, which suits the package best.
Best times of rounds that take turns in one process, so that a busy machine slows both.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import rainflow as package

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


def ratios(levels: list[int]) -> tuple[float, float]:
    rounds = [
        (
            took_s(lambda: package.count_cycles(levels)),
            took_s(lambda: streamed(levels)),
            took_s(lambda: pushed(levels)),
        )
        for _ in range(5)
    ]
    package_s, stream_s, push_s = (min(each) for each in zip(*rounds, strict=True))
    return package_s / stream_s, package_s / push_s


def test_plain_python_is_twice_as_fast(capsys: pytest.CaptureFixture[str]) -> None:
    levels = percent_walk(SAMPLES, steps=MOVING)
    by_range: dict[float, float] = defaultdict(float)
    for span, _, number in streamed(levels).cycles():
        by_range[span] += number
    assert sorted(by_range.items()) == package.count_cycles(levels)
    theirs = [cycle[:3] for cycle in package.extract_cycles(levels)]
    assert list(count(levels)) == theirs

    stream, push = ratios(levels)
    lingering, _ = ratios(percent_walk(SAMPLES, steps=LINGERING))
    with capsys.disabled():
        print(  # noqa: T201
            f"\nrainflow package / extend = {stream:.2f} (a third of the samples at "
            f"rest: {lingering:.2f}); / one push a sample = {push:.2f}"
        )
    assert stream >= 2


@pytest.fixture(scope="module")
def fleet_python(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """An environment with the extra `fleet`: numba is too heavy for every test run."""
    folder = tmp_path_factory.mktemp("fleet")
    python = folder / "bin" / "python"
    pins = ROOT / "packaging" / "requirements-bench-fleet.txt"
    pip = [python, "-m", "pip", "--disable-pip-version-check", "--no-cache-dir"]
    subprocess.run([sys.executable, "-m", "venv", folder], check=True)
    subprocess.run([*pip, "install", "-qq", "--require-hashes", "-r", pins], check=True)
    yield python
    shutil.rmtree(folder)


def test_compiled_it_is_twenty_times_as_fast(
    fleet_python: Path, capsys: pytest.CaptureFixture[str]
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
    ratio = {
        (walk, form): told[walk]["package_s"] / told[walk][form]
        for walk in ("moving", "lingering")
        for form in ("array_s", "list_s")
    }
    with capsys.disabled():
        print(  # noqa: T201
            f"\nrainflow package / compiled = {ratio['moving', 'array_s']:.0f} (a third "
            f"of the samples at rest: {ratio['lingering', 'array_s']:.0f}; from a list: "
            f"{ratio['moving', 'list_s']:.0f}); compiling once: "
            f"{told['compile_s']:.1f} s"
        )
    assert ratio["moving", "array_s"] >= 20
