"""A gauge that misbehaves on order, around any real one."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Any, Final

from tidegate.contract import Gauge, GaugeFacts
from tidegate.core.reading import SAMPLE_FIELDS, Sample
from tidegate.errors import BackendError, Unavailable
from tidegate.testing.script import Script


@dataclass(frozen=True, slots=True)
class Sound:
    """Answers as the gauge inside does."""


@dataclass(frozen=True, slots=True)
class Lose:
    """Fails, as a gauge does that is out of reach."""

    error: type[BackendError] = Unavailable


@dataclass(frozen=True, slots=True)
class Freeze:
    """Answers what the gauge inside said last, for ever the same."""


@dataclass(frozen=True, slots=True)
class Lie:
    """Answers with one quantity replaced."""

    quantity: str
    value: Any

    def __post_init__(self) -> None:
        assert self.quantity in SAMPLE_FIELDS, f"{self.quantity} is no quantity"


@dataclass(frozen=True, slots=True)
class Block:
    """Does not answer until ``released``; ``reached`` tells that a read hangs."""

    released: asyncio.Event = field(default_factory=asyncio.Event)
    reached: asyncio.Event = field(default_factory=asyncio.Event)


GaugeMood = Sound | Lose | Freeze | Lie | Block
SOUND: Final = Sound()


class FaultyGauge(Gauge):
    """A gauge with a script of faults; the n-th read meets the n-th mood.

    ``order`` puts every later read into one mood. ``reads`` counts all of them.
    """

    def __init__(self, inner: Gauge, script: Iterable[tuple[int, GaugeMood]] = ()):
        self._inner = inner
        self._script: Script[GaugeMood] = Script(script, sound=SOUND)
        self._last: Sample | None = None
        self.reads = 0

    @property
    def facts(self) -> GaugeFacts:
        return self._inner.facts

    def order(self, mood: GaugeMood) -> None:
        """Put every later read into this mood; the rest of the script is void."""
        self._script.order(mood)

    async def open(self) -> None:
        await self._inner.open()

    async def close(self) -> None:
        await self._inner.close()

    async def read(self) -> Sample:
        self.reads += 1
        match self._script.next():
            case Lose(error):
                raise error(
                    "the gauge is lost by order", target="faulty gauge", remedy="None."
                )
            case Freeze() if self._last is not None:
                return self._last
            case Lie(quantity, value):
                return replace(await self._inside(), **{quantity: value})
            case Block(released, reached):
                reached.set()
                await released.wait()
        return await self._inside()

    async def _inside(self) -> Sample:
        self._last = await self._inner.read()
        return self._last
