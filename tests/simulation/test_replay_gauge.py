"""A demo's log, played to the real service in virtual time: the same battery again.

The readings of both logs are compared as SQLite has them.
"""

from __future__ import annotations

import asyncio
import sqlite3
from bisect import bisect_right
from contextlib import closing
from itertools import pairwise
from pathlib import Path

import pytest

from support.evidence import sound
from tidegate.demo import Demo
from tidegate.host import Machine, Workers
from tidegate.host.locks import Locks
from tidegate.host.workers import InlineWorker
from tidegate.service import Service
from tidegate.settings import from_tables
from tidegate.twin.museum import STATION, Museum
from tidegate.virtual import VirtualClock, run

DAYS = 2
DAY_S = 86_400
# Runs of equal readings: the first, and with it the first and the last moment.
READINGS = """
    SELECT boot_ms, span_ms, soc_hundredths_percent, battery_status_code,
           external_power_code, why_not, current_ma
    FROM reading WHERE station = ? ORDER BY id
"""


def readings(log: Path, station: str) -> list[tuple]:
    with closing(sqlite3.connect(log)) as connection:
        return connection.execute(READINGS, (station,)).fetchall()


def alarms(log: Path, station: str) -> set[str]:
    with closing(sqlite3.connect(log)) as connection:
        found = connection.execute(
            "SELECT DISTINCT code FROM alarm WHERE station = ?", (station,)
        ).fetchall()
    return {code for (code,) in found}


@pytest.fixture(scope="module")
def recorded(tmp_path_factory) -> Path:
    log = tmp_path_factory.mktemp("recorded") / "museum.db"
    Demo(Museum(days=DAYS), log, progress=lambda days: None).run()
    return log


def played(
    folder: Path, log: Path, *, lasts_s: float, poll: str = "1min", **tables: object
) -> Path:
    clock = VirtualClock(boot_ms=3_000_000)

    async def main() -> None:
        gauge = {"kind": "replay", "path": str(log)}
        station = {"gauge": gauge, "poll": poll, **tables}
        service = Service(
            from_tables(
                {
                    "log": {"path": str(folder / "again.db")},
                    "station": {"rehearsal": station},
                }
            ),
            clock=clock,
            machine=Machine(
                clock, workers=Workers(InlineWorker), locks=Locks(folder / "locks")
            ),
            threaded=False,
        )
        asyncio.get_running_loop().call_later(lasts_s, service.end)
        await service.run()

    run(main(), clock=clock)
    return folder / "again.db"


def test_a_station_that_measures_logs_the_same_readings(
    recorded: Path, tmp_path: Path
) -> None:
    again = played(tmp_path, recorded, lasts_s=DAYS * DAY_S - 3600)

    # What stood there at each moment: every row of the recording, from its first.
    was = readings(recorded, STATION)
    began_ms = was[0][0]
    times = [row[0] - began_ms for row in was]
    now = readings(again, "rehearsal")
    assert len(now) > 300  # not one level all the time
    played_ms = now[0][0]
    for at_ms, span_ms, *quantities, _ in now:
        passed_ms = at_ms - played_ms
        then = was[bisect_right(times, passed_ms) - 1]
        assert quantities == list(then[2:6]), (passed_ms, then)
        # And it still stood there when the run of equal ones ended.
        last = was[bisect_right(times, passed_ms + span_ms) - 1]
        assert quantities == list(last[2:6]), (passed_ms, span_ms, last)
    end_ms = now[-1][0] + now[-1][1] - played_ms
    until_then = [row for row in was if row[0] - began_ms <= end_ms]
    assert path_length(now) == path_length(until_then)
    assert alarms(again, "rehearsal") <= alarms(recorded, STATION)
    sound(again, "rehearsal")


def path_length(rows: list[tuple]) -> int:
    """The summed absolute change of the level: twice the equivalent full cycles."""
    levels = [row[2] for row in rows if row[5] is None]
    return sum(abs(b - a) for a, b in pairwise(levels))


def test_after_the_end_the_gauge_is_lost(recorded: Path, tmp_path: Path) -> None:
    again = played(tmp_path, recorded, lasts_s=DAYS * DAY_S + 3600)

    assert "gauge_lost" in alarms(again, "rehearsal")
    with closing(sqlite3.connect(again)) as connection:
        texts = connection.execute("SELECT text FROM failure").fetchall()
    assert any("the recording is over" in (text or "") for (text,) in texts)


def test_a_window_is_rehearsed_until_the_recording_goes_its_own_way(
    recorded: Path, tmp_path: Path
) -> None:
    """The found battery was charged to 96 %: the first off comes at once."""
    again = played(
        tmp_path,
        recorded,
        lasts_s=6 * 3600,
        relay={"kind": "twin", "device": "rehearsal"},
        window={"low": 55, "high": 65},
    )

    with closing(sqlite3.connect(again)) as connection:
        orders = connection.execute("SELECT supply, reason FROM intent").fetchall()
    assert ("off", "at_high_mark") in orders
    assert orders[-1][0] == "on"  # the stop
    sound(again, "rehearsal")
