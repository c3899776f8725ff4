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
    tmp_path: Path, period_h: float, capsys: pytest.CaptureFixture[str]
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
    commit_kib = written / week["commits"] / 1024
    with capsys.disabled():
        print(  # noqa: T201 - the figures are what a bench is for
            f"\na cycle of {period_h:g} h: {flash_mb:.2f} MB of flash a station-day "
            f"(goal {FLASH_GOAL_MB_DAY:g}), log {log_mb:.1f} MB a station-year "
            f"(goal {LOG_GOAL_MB_YEAR:g}); {week['commits'] / DAYS:.0f} commits and "
            f"{week['rows'] / DAYS:.0f} rows a day, {commit_kib:.1f} KiB a commit, "
            f"{log_mb * MB / 365 / (week['rows'] / DAYS):.0f} bytes of log a row"
        )
    assert flash_mb <= FLASH_GOAL_MB_DAY
    assert log_mb <= (LOG_GOAL_MB_YEAR if period_h >= 6 else BUSY_LOG_MB_YEAR)
