"""Verify, replay and audit of the cycle log of a station-year: sizes and times.

The log is written once by the real core and writer (``support.station_year``, where it
is said what is invented about it). Times are of one process on whatever machine this
is, so what is asserted leaves a wide margin; ``-s`` prints what was measured.
"""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

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


def shown(capsys: pytest.CaptureFixture[str], text: str) -> None:
    with capsys.disabled():
        print(f"\n{text}", end="")  # noqa: T201 - the figures are what a bench is for


def test_its_size(year: Path, capsys: pytest.CaptureFixture[str]) -> None:
    size_mb = year.stat().st_size * 365 / station_year.DAYS / MB
    with Reader(year) as reader:
        rows = list(reader.rows())
    offs = [
        entry
        for entry in rows
        if isinstance(entry.row, IntentRow) and entry.row.supply == Supply.OFF
    ]
    shown(
        capsys,
        f"a station-year: {size_mb:.1f} MB (goal {LOG_GOAL_MB:g}), {len(rows)} rows",
    )
    # Eight cycles a day; the goal is for fewer, see test_flash.
    assert len(offs) == pytest.approx(8 * station_year.DAYS, rel=0.15)
    assert size_mb <= 1.34 * LOG_GOAL_MB


def test_verify(year: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def verified() -> object:
        with Reader(year) as reader:
            return check(reader)

    took_s, fault = timed(verified)
    shown(capsys, f"verify of a station-year: {took_s:.1f} s")
    assert fault is None
    assert took_s < 3 * PATIENCE


def test_replay(year: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def replayed() -> Any:
        with Reader(year) as reader:
            return replay(reader.history("lobby"), "lobby")

    took_s, result = timed(replayed)
    shown(
        capsys, f"replay of a station-year: {took_s:.1f} s, {result.switchings} orders"
    )
    assert result.ok, result.first_mismatch
    assert result.unproven == 0
    assert result.switchings > 10 * station_year.DAYS
    assert took_s < 20 * PATIENCE


def test_audit_from_cold(
    year: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A new process each time, from its start to the answer."""
    command = [sys.executable, "-m", "tidegate", "audit", "lobby", "--log", str(year)]

    def ran(*more: str) -> str:
        done = subprocess.run(
            [*command, *more], check=True, capture_output=True, text=True
        )
        return done.stdout

    text_s, text = min(timed(ran) for _ in range(2))
    json_s, answer = min(timed(lambda: ran("--json")) for _ in range(2))
    page = tmp_path / "lobby.html"
    page_s, _ = timed(lambda: ran("--html", str(page)))
    shown(
        capsys,
        f"audit of a station-year from cold: {json_s:.1f} s as JSON, {text_s:.1f} s as "
        f"text (goal {AUDIT_GOAL_S:g}), {page_s:.1f} s with the page "
        f"({page.stat().st_size / MB:.1f} MB)\n",
    )
    document = json.loads(answer)
    assert "lobby" in text
    assert document["cycles"]["efc"] == pytest.approx(
        EFC_A_DAY * station_year.DAYS, rel=0.15
    )
    assert document["switchings"]["count"] > 10 * station_year.DAYS
    assert max(json_s, text_s) < PATIENCE * AUDIT_GOAL_S
