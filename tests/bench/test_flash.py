"""What the daemon writes to its flash, as /proc/self/io counts it (proc(5)).

``write_bytes`` are the bytes that this process made the storage write: WAL and file of
the cycle log. What the file system adds of its own (its journal) and what a flash
controller does to whole blocks are in no counter that a process can read.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from table import Figures, Part, at_most

from support.evidence import sound
from tidegate.cyclelog.rows import AlarmRow, IntentRow

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]

DAYS = 7.0
MB = 1e6
FLASH_GOAL_MB_DAY = 3.0
LOG_GOAL_MB_YEAR = 12.0
# What a cycle of three hours was measured to need, and some air: more than the goal.
BUSY_LOG_MB_YEAR = 16.0
ROOT = Path(__file__).parents[2]


def lived(folder: Path, *, days: float, period_h: float) -> dict[str, Any]:
    folder.mkdir()
    program = Path(__file__).with_name("accelerated_week.py")
    ran = subprocess.run(
        [sys.executable, program, folder, str(days), str(period_h)],
        check=True,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
    )
    # Its diagnostic messages come first.
    answer: dict[str, Any] = json.loads(ran.stdout.splitlines()[-1])
    return answer


@pytest.mark.parametrize("period_h", [3.0, 6.0])
def test_flash_written_and_the_size_of_the_log(
    tmp_path: Path, period_h: float, figures: Figures
) -> None:
    """A cycle of three hours is as busy as a window of ten points gets with a supply
    twice the load; from six on no warning of too many cycles stands.
    """
    empty = lived(tmp_path / "empty", days=0.01, period_h=period_h)
    week = lived(tmp_path / "week", days=DAYS, period_h=period_h)
    written = week["write_bytes"] - week["cancelled_write_bytes"]
    if not written:
        pytest.skip(f"{tmp_path} lies in memory: nothing is written to a disk there")

    log = tmp_path / "week" / "cycles.db"
    entries = sound(log, "hall")
    switchings = sum(isinstance(entry.row, IntentRow) for entry in entries)
    assert not [entry for entry in entries if isinstance(entry.row, AlarmRow)]
    assert switchings == pytest.approx(DAYS * 24 / period_h * 2, rel=0.25)

    flash_mb = written / DAYS / MB
    log_mb = (week["log_bytes"] - empty["log_bytes"]) / DAYS * 365 / MB
    cycle = f"a cycle of {period_h:g} h"
    figures.row(
        Part.FLASH,
        f"written a day, {cycle}",
        flash_mb,
        "MB",
        goal=at_most(FLASH_GOAL_MB_DAY),
    )
    figures.row(
        Part.FLASH,
        f"log of a year, {cycle}",
        log_mb,
        "MB",
        goal=at_most(LOG_GOAL_MB_YEAR),
        why="each percent of charge and each commit is a row, and eight cycles a day are "
        "the most that a window of ten points sees",
    )
    rows_a_day = week["rows"] / DAYS
    figures.row(Part.FLASH, f"rows a day, {cycle}", rows_a_day, "rows")
    a_row = log_mb * MB / 365 / rows_a_day
    figures.row(Part.FLASH, f"log a row, {cycle}", a_row, "bytes")
    commits_a_day = week["commits"] / DAYS
    figures.row(Part.FLASH, f"commits a day, {cycle}", commits_a_day, "commits")
    commit_kib = written / week["commits"] / 1024
    figures.row(Part.FLASH, f"written a commit, {cycle}", commit_kib, "KiB")
    assert flash_mb <= FLASH_GOAL_MB_DAY
    assert log_mb <= (LOG_GOAL_MB_YEAR if period_h >= 6 else BUSY_LOG_MB_YEAR)
