"""Verify, replay and audit of the cycle log of a station-year: sizes and times.

The log is written once by the real core and writer (``support.station_year``, where it
is said what is invented about it). Times are of one process on whatever machine this
is, so what is asserted leaves a wide margin.
"""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from table import Figures, Part, at_most

from support import station_year
from tidegate.core.reading import Supply
from tidegate.cyclelog.check import check
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.replay import replay
from tidegate.cyclelog.rows import IntentRow

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]

LOG_GOAL_MB = 12.0
AUDIT_GOAL_S = 3.0
MB = 1e6
# Against a machine that does three other things: no goal, only no nonsense.
PATIENCE = 5.0
EFC_A_DAY = 0.8  # ten points and back every three hours


@pytest.fixture(scope="module")
def year(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("year") / "cycles.db"
    asyncio.run(station_year.write(path))
    return path


def timed(work: Callable[[], Any]) -> tuple[float, Any]:
    began_s = time.perf_counter()
    found = work()
    return time.perf_counter() - began_s, found


# Ends with how long others kept it from a processor, in ns. Source: the kernel's
# Documentation/scheduler/sched-stats.rst, /proc/<pid>/schedstat, the second number.
PROGRAM = """
import sys
from tidegate.cli.main import run
code = run(sys.argv[1:])
with open("/proc/self/schedstat") as times:
    print(times.read().split()[1], file=sys.stderr)
sys.exit(code)
"""


class Ran(NamedTuple):
    """A process that ended: how long it took, with and without the wait for a
    processor, and its answer.
    """

    alone_s: float
    took_s: float
    said: str


def test_its_size(year: Path, figures: Figures) -> None:
    size_mb = year.stat().st_size * 365 / station_year.DAYS / MB
    with Reader(year) as reader:
        rows = list(reader.rows())
    offs = [
        entry
        for entry in rows
        if isinstance(entry.row, IntentRow) and entry.row.supply == Supply.OFF
    ]
    figures.row(Part.AUDIT, "size of the log", size_mb, "MB")
    figures.row(Part.AUDIT, "rows of the log", len(rows), "rows")
    # Eight cycles a day; the goal is for fewer, see test_flash.
    assert len(offs) == pytest.approx(8 * station_year.DAYS, rel=0.15)
    assert size_mb <= 1.34 * LOG_GOAL_MB


def test_verify(year: Path, figures: Figures) -> None:
    def verified() -> object:
        with Reader(year) as reader:
            return check(reader)

    took_s, fault = timed(verified)
    figures.row(Part.AUDIT, "verify", took_s, "s")
    assert fault is None
    assert took_s < 3 * PATIENCE


def test_replay(year: Path, figures: Figures) -> None:
    def replayed() -> Any:
        with Reader(year) as reader:
            return replay(reader.history("lobby"), "lobby")

    took_s, result = timed(replayed)
    figures.row(Part.AUDIT, "replay", took_s, "s")
    assert result.ok, result.first_mismatch
    assert result.unproven == 0
    assert result.switchings > 10 * station_year.DAYS
    assert took_s < 20 * PATIENCE


def test_audit_from_cold(year: Path, tmp_path: Path, figures: Figures) -> None:
    """A new process each time, from its start to the answer."""
    words = ["audit", "lobby", "--log", str(year)]

    def ran(*more: str) -> Ran:
        command = [sys.executable, "-c", PROGRAM, *words, *more]
        began_s = time.perf_counter()
        done = subprocess.run(command, check=True, capture_output=True, text=True)
        took_s = time.perf_counter() - began_s
        waited_s = int(done.stderr.splitlines()[-1]) / 1e9
        return Ran(took_s - waited_s, took_s, done.stdout)

    text = min(ran() for _ in range(2))
    answer = min(ran("--json") for _ in range(2))
    page = ran("--html", str(tmp_path / "lobby.html"))
    for what, done, goal in (
        ("from cold to text", text, at_most(AUDIT_GOAL_S)),
        ("from cold to JSON", answer, at_most(AUDIT_GOAL_S)),
        ("from cold to the page", page, None),
    ):
        figures.row(
            Part.AUDIT,
            what,
            done.alone_s,
            "s",
            beside=("with the wait for a core", done.took_s),
            goal=goal,
        )
    document = json.loads(answer.said)
    assert "lobby" in text.said
    assert document["cycles"]["efc"] == pytest.approx(
        EFC_A_DAY * station_year.DAYS, rel=0.15
    )
    assert document["switchings"]["count"] > 10 * station_year.DAYS
    assert max(text.took_s, answer.took_s) < PATIENCE * AUDIT_GOAL_S
