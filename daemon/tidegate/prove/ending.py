"""How a run ends before its end: a signal, a limit, or something that was seen."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from typing import Any, TypeVar

from tidegate.errors import BackendError
from tidegate.prove.result import Verdict
from tidegate.station.bounded import leave

T = TypeVar("T")


class Ended(Exception):
    """The run goes no further; the supply goes on and the result is written."""

    def __init__(
        self, verdict: Verdict, why: str, *, error: BackendError | None = None
    ) -> None:
        super().__init__(why)
        self.verdict = verdict
        self.why = why
        self.error = error


class Ending:
    """Lets a run be ended from outside, at its next wait, never within a relay call."""

    def __init__(self) -> None:
        # Set once only seconds are left: the daemon around the run stops.
        self.haste = asyncio.Event()
        self._hasty_since_s = 0.0
        self._event = asyncio.Event()
        self._why = ""

    def end(self, why: str, *, in_haste: bool = False) -> None:
        """End the run; the first reason counts."""
        self._why = self._why or why
        self._event.set()
        if in_haste and not self.haste.is_set():
            self._hasty_since_s = asyncio.get_running_loop().time()
            self.haste.set()

    def left_s(self, limit_s: float, *, least_s: float) -> float:
        """Return what is left of a time that began with the haste, or the least."""
        since_s = asyncio.get_running_loop().time() - self._hasty_since_s
        return max(least_s, limit_s - since_s)

    @property
    def why(self) -> str:
        """The reason of the end, empty until it has come."""
        return self._why

    @property
    def has_come(self) -> bool:
        """Whether somebody asked for the end."""
        return self._event.is_set()

    def check(self) -> None:
        """Raise Ended if the end has come."""
        if self.has_come:
            raise Ended(Verdict.ABORTED, self._why)

    async def pause(self, for_s: float) -> None:
        """Let time pass. Raises Ended as soon as the end comes."""
        try:
            async with asyncio.timeout(for_s):
                await self._event.wait()
        except TimeoutError:
            return
        self.check()

    async def unless(self, work: Coroutine[Any, Any, T]) -> T:
        """Return what the work yields; it is given up, with Ended, when the end comes."""
        loop = asyncio.get_running_loop()
        doing, ending = loop.create_task(work), loop.create_task(self._event.wait())
        try:
            await asyncio.wait({doing, ending}, return_when=asyncio.FIRST_COMPLETED)
            if doing.done():
                return doing.result()
        finally:
            ending.cancel()
            if not doing.done():
                doing.cancel()
                leave(doing)
        self.check()
        raise AssertionError("neither ended nor done")
