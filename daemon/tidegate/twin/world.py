"""What happens around a twin: outages, stuck relays, hot afternoons, gauge faults."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from math import pi, sin


class What(StrEnum):
    """The kinds of events."""

    MAINS_OUT = "mains_out"
    """No supply at all."""
    WEAK_SUPPLY = "weak_supply"
    """The supply gives at most ``amount`` amperes."""
    HOT = "hot"
    """Surroundings warmer, rising to ``amount`` kelvin at half time and back."""
    RELAY_STUCK = "relay_stuck"
    """The contact does not move; the relay says that all is well."""
    RELAY_WELDED = "relay_welded"
    """From this time the contact cannot open; it frees itself, ``for_ms`` after the
    first try to open it."""
    RELAY_UNREACHABLE = "relay_unreachable"
    """The relay does not answer."""
    RELAY_RESET = "relay_reset"
    """A brown-out of the relay: its coil is released, nobody is told."""
    GAUGE_UNREACHABLE = "gauge_unreachable"
    """The gauge does not answer."""
    GAUGE_ABSENT = "gauge_absent"
    """The gauge says that there is no battery."""
    GAUGE_FROZEN = "gauge_frozen"
    """The battery's figures stay as they were."""
    GAUGE_JUMP = "gauge_jump"
    """The reported charge is ``amount`` points off."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something that begins at a wall-clock time and lasts; see ``What``."""

    what: What
    from_wall_ms: int
    for_ms: int = 0
    amount: float = 0.0

    @property
    def until_wall_ms(self) -> int:
        """When it is over."""
        return self.from_wall_ms + self.for_ms


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """The twin's calendar and what is written in it.

    ``start_wall_ms`` is the wall time of the twin when the boot clock shows
    ``start_boot_ms``.
    """

    start_wall_ms: int = 0
    start_boot_ms: int = 0
    events: tuple[Event, ...] = ()

    def wall_ms(self, boot_ms: int) -> int:
        """Return the twin's wall time."""
        return boot_ms - self.start_boot_ms + self.start_wall_ms

    def boot_ms(self, wall_ms: int) -> int:
        """Return the boot-clock time of a wall time of the twin."""
        return wall_ms - self.start_wall_ms + self.start_boot_ms

    def active(self, wall_ms: int) -> dict[What, Event]:
        """Return what is going on; of two equal kinds the later one counts."""
        return {
            event.what: event
            for event in self.events
            if event.from_wall_ms <= wall_ms < event.until_wall_ms
        }

    def begun(self, what: What, after_wall_ms: int, until_wall_ms: int) -> list[Event]:
        """Return the events of a kind that begin after one time, up to another."""
        return [
            event
            for event in self.events
            if event.what is what
            and after_wall_ms < event.from_wall_ms <= until_wall_ms
        ]

    def next_wall_ms(self, wall_ms: int) -> int | None:
        """Return when something next begins or ends."""
        edges = [event.from_wall_ms for event in self.events]
        edges += [event.until_wall_ms for event in self.events]
        return min((edge for edge in edges if edge > wall_ms), default=None)


def warmth_k(event: Event | None, wall_ms: float) -> float:
    """Return how much warmer the surroundings are: half a sine over the event."""
    if event is None:
        return 0.0
    return event.amount * sin(pi * (wall_ms - event.from_wall_ms) / event.for_ms)
