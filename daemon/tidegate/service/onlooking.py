"""Remembers of each station what its state does not hold, for whoever asks.

The pace of the charge, and since when an alarm stands. Bounded by the number of
stations and of alarms; it decides nothing.
"""

from __future__ import annotations

import asyncio
from collections import deque
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from tidegate.core.effects import Alarm, ClearAlarm, Effect, RaiseAlarm
from tidegate.core.events import Event, ReadingArrived, Started
from tidegate.cyclelog.standing import raised_wall_ms
from tidegate.errors import LogError
from tidegate.service.pace import Pace

if TYPE_CHECKING:
    from tidegate.service.root import Service
    from tidegate.station.shell import Station


# Equal readings make two points; the log has what is older than 15 min.
RECENT_MOST: Final = 40
GAP_POLLS: Final = 4


@dataclass(slots=True)
class Memory:
    """What is remembered of one station; ``alarms`` since when, boot clock.

    ``recent``: time and charge of the last trusted readings, without a gap between.
    """

    pace: Pace = field(default_factory=Pace)
    alarms: dict[Alarm, int] = field(default_factory=dict)
    recent: deque[tuple[int, float]] = field(
        default_factory=lambda: deque(maxlen=RECENT_MOST)
    )

    def read(self, at_ms: int, soc_percent: float, *, gap_ms: int) -> None:
        """Take one trusted reading; a distance of more than ``gap_ms`` is a gap."""
        recent = self.recent
        if recent and at_ms - recent[-1][0] > gap_ms:
            recent.clear()
        if len(recent) > 1 and recent[-1][1] == recent[-2][1] == soc_percent:
            recent.pop()
        recent.append((at_ms, soc_percent))


class Onlooking:
    """Looks on at all stations of a service, from when it is made."""

    def __init__(self, service: Service) -> None:
        self.began_wall_ms = service.clock.wall_ms()
        self._memories: dict[str, Memory] = {}
        self._wanted: set[asyncio.Event] = set()
        self._log_path = service.settings.log.path
        service.onlookers.append(self.happened)

    def of(self, station: str) -> Memory:
        """Return what is remembered of a station."""
        return self._memories.setdefault(station, Memory())

    def wants(self, changed: asyncio.Event) -> None:
        """Set this event after each cycle and whatever happens in between."""
        self._wanted.add(changed)

    def leaves(self, changed: asyncio.Event) -> None:
        """Set it no more."""
        self._wanted.discard(changed)

    def happened(
        self, station: Station, event: Event, effects: tuple[Effect, ...]
    ) -> None:
        """Take what happened to a station."""
        state = station.state
        assert state is not None
        memory = self.of(station.name)
        for effect in effects:
            match effect:
                case RaiseAlarm():
                    memory.alarms[effect.alarm] = state.quiet.now_ms
                case ClearAlarm():
                    memory.alarms.pop(effect.alarm, None)
        if isinstance(event, Started):
            self._recall(station, state.alarms - memory.alarms.keys())
        seen = state.quiet.seen
        if isinstance(event, ReadingArrived) and event.reading.trusted and seen:
            memory.pace.take(seen.at_ms, seen.soc_percent, state.drive.commanded)
            gap_ms = GAP_POLLS * state.policy.poll_ms
            memory.read(seen.at_ms, seen.soc_percent, gap_ms=gap_ms)
        for changed in self._wanted:
            changed.set()

    def _recall(self, station: Station, alarms: frozenset[Alarm]) -> None:
        """Ask the log since when alarms stand that were raised before this run."""
        if not alarms:
            return
        try:
            known = raised_wall_ms(self._log_path, station.name)
        except LogError as error:
            station.log.warning("since when alarms stand is not known", why=str(error))
            return
        ahead_ms = station.clock.boot_ms() - station.clock.wall_ms()
        memory = self.of(station.name)
        for alarm in alarms:
            if alarm.value in known:
                memory.alarms[alarm] = known[alarm.value] + ahead_ms
