"""What the shell lends to a backend, reduced to what a test needs."""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Awaitable, Callable
from typing import Any, TypeVar

from tidegate.contract import SharedLink

T = TypeVar("T")


class InlineWorker:
    """Runs a call where it is made: no thread, no surprise in the order of things."""

    async def call(self, function: Callable[..., T], *args: Any) -> T:
        return function(*args)


class ThreadWorker:
    """Runs each call in a daemon thread, for calls that are meant to block."""

    async def call(self, function: Callable[..., T], *args: Any) -> T:
        loop = asyncio.get_running_loop()
        done: asyncio.Future[T] = loop.create_future()

        def settle(result: Any, error: BaseException | None) -> None:
            if done.cancelled():
                return
            if error is None:
                done.set_result(result)
            else:
                done.set_exception(error)

        def run() -> None:
            try:
                outcome = function(*args), None
            except BaseException as error:  # noqa: BLE001 - handed to the caller
                outcome = None, error
            if not loop.is_closed():
                loop.call_soon_threadsafe(settle, *outcome)

        threading.Thread(target=run, daemon=True).start()
        return await done


class TestHost:
    """A host on the running loop. ``hints`` counts what the backend asked for.

    ``threaded``: give out workers with a thread. ``now_ms``: a fixed boot time that
    the test moves by hand, else the machine's.
    """

    __test__ = False  # not a test, whatever its name begins with

    def __init__(
        self,
        station: str = "wall-guide",
        *,
        threaded: bool = False,
        now_ms: int | None = None,
    ) -> None:
        self.station = station
        self.now_ms = now_ms
        self.hints = 0
        self.attached: dict[int, Callable[[], None]] = {}
        self.workers: list[str] = []
        self._threaded = threaded
        self._hinted = asyncio.Condition()
        self._links: dict[str, tuple[SharedLink[Any], int]] = {}
        self._notifying: set[asyncio.Task[None]] = set()

    def worker(self, name: str) -> InlineWorker | ThreadWorker:
        self.workers.append(name)
        return ThreadWorker() if self._threaded else InlineWorker()

    async def share(
        self, key: str, opener: Callable[[], Awaitable[SharedLink[T]]]
    ) -> T:
        link, users = self._links.get(key, (None, 0))
        if link is None:
            link = await opener()
        self._links[key] = (link, users + 1)
        return link.value

    async def release(self, key: str) -> None:
        link, users = self._links.pop(key)
        if users > 1:
            self._links[key] = (link, users - 1)
        else:
            await link.close()

    def hint(self) -> None:
        self.hints += 1
        task = asyncio.get_running_loop().create_task(self._notify())
        self._notifying.add(task)
        task.add_done_callback(self._notifying.discard)

    async def _notify(self) -> None:
        async with self._hinted:
            self._hinted.notify_all()

    async def hinted(self, *, count: int = 1, within_s: float = 5.0) -> None:
        """Wait until the backend has hinted this often in all."""
        async with asyncio.timeout(within_s), self._hinted:
            await self._hinted.wait_for(lambda: self.hints >= count)

    def attach(self, fileno: int, ready: Callable[[], None]) -> Callable[[], None]:
        loop = asyncio.get_running_loop()
        loop.add_reader(fileno, ready)
        self.attached[fileno] = ready

        def detach() -> None:
            loop.remove_reader(fileno)
            self.attached.pop(fileno, None)

        return detach

    def poke(self) -> None:
        """Call everything attached, as if each descriptor had become readable."""
        for ready in list(self.attached.values()):
            ready()

    def boot_ms(self) -> int:
        if self.now_ms is not None:
            return self.now_ms
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000
