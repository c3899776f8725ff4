"""Fault 47: load."""

from __future__ import annotations

import asyncio
from typing import Any, Final

from faults import without
from faults.switch import Fault, switch

_STATION: Final = "tidegate.station"


async def a_start_of_each_by_itself(self: Any) -> None:
    """Start one station after another, as a plain loop would."""

    async def all_started() -> None:
        for each in self.stations.values():
            await each.start()

    loop = asyncio.get_running_loop()
    started = loop.create_task(all_started())
    ending = loop.create_task(self._ending.wait())
    await asyncio.wait({started, ending}, return_when=asyncio.FIRST_COMPLETED)
    ending.cancel()
    started.cancel()
    await asyncio.wait({started})


def a_thread_of_its_own(self: Any, name: str, holder: str) -> Any:
    """One thread for everybody."""
    del name
    self._holders.setdefault("one", set()).add(holder)
    if "one" not in self._workers:
        self._workers["one"] = self._make("one")
    return self._workers["one"]


FAULTS: Final = (
    Fault(
        47,
        "two hundred devices on one host, some of which hang",
        "Each station has a task of its own and each call a limit and a thread, so that "
        "nobody waits for one that hangs; polls are spread. Whoever hangs is told.",
        (
            switch(
                "stations start one after another",
                "waited for one that hangs",
                ("tidegate.service.Service._start_stations", a_start_of_each_by_itself),
            ),
            switch(
                "a call has no limit",
                "that hangs is not told",
                (f"{_STATION}.gauge_side.bounded", without.a_limit),
            ),
            switch(
                "all stations are read at once",
                "stations are read at one instant",
                (f"{_STATION}.gauge_side.START_APART_MS", 0),
            ),
            switch(
                "all devices share a thread",
                "ten devices wait for 1 thread",
                ("tidegate.host.workers.Workers.take", a_thread_of_its_own),
            ),
        ),
    ),
)
