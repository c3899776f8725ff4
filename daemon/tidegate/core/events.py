"""Everything that can happen to a station. Each event is written to the cycle log.

Times are boot-clock milliseconds; the time of the event itself is an argument of
``step``, not a field.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from tidegate.core.policy import Marks, PlanReason, Policy
from tidegate.core.reading import Reading, Supply


@dataclass(frozen=True, slots=True, kw_only=True)
class Started:
    """The daemon began to look after the station.

    ``same_boot``: the run before this one lived in this boot. ``was_closed``: that
    run ended in good order. ``relay``: what a relay with readback grade 2 or 3
    reports, ``None`` if it cannot tell.
    """

    same_boot: bool = False
    was_closed: bool = True
    relay: Supply | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingArrived:
    """A gauge answered.

    ``reads`` is how many equal readings it stands for, and ``same_reads`` of them
    since ``same_since_ms`` were identical in every quantity; live readings stand for
    themselves, a run row of the cycle log stands for many.
    """

    reading: Reading
    reads: int = 1
    same_reads: int | None = None
    same_since_ms: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeFailed:
    """A read brought nothing. ``kind`` is the error's class name, lower case."""

    kind: str
    reads: int = 1


class RelaySaid(StrEnum):
    """What a relay with readback reports; unknown is: the relay is not there."""

    ON = "on"
    OFF = "off"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class RelayReported:
    """A relay told its state outside a switching, already in terms of the supply.

    ``asked_at_ms``: when it was asked, for one that took its time not to answer.
    """

    said: RelaySaid
    asked_at_ms: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SwitchingSucceeded:
    """The relay carried out a command. The effect is another matter.

    ``told_at_ms`` says which: the time of the step that ordered it, ``None`` for the
    last one.
    """

    supply: Supply
    told_at_ms: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SwitchingFailed:
    """A command did not reach the relay, or was dropped before it was told.

    ``told_at_ms`` as in ``SwitchingSucceeded``.
    """

    supply: Supply
    kind: str
    told_at_ms: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class NeighbourSwitched:
    """Another station on the same link had a relay call queued or under way."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OverridePlaced:
    """An operator ordered the supply until ``until_ms`` (boot clock)."""

    supply: Supply
    until_ms: int
    because: str
    by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class OverrideReleased:
    """An operator withdrew the override."""

    by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanChanged:
    """The marks of the plan in force; ``None`` is: those of the settings.

    ``because`` is what a person wrote, or what ended the plan; ``moment_wall_ms`` the
    moment that a rise is for, as the wall clock has it. Neither decides anything.
    """

    marks: Marks | None
    why: PlanReason | None = None
    because: str = ""
    moment_wall_ms: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingsChanged:
    """New settings are in force."""

    policy: Policy
    relay_changed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Proved:
    """A commissioning run ended well: off, effect, on, effect were all seen.

    ``operations`` is how often it moved the relay.
    """

    operations: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class NotProved:
    """A commissioning run ended without that proof.

    ``is_reversed``: it saw that commands act the other way round than they were sent.
    """

    is_reversed: bool = False
    operations: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class TimePassed:
    """A wake-up asked for by the core."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Resumed:
    """The machine was suspended and woke up."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LogLost:
    """The cycle log can no longer be written."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LogBack:
    """The cycle log can be written again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stopping:
    """The daemon is about to end."""


Event = (
    Started
    | ReadingArrived
    | GaugeFailed
    | RelayReported
    | SwitchingSucceeded
    | SwitchingFailed
    | NeighbourSwitched
    | OverridePlaced
    | OverrideReleased
    | PlanChanged
    | SettingsChanged
    | Proved
    | NotProved
    | TimePassed
    | Resumed
    | LogLost
    | LogBack
    | Stopping
)
