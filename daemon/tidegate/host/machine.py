"""One process and what its stations share; what one station holds of it."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Any, TypeVar

from tidegate import notice
from tidegate.clock import Clock
from tidegate.contract import SharedLink
from tidegate.errors import Unavailable
from tidegate.host.links import Lease, Links
from tidegate.host.locks import Locks
from tidegate.host.workers import AnyWorker, Workers

T = TypeVar("T")


class Machine:
    """What a process has only once: clock, threads, links, locks."""

    def __init__(
        self,
        clock: Clock,
        *,
        workers: Workers | None = None,
        links: Links | None = None,
        locks: Locks | None = None,
    ) -> None:
        self.clock = clock
        self.workers = Workers() if workers is None else workers
        self.links = Links() if links is None else links
        self.locks = Locks() if locks is None else locks

    def host(self, station: str, *, hint: Callable[[], None]) -> StationHost:
        """Return the host of one station; ``hint`` asks its shell for a read."""
        return StationHost(station, self, hint)


class StationHost:
    """A ``tidegate.contract.Host``; used from the event loop's thread only."""

    def __init__(
        self, station: str, machine: Machine, hint: Callable[[], None]
    ) -> None:
        self.station = station
        self._machine = machine
        self._hint = hint
        self._workers: set[str] = set()
        self._leases: list[Lease[Any]] = []
        self._attached: set[int] = set()

    def worker(self, name: str) -> AnyWorker:
        """Return the thread called ``name``; stations that say the same name share it."""
        self._workers.add(name)
        return self._machine.workers.take(name, self.station)

    async def share(
        self, key: str, opener: Callable[[], Awaitable[SharedLink[T]]]
    ) -> T:
        """Return the link of this key, opened once. Errors: those of ``opener``."""
        lease = await self._machine.links.take(key, opener)
        self._leases.append(lease)
        return lease.value

    async def release(self, key: str) -> None:
        """Give a shared link back, the one taken first if it was taken twice."""
        for lease in self._leases:
            if lease.key == key:
                self._leases.remove(lease)
                await self._machine.links.give_back(lease)
                return

    async def poison(self, key: str) -> None:
        """Close a link that cannot be relied on; see ``Links.poison``."""
        await self._machine.links.poison(key)

    def replace_workers(self) -> None:
        """Leave behind the station's threads that hang in a call given up by all.

        Close what they act on first; see ``ThreadWorker.replace``.
        """
        for name in sorted(self._workers):
            worker = self._machine.workers.take(name, self.station)
            if not worker.abandoned:
                continue  # at rest, or busy for another station
            try:
                worker.replace()
            except Unavailable as error:
                # Its calls go on to queue and to run out of time, and say so.
                notice.logger(station=self.station).warning(str(error))

    def hint(self) -> None:
        """Say that something changed and an early read is worth it."""
        self._hint()

    def attach(self, fileno: int, ready: Callable[[], None]) -> Callable[[], None]:
        """Call ``ready`` when the descriptor is readable; returns the detacher."""
        loop = asyncio.get_running_loop()
        loop.add_reader(fileno, ready)
        self._attached.add(fileno)

        def detach() -> None:
            if fileno in self._attached:
                self._attached.discard(fileno)
                loop.remove_reader(fileno)

        return detach

    def boot_ms(self) -> int:
        """Return milliseconds since boot."""
        return self._machine.clock.boot_ms()

    async def close(self) -> None:
        """Let go of whatever the station's backends did not give back."""
        loop = asyncio.get_running_loop()
        while self._attached:
            loop.remove_reader(self._attached.pop())
        while self._leases:
            await self._machine.links.give_back(self._leases.pop())
        while self._workers:
            self._machine.workers.give_back(self._workers.pop(), self.station)
