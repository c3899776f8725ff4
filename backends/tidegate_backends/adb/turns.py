"""Whose turn it is at an adb server: not too many at once, and one call a device.

A device that hangs keeps its turn until its call is killed. So that it never delays the
others, a call that has lasted long gives way as soon as another waits for its turn, and
devices that hung before share a few turns among themselves.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import Final

# Public reports of farms see a server wedge under many parallel shells; the number is
# our own choice, as are the others.
AT_ONCE: Final = 8
SUSPECTS_AT_ONCE: Final = 2
# A reading that took longer than 5 s is not trusted anyway.
GIVES_WAY_AFTER_S: Final = 3.0


@dataclass(eq=False, slots=True)
class Turn:
    """One call's turn. ``stop`` is set by who runs it, and called to end it early."""

    device: str
    is_suspect: bool
    granted: asyncio.Event = field(default_factory=asyncio.Event)
    began_s: float = 0.0
    gave_way: bool = False
    stop: Callable[[], None] | None = None

    def give_way(self) -> None:
        """End the call that has this turn."""
        self.gave_way = True
        if self.stop is not None:
            self.stop()


class Turns:
    """The turns at one server; used from the event loop's thread only."""

    def __init__(self) -> None:
        self._waiting: list[Turn] = []
        self._running: list[Turn] = []
        self._timer: asyncio.TimerHandle | None = None

    @property
    def running(self) -> int:
        """How many calls are under way."""
        return len(self._running)

    @asynccontextmanager
    async def turn(
        self, device: str, *, is_suspect: bool, within_s: float
    ) -> AsyncIterator[Turn]:
        """Wait for a turn and hold it. Raises TimeoutError when none came in time."""
        mine = Turn(device, is_suspect)
        self._waiting.append(mine)
        try:
            self._hand_out()
            async with asyncio.timeout(within_s):
                await mine.granted.wait()
            yield mine
        finally:
            for queue in (self._waiting, self._running):
                if mine in queue:
                    queue.remove(mine)
            self._hand_out()

    def _hand_out(self) -> None:
        """Grant what is free, the devices that answered last time first."""
        for turn in sorted(self._waiting, key=lambda each: each.is_suspect):
            if self._is_free(turn):
                self._waiting.remove(turn)
                turn.began_s = asyncio.get_running_loop().time()
                self._running.append(turn)
                turn.granted.set()
        self._look_again()

    def _is_free(self, turn: Turn) -> bool:
        suspects = sum(each.is_suspect for each in self._running)
        return (
            len(self._running) < AT_ONCE
            and all(each.device != turn.device for each in self._running)
            and not (turn.is_suspect and suspects >= SUSPECTS_AT_ONCE)
        )

    def _look_again(self) -> None:
        """Let the oldest call give way once it has lasted long, if one waits for it."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        staying = [turn for turn in self._running if not turn.gave_way]
        wanted = any(not turn.is_suspect for turn in self._waiting)
        if not wanted or len(staying) < AT_ONCE:
            return
        oldest = min(staying, key=lambda turn: turn.began_s)
        loop = asyncio.get_running_loop()
        if loop.time() >= oldest.began_s + GIVES_WAY_AFTER_S:
            oldest.give_way()
            return
        self._timer = loop.call_at(oldest.began_s + GIVES_WAY_AFTER_S, self._look_again)
