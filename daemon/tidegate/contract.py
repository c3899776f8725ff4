"""All that a backend may rely on, and all that it must provide.

A backend is one file with a pydantic settings model, a small class that is an async
context manager, and a module constant ``BACKEND``. Its ``kind`` is the file name
with hyphens. It tries once: retries, time limits, timing, locks and the judgement
of what came back belong to the shell. Errors are those of ``tidegate.errors``;
nothing else may leave a backend.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from enum import IntEnum
from types import TracebackType
from typing import Any, Generic, Literal, Protocol, Self, TypeVar

from pydantic import BaseModel, ConfigDict, Field

from tidegate.core.policy import Proof
from tidegate.core.reading import Sample, Supply

T = TypeVar("T")
S = TypeVar("S", bound="BackendSettings")
D_co = TypeVar("D_co", covariant=True)

Contact = Literal["normally-closed", "normally-open", "latching"]


class Readback(IntEnum):
    """How much a relay can tell about itself. Proof comes from the gauge only."""

    NONE = 0
    ECHO = 1
    LATCH = 2
    SENSED = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeFacts:
    """What a gauge declares. ``latency_s``: how long after a change the battery's
    own figures follow. ``gives``: names of the quantities of ``Sample`` it yields.

    ``answers_within_s``: a read that takes longer is given up. ``silence_alarm_s``:
    a person must know after so long without any answer, because the device will soon
    refuse us; ``None`` where it never does.
    """

    needs_supply: bool
    host_is_device: bool
    latency_s: float
    gives: frozenset[str] = frozenset({"soc_percent"})
    answers_within_s: float = 5.0
    silence_alarm_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RelayFacts:
    """What a relay declares once it is open (probing may decide ``readback``).

    ``dead_man_s``: the relay's own timer, ``None`` if it has none.
    ``reopen_disturbs``: opening the link may move the contact.
    ``answers_within_s``: a call that takes longer has lost its link.
    ``fails_on``: without the daemon the supply ends up on, by wiring or by timer.
    ``cuts_data``: an off takes the data line too, even where the supply stays, so that
    a gauge lost over the same cable proves nothing.
    """

    readback: Readback
    reopen_disturbs: bool
    latency_s: float
    fails_on: bool
    dead_man_s: float | None = None
    answers_within_s: float = 5.0
    cuts_data: bool = False
    proof: Proof = Proof.EXTERNAL_POWER


@dataclass(frozen=True, slots=True)
class Target:
    """What a relay occupies: the link (device node, address) and its channel."""

    link: str
    channel: str = ""

    def __str__(self) -> str:
        return f"{self.link}#{self.channel}" if self.channel else self.link


class BackendSettings(BaseModel):
    """The inline table of one backend in the operator's file."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    kind: str


class GaugeSettings(BackendSettings):
    """Settings that every gauge has."""


class RelaySettings(BackendSettings, ABC):
    """Settings that every relay has."""

    contact: Contact = Field(
        default="normally-closed",
        description="how the supply runs over the contact; normally-closed fails to on",
    )
    life: int | None = Field(
        default=None, gt=0, description="rated operations of the contact, data sheet"
    )
    accept_dead_lock: bool = Field(
        default=False,
        description="allow an off although nothing returns the supply by itself",
    )

    @abstractmethod
    def target(self) -> Target:
        """Return what this relay occupies, for locks and double-use checks."""

    @property
    def queue(self) -> str:
        """What its calls stand in line for with those of other stations: the link of
        the target, or what many links share, such as a radio.
        """
        return self.target().link

    @property
    def timer_s(self) -> float | None:
        """Seconds of the relay's own timer that returns the supply, if it has one."""
        return None


def energised(supply: Supply, contact: Contact) -> bool:
    """Return whether the coil is driven for this supply.

    Normally-closed in series: coil off = supply on. Normally-open and latching:
    coil driven (or latch set) = supply on.
    """
    return (supply is Supply.OFF) == (contact == "normally-closed")


def supply_of(driven: bool, contact: Contact) -> Supply:
    """Return the supply that a coil's state means; the way back of ``energised``."""
    return Supply.ON if driven == energised(Supply.ON, contact) else Supply.OFF


class Worker(Protocol):
    """The one thread of an open blocking backend; calls queue, at most one runs."""

    async def call(self, function: Callable[..., T], *args: Any) -> T:
        """Run ``function(*args)`` in the thread and return its result."""


class Host(Protocol):
    """What the shell lends to a backend while it is open."""

    station: str

    def worker(self, name: str) -> Worker:
        """Return the thread called ``name``; equal names share one thread."""

    async def share(
        self, key: str, opener: Callable[[], Awaitable[SharedLink[T]]]
    ) -> T:
        """Return the link of this key, opened once for all stations that use it.

        Give it back with ``release(key)``; the last one closes it.
        """

    async def release(self, key: str) -> None:
        """Give a shared link back."""

    def hint(self) -> None:
        """Say that something changed and an early read is worth it."""

    def attach(self, fileno: int, ready: Callable[[], None]) -> Callable[[], None]:
        """Call ``ready`` when the descriptor is readable; returns the detacher."""

    def boot_ms(self) -> int:
        """Return milliseconds since boot."""


@dataclass(frozen=True, slots=True)
class SharedLink(Generic[T]):
    """An opened link and how to close it."""

    value: T
    close: Callable[[], Awaitable[None]]


class _Closing(ABC):
    async def __aenter__(self) -> Self:
        await self.open()
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await self.close()

    @abstractmethod
    async def open(self) -> None:
        """Make ready. Errors: Unavailable, Unsupported, Refused, Busy."""

    @abstractmethod
    async def close(self) -> None:
        """Let go of everything; may be called twice, never raises."""

    def take_notes(self) -> list[str]:
        """Return what a person should know that is no error, each thing once."""
        return []


class Gauge(_Closing):
    """What reads the battery."""

    @property
    @abstractmethod
    def facts(self) -> GaugeFacts:
        """What this gauge is like."""

    @abstractmethod
    async def read(self) -> Sample:
        """Return one sample. Errors: Unavailable, Refused, Malformed, Unsupported."""


class Relay(_Closing):
    """What opens and closes the supply, whatever its technology."""

    @property
    @abstractmethod
    def facts(self) -> RelayFacts:
        """What this relay is like, as far as it is known by now."""

    @abstractmethod
    async def set(self, supply: Supply) -> None:
        """Command the supply, once. Errors: Unavailable, Refused, Malformed."""

    @abstractmethod
    async def get(self) -> Supply | None:
        """Return what the relay reports, ``None`` where it cannot tell."""

    async def refresh(self) -> None:
        """Refresh the dead-man timer; nothing to do where there is none."""


class Opener(Protocol[D_co]):
    """Makes a device, not yet open, from its settings."""

    def __call__(self, settings: Any, host: Host, /) -> D_co: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """One thing in reach that a station could use, or that was passed over.

    ``what`` says what it is and how it is now, ``where`` is its address or path.
    ``table`` are settings ready to paste, ``None`` for what cannot be used; then
    ``why_not`` says why. ``remedy`` is what a person can do about it.
    """

    what: str
    where: str
    table: Mapping[str, object] | None = None
    why_not: str = ""
    remedy: str = ""


class Survey(Protocol):
    """Looks for what a kind could use, and yields each thing as it turns up.

    It moves nothing and opens no port, but for the one that ``probe`` names. It may
    be given up at any time; what it yielded until then counts. Errors: Unavailable,
    Refused, Unsupported.
    """

    def __call__(self, host: Host, probe: str | None, /) -> AsyncIterator[Found]: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Backend(Generic[D_co]):
    """What a backend's file offers as ``BACKEND``.

    ``extra`` names the optional dependency group that it needs, if any; ``survey``
    finds what there is for it, where that can be found out.
    """

    kind: str
    settings: type[BackendSettings]
    make: Opener[D_co]
    extra: str | None = field(default=None)
    survey: Survey | None = field(default=None)


GaugeBackend = Backend[Gauge]
RelayBackend = Backend[Relay]
