"""A gauge that misbehaves on order, around any real one."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Any, Final

from tidegate.contract import Gauge, GaugeFacts
from tidegate.core.reading import SAMPLE_FIELDS, Sample
from tidegate.errors import BackendError, Unavailable
from tidegate.testing.script import Script

# What a wrapper keeps of the answers of the gauge inside: at two reads a minute more
# than eight hours. An engineering choice, no source.
LAG_MOST: Final = 1000


@dataclass(frozen=True, slots=True)
class Sound:
    """Answers as the gauge inside does."""


@dataclass(frozen=True, slots=True)
class Lose:
    """Fails, as a gauge does that is out of reach."""

    error: type[BackendError] = Unavailable


@dataclass(frozen=True, slots=True)
class Absent:
    """Is not there: opening fails like reading, as where a port is missing."""

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


@dataclass(frozen=True, slots=True)
class Jump:
    """Answers with the state of charge so many points off, held within 0 to 100."""

    points: float


@dataclass(frozen=True, slots=True)
class Lag:
    """Answers what the gauge inside said so many reads ago.

    As long as it has not said that much, the oldest that is known.
    """

    reads: int

    def __post_init__(self) -> None:
        assert 0 < self.reads <= LAG_MOST, f"a lag of 1 to {LAG_MOST} reads"


@dataclass(frozen=True, slots=True)
class Break:
    """Raises what no backend may raise, as one with a bug does."""

    error: Exception


@dataclass(frozen=True, slots=True)
class Answer:
    """Answers this sample, whole, whatever the gauge inside would say."""

    sample: Sample


@dataclass(frozen=True, slots=True)
class Takes:
    """Answers rightly, so much later; longer than a limit, it is slow."""

    seconds: float


GaugeMood = (
    Sound | Lose | Absent | Freeze | Lie | Block | Jump | Lag | Break | Answer | Takes
)
SOUND: Final = Sound()


class FaultyGauge(Gauge):
    """A gauge with a script of faults; the n-th read meets the n-th mood.

    ``order`` puts every later read into one mood. ``reads`` counts all of them.
    """

    def __init__(self, inner: Gauge, script: Iterable[tuple[int, GaugeMood]] = ()):
        self._inner = inner
        self._script: Script[GaugeMood] = Script(script, sound=SOUND)
        self._said: deque[Sample] = deque(maxlen=LAG_MOST + 1)
        self.reads = 0

    @property
    def facts(self) -> GaugeFacts:
        return self._inner.facts

    def order(self, mood: GaugeMood) -> None:
        """Put every later read into this mood; the rest of the script is void."""
        self._script.order(mood)

    async def open(self) -> None:
        mood = self._script.mood
        if isinstance(mood, Absent):
            raise _lost(mood.error)
        await self._inner.open()

    async def close(self) -> None:
        await self._inner.close()

    async def read(self) -> Sample:
        self.reads += 1
        match self._script.next():
            case Lose(error) | Absent(error):
                raise _lost(error)
            case Break(error):
                # Without the way it came before, which would grow with each read.
                raise error.with_traceback(None)
            case Freeze() if self._said:
                return self._said[-1]
            case Answer(sample):
                return sample
            case Lie(quantity, value):
                return replace(await self._inside(), **{quantity: value})
            case Jump(points):
                return _moved(await self._inside(), points)
            case Lag(reads):
                await self._inside()
                return self._said[max(0, len(self._said) - 1 - reads)]
            case Takes(seconds):
                await asyncio.sleep(seconds)
            case Block(released, reached):
                reached.set()
                await released.wait()
        return await self._inside()

    def take_notes(self) -> list[str]:
        return self._inner.take_notes()

    async def _inside(self) -> Sample:
        sample = await self._inner.read()
        self._said.append(sample)
        return sample


def _moved(sample: Sample, points: float) -> Sample:
    """Return the sample with its state of charge moved, if it tells one."""
    if sample.soc_percent is None:
        return sample
    return replace(
        sample, soc_percent=min(100.0, max(0.0, sample.soc_percent + points))
    )


def _lost(error: type[BackendError]) -> BackendError:
    return error("the gauge is lost by order", target="faulty gauge", remedy="None.")
