"""Runs of the last hour, where boots and a wall clock that was set lie between them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from support.cyclelog_rows import run, run_end
from tidegate.core.policy import HOUR_MS, MINUTE_MS
from tidegate.cyclelog.rows import RunEndRow, RunRow
from tidegate.cyclelog.writer import Writer
from tidegate.manager.restarts import counted
from tidegate.virtual import VirtualClock

YEAR_MS = 365 * 24 * HOUR_MS


class Machine:
    """A machine that runs the daemon and loses its power, and the time with it."""

    def __init__(self, folder: Path) -> None:
        self.log = folder / "cycles.db"
        self.clock = VirtualClock()
        self._boots = 0

    async def lives(self, for_ms: int, *, closed: bool = True) -> None:
        """Run the daemon once; not closed it is killed."""
        await self._write(run(boot_id=self.clock.boot_id()))
        self.clock.advance(for_ms)
        if closed:
            await self._write(run_end())

    async def _write(self, row: RunRow | RunEndRow) -> None:
        row = replace(row, boot_ms=self.clock.boot_ms(), wall_ms=self.clock.wall_ms())
        writer = Writer.open(self.log, clock=self.clock, threaded=False)
        writer.append(row)
        await writer.close()

    def reboots(self, *, wall_by_ms: int = 0) -> None:
        self._boots += 1
        self.clock.reboot(f"boot-{self._boots}", down_ms=MINUTE_MS)
        self.clock.step_wall(wall_by_ms)

    def counts(self, *, in_ms: int = 0) -> dict[str, int]:
        restarts = counted(self.log, self.clock)
        return restarts.at(self.clock.boot_ms() + in_ms)


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    return Machine(tmp_path)


async def test_runs_of_an_earlier_boot_count_by_the_wall_clock(
    machine: Machine,
) -> None:
    await machine.lives(20 * MINUTE_MS, closed=False)
    await machine.lives(20 * MINUTE_MS)
    machine.reboots()
    await machine.lives(MINUTE_MS)
    # 42, 22 and 1 min ago; the first of all followed nothing.
    assert machine.counts() == {"last_hour": 3, "unclosed": 1}
    assert machine.counts(in_ms=19 * MINUTE_MS) == {"last_hour": 2, "unclosed": 1}
    assert machine.counts(in_ms=39 * MINUTE_MS) == {"last_hour": 1, "unclosed": 0}


async def test_a_clock_that_forgot_the_time_brings_no_old_runs_back(
    machine: Machine,
) -> None:
    """It begins at some year that was long before the runs in the log."""
    for _ in range(5):
        await machine.lives(2 * HOUR_MS, closed=False)
    machine.reboots(wall_by_ms=-20 * YEAR_MS)
    await machine.lives(MINUTE_MS)
    # The latest of them may have begun just before this boot, none of the others.
    assert machine.counts() == {"last_hour": 2, "unclosed": 2}
    assert machine.counts(in_ms=HOUR_MS) == {"last_hour": 0, "unclosed": 0}


async def test_a_storm_of_reboots_without_a_clock_is_still_one(
    machine: Machine,
) -> None:
    for _ in range(4):
        await machine.lives(MINUTE_MS, closed=False)
        machine.reboots(wall_by_ms=-2 * MINUTE_MS)
    await machine.lives(MINUTE_MS)
    assert machine.counts() == {"last_hour": 5, "unclosed": 4}
    assert machine.counts(in_ms=HOUR_MS)["last_hour"] == 0
