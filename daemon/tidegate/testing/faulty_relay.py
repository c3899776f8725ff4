"""A relay that misbehaves on order, around any real one."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable
from dataclasses import dataclass, field

from tidegate.contract import Readback, Relay, RelayFacts
from tidegate.core.reading import Supply
from tidegate.errors import BackendError, Unavailable
from tidegate.testing.faulty_gauge import SOUND, Sound
from tidegate.testing.script import Script


@dataclass(frozen=True, slots=True)
class Dead:
    """Fails, as a relay does that was unplugged."""

    error: type[BackendError] = Unavailable


@dataclass(frozen=True, slots=True)
class Stuck:
    """Takes orders, and the contact does not move.

    Its latch follows the order all the same; a sensed contact (readback grade 3)
    does not.
    """


@dataclass(frozen=True, slots=True)
class Slow:
    """Carries an order out only when ``released``; ``reached`` tells that it hangs.

    A call that is given up meanwhile is never carried out.
    """

    released: asyncio.Event = field(default_factory=asyncio.Event)
    reached: asyncio.Event = field(default_factory=asyncio.Event)


@dataclass(frozen=True, slots=True)
class Reversed:
    """Wired the wrong way round: does the opposite, and its latch does not know."""


RelayMood = Sound | Dead | Stuck | Slow | Reversed


class FaultyRelay(Relay):
    """A relay with a script of faults; the n-th set meets the n-th mood.

    Between two sets the mood of the last one holds, for get and refresh too.
    ``order`` puts every later call into one mood. ``orders`` lists what was asked for.
    """

    def __init__(self, inner: Relay, script: Iterable[tuple[int, RelayMood]] = ()):
        self._inner = inner
        self._script: Script[RelayMood] = Script(script, sound=SOUND)
        self._latch: Supply | None = None
        self.orders: list[Supply] = []

    @property
    def facts(self) -> RelayFacts:
        return self._inner.facts

    def order(self, mood: RelayMood) -> None:
        """Put every later call into this mood; the rest of the script is void."""
        self._script.order(mood)

    async def open(self) -> None:
        await self._inner.open()

    async def close(self) -> None:
        await self._inner.close()

    async def set(self, supply: Supply) -> None:
        self.orders.append(supply)
        match self._script.next():
            case Dead(error):
                raise _dead(error)
            case Stuck():
                self._latch = supply
                return
            case Slow(released, reached):
                reached.set()
                await released.wait()
            case Reversed():
                await self._inner.set(supply.other)
                self._latch = supply
                return
        await self._inner.set(supply)
        self._latch = None

    async def get(self) -> Supply | None:
        if isinstance(self._script.mood, Dead):
            raise _dead(self._script.mood.error)
        told = await self._inner.get()
        if told is None or self._latch is None:
            return told
        return told if self.facts.readback is Readback.SENSED else self._latch

    async def refresh(self) -> None:
        if isinstance(self._script.mood, Dead):
            raise _dead(self._script.mood.error)
        await self._inner.refresh()


def _dead(error: type[BackendError]) -> BackendError:
    return error("the relay is dead by order", target="faulty relay", remedy="None.")
