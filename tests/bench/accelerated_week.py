"""The real daemon through a week in virtual time, with real files and a real thread.

Run as a program with a folder, a number of days and the hours of a cycle; prints what
/proc/self/io counted as JSON. Only the clock, the loop and the device are simulated: the service, its writer
with its thread and every fsync are those of ``tidegate run``.
"""

from __future__ import annotations

import asyncio
import json
import sys
import threading
from math import cos, pi
from pathlib import Path
from typing import Any

from tidegate import virtual
from tidegate.cyclelog.file import LogFile
from tidegate.cyclelog.writer import Writer
from tidegate.host import Machine, Workers
from tidegate.host.locks import Locks
from tidegate.host.workers import InlineWorker
from tidegate.service import Service
from tidegate.settings import from_tables

STATION = "hall"
DAY_S = 86_400
CAPACITY_AH = 7.0
# A writer that takes longer has hung, and the week ends there.
HUNG_S = 30.0
# Those that the service has opened: one.
WRITERS: list[Writer] = []


class Waiting(virtual._Timers):
    """Lets no virtual time pass while the writer's thread is at work."""

    def __init__(self, clock: virtual.VirtualClock, woken: threading.Event) -> None:
        super().__init__(clock)
        self.woken = woken

    def select(self, timeout: float | None) -> tuple[()]:
        is_idle = not any(writer._waiters for writer in WRITERS)
        if is_idle or timeout == 0:
            return super().select(timeout)
        assert self.woken.wait(HUNG_S), "the writer hangs"
        self.woken.clear()
        return ()


class Loop(virtual.VirtualLoop):
    """A virtual world with one real thread beside it."""

    def __init__(self, clock: virtual.VirtualClock) -> None:
        super().__init__(clock)
        self.woken = threading.Event()
        self._selector = self.waiting = Waiting(clock, self.woken)

    def _write_to_self(self) -> None:
        self.woken.set()


def station(period_h: float) -> dict[str, Any]:
    """A guide of 7 Ah that goes ten points up and down in so many hours.

    Settings are the defaults: a poll of 30 s, whole percents. The room is 21 to 29 °C
    warm. All invented.
    """
    current_a = round(0.1 * CAPACITY_AH / (period_h / 2), 3)
    room = [round(25 - 4 * cos(2 * pi * hour / 24), 2) for hour in range(24)]
    return {
        "gauge": {
            "kind": "twin",
            "device": STATION,
            "load_a": current_a,
            "around_c": room,
            "design_ah": CAPACITY_AH,
            "charger": {"charge_a": current_a, "supply_a": 2.0},
            "quirks": {"step_percent": 1.0, "refresh_s": 10.0},
        },
        "relay": {"kind": "twin", "device": STATION, "life": 100_000},
        "window": {"low": 55, "high": 65},
    }


def io() -> dict[str, int]:
    lines = Path("/proc/self/io").read_text().splitlines()
    return {key: int(value) for key, _, value in (x.partition(":") for x in lines)}


def counted() -> dict[str, int]:
    """Count commits and rows from now on, and remember the writer."""
    counts = {"commits": 0, "rows": 0}
    whole, first_open = LogFile.write, Writer._first_open

    def opened(self: Writer) -> None:
        WRITERS.append(self)
        first_open(self)

    def write(self: LogFile, entries: Any, **fields: Any) -> None:
        counts["commits"] += 1
        counts["rows"] += len(entries) + 1
        whole(self, entries, **fields)

    LogFile.write = write  # type: ignore[method-assign]
    Writer._first_open = opened  # type: ignore[method-assign]
    return counts


async def main(
    folder: Path, table: dict[str, Any], days: float, counts: dict[str, int]
) -> dict[str, Any]:
    loop = asyncio.get_running_loop()
    assert isinstance(loop, Loop)
    clock = loop.clock
    log = folder / "cycles.db"
    service = Service(
        from_tables({"log": {"path": str(log)}, "station": {STATION: table}}),
        clock=clock,
        machine=Machine(
            clock, workers=Workers(InlineWorker), locks=Locks(folder / "locks")
        ),
        threaded=True,
    )
    run = loop.create_task(service.run())
    await asyncio.sleep(60)
    assert not run.done(), run
    before, at_first = io(), dict(counts)
    await asyncio.sleep(days * DAY_S)
    after, at_last = io(), dict(counts)
    service.end()
    await run
    return {
        "days": days,
        "write_bytes": after["write_bytes"] - before["write_bytes"],
        "cancelled_write_bytes": after["cancelled_write_bytes"]
        - before["cancelled_write_bytes"],
        "commits": at_last["commits"] - at_first["commits"],
        "rows": at_last["rows"] - at_first["rows"],
    }


if __name__ == "__main__":
    place, length, hours = Path(sys.argv[1]), float(sys.argv[2]), float(sys.argv[3])
    totals = counted()
    time = virtual.VirtualClock(boot_ms=600_000)
    with asyncio.Runner(loop_factory=lambda: Loop(time)) as runner:
        found = runner.run(main(place, station(hours), length, totals))
    found["log_bytes"] = (place / "cycles.db").stat().st_size
    print(json.dumps(found))  # noqa: T201 - its answer
