"""One daemon thread per open blocking backend, never the default executor.

A blocking call cannot be stopped from outside. So at most one runs in a thread; a
caller that gives up leaves it running and the next call waits its turn. Calls that
wait are dropped when their caller gives up: they never run late. Everything but
``function`` itself happens in the event loop's thread, so there is nothing to lock.
"""

from __future__ import annotations

import asyncio
import queue
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any, TypeVar

from tidegate import notice
from tidegate.errors import Unavailable

T = TypeVar("T")

# How many threads that never came back one worker may leave behind. An engineering
# choice: each costs a stack and a descriptor, and a fourth would not fare better.
LEFT_BEHIND_MAX = 3


@dataclass(eq=False, slots=True)
class _Job:
    function: Callable[..., Any]
    args: tuple[Any, ...]
    future: asyncio.Future[Any]


class _Lane:
    """A thread and the one job that it may be busy with."""

    def __init__(self, name: str) -> None:
        self.job: _Job | None = None
        self.abandoned = False
        self._inbox: queue.SimpleQueue[Callable[[], bool] | None] = queue.SimpleQueue()
        threading.Thread(target=self._work, name=name, daemon=True).start()

    def start(
        self, job: _Job, ended: Callable[[Any, BaseException | None], None]
    ) -> None:
        self.job, self.abandoned = job, False
        loop = asyncio.get_running_loop()
        self._inbox.put(partial(_do, job, loop, ended))

    def end(self) -> None:
        """Let the thread end once it is free."""
        self._inbox.put(None)

    def _work(self) -> None:
        while (task := self._inbox.get()) is not None and task():
            pass


def _do(
    job: _Job,
    loop: asyncio.AbstractEventLoop,
    ended: Callable[[Any, BaseException | None], None],
) -> bool:
    """Run the job and tell the loop; false when there is no loop left to tell."""
    result, error = None, None
    try:
        result = job.function(*job.args)
    except BaseException as caught:  # noqa: BLE001 - raised again in the caller
        error = caught
    try:
        loop.call_soon_threadsafe(ended, result, error)
    except RuntimeError:
        # The loop closed while the call was under way: the process is ending.
        if not loop.is_closed():
            raise
        return False
    return True


class ThreadWorker:
    """A ``tidegate.contract.Worker`` with a thread, started by the first call."""

    def __init__(self, name: str) -> None:
        self.name = name
        self._lane: _Lane | None = None
        self._waiting: deque[_Job] = deque()
        self._left_behind = 0
        self._open = True

    @property
    def busy(self) -> bool:
        """Whether a call is under way."""
        return self._lane is not None and self._lane.job is not None

    @property
    def abandoned(self) -> bool:
        """Whether a call is under way that nobody waits for any more."""
        return self._lane is not None and self.busy and self._lane.abandoned

    @property
    def left_behind(self) -> int:
        """How many replaced threads have not come back yet."""
        return self._left_behind

    async def call(self, function: Callable[..., T], *args: Any) -> T:
        """Run ``function(*args)`` in the thread, after the calls before it.

        When the caller is cancelled, a call under way goes on and one that waits is
        dropped. Errors: those of ``function``; Unavailable once closed or replaced.
        """
        if not self._open:
            raise Unavailable("its thread was closed", target=self.name)
        future = asyncio.get_running_loop().create_future()
        job = _Job(function, args, future)
        self._waiting.append(job)
        self._feed()
        try:
            result: T = await future
        except asyncio.CancelledError:
            self._give_up(job)
            raise
        return result

    def replace(self) -> None:
        """Leave a thread behind whose call does not come back; begin a new one.

        The caller of that call gets Unavailable, the calls that wait go on in the new
        thread. The old call may still act when it comes back, so close what it acts
        on first. Raises Unavailable when too many threads are left behind already.
        """
        lane = self._lane
        if lane is None or lane.job is None:
            return
        if self._left_behind >= LEFT_BEHIND_MAX:
            raise Unavailable(
                f"{self._left_behind} calls never came back and one more hangs",
                target=self.name,
                remedy="Unplug the device, or restart the machine: its driver hangs",
            )
        self._left_behind += 1
        lane.end()
        if not lane.job.future.done():
            gone = Unavailable("the call did not come back", target=self.name)
            lane.job.future.set_exception(gone)
        self._lane = None
        self._feed()

    def close(self) -> None:
        """Drop what waits and let the thread end; never waits for it."""
        self._open = False
        while self._waiting:
            job = self._waiting.popleft()
            if not job.future.done():
                gone = Unavailable("its thread was closed", target=self.name)
                job.future.set_exception(gone)
        if self._lane is not None:
            self._lane.end()

    def _feed(self) -> None:
        while self._waiting and not self.busy:
            job = self._waiting.popleft()
            if job.future.done():
                continue
            if self._lane is None:
                self._lane = _Lane(f"tidegate {self.name}")
            self._lane.start(job, partial(self._ended, self._lane, job))

    def _give_up(self, job: _Job) -> None:
        if self._lane is not None and self._lane.job is job:
            self._lane.abandoned = True
        elif job in self._waiting:
            self._waiting.remove(job)

    def _ended(
        self, lane: _Lane, job: _Job, result: Any, error: BaseException | None
    ) -> None:
        lane.job = None
        if lane is not self._lane:
            self._left_behind -= 1
        if job.future.done():
            # Nobody waits for it, so nobody else would ever hear of it.
            log = notice.logger(worker=self.name)
            log.info(
                "a call came back late", error=None if error is None else repr(error)
            )
        elif error is None:
            job.future.set_result(result)
        else:
            job.future.set_exception(error)
        self._feed()


class InlineWorker:
    """A ``tidegate.contract.Worker`` for virtual time: runs the call at once."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.busy = False
        self.abandoned = False
        self.left_behind = 0

    async def call(self, function: Callable[..., T], *args: Any) -> T:
        """Run ``function(*args)`` here and now."""
        return function(*args)

    def replace(self) -> None:
        """Nothing can hang here."""

    def close(self) -> None:
        """Nothing to end."""


AnyWorker = ThreadWorker | InlineWorker


class Workers:
    """The workers of a process by name; the last holder's leaving ends a thread."""

    def __init__(self, make: Callable[[str], AnyWorker] = ThreadWorker) -> None:
        self._make = make
        self._workers: dict[str, AnyWorker] = {}
        self._holders: dict[str, set[str]] = {}

    def take(self, name: str, holder: str) -> AnyWorker:
        """Return the worker called ``name``, kept while any holder has it."""
        self._holders.setdefault(name, set()).add(holder)
        if name not in self._workers:
            self._workers[name] = self._make(name)
        return self._workers[name]

    def give_back(self, name: str, holder: str) -> None:
        """Say that ``holder`` is done with it."""
        self._holders.get(name, set()).discard(holder)
        worker = self._workers.get(name)
        if worker is None or self._holders[name] or worker.busy or worker.left_behind:
            # A thread that hangs stays on the books, or one that opens and closes
            # a hanging device over and over would pile threads up.
            return
        del self._holders[name], self._workers[name]
        worker.close()

    def replace(self, name: str) -> None:
        """Leave the thread of ``name`` behind; see ``ThreadWorker.replace``."""
        if name in self._workers:
            self._workers[name].replace()

    def close(self) -> None:
        """End all threads that are free; those that hang die with the process."""
        for worker in self._workers.values():
            worker.close()
        self._workers.clear()
        self._holders.clear()
