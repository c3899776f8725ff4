"""Remembers of each station what its state does not hold, for whoever asks.

The pace of the charge, and since when an alarm stands. Bounded by the number of
stations and of alarms; it decides nothing.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

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
# The two clocks are read one after the other, so their distance trembles; a step of
# the wall clock that anybody has to be told of is longer.
STEADY_MS: Final = 250
# Whoever asks the same within so long is told the same.
SAME_MS: Final = 250


@dataclass(slots=True)
class Memory:
    """What is remembered of one station; ``alarms`` since when, boot clock.

    ``recalled``: since when those stand that were raised before this run, UTC in ms.
    ``recent``: time and charge of the last trusted readings, without a gap between.
    """

    pace: Pace = field(default_factory=Pace)
    alarms: dict[Alarm, int] = field(default_factory=dict)
    recalled: dict[Alarm, int] = field(default_factory=dict)
    recent: deque[tuple[int, float]] = field(
        default_factory=lambda: deque(maxlen=RECENT_MOST)
    )

    def alarm_wall_ms(self, alarm: Alarm, *, ahead_ms: int) -> int | None:
        """Return since when an alarm stands, UTC in ms, ``None`` where not known."""
        at_ms = self.alarms.get(alarm)
        return self.recalled.get(alarm) if at_ms is None else at_ms + ahead_ms

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
        self.began_ms = service.clock.boot_ms()
        self._service = service
        self._ahead_ms = self._ahead_now_ms()
        self._happened = 0
        self._told: dict[tuple[str, ...], dict[str, Any]] = {}
        self._told_of: tuple[object, ...] = ()
        self._told_ms = 0
        self._memories: dict[str, Memory] = {}
        self._wanted: set[asyncio.Event] = set()
        self._log_path = service.settings.log.path
        service.onlookers.append(self.happened)

    def of(self, station: str) -> Memory:
        """Return what is remembered of a station."""
        return self._memories.setdefault(station, Memory())

    def ahead_ms(self) -> int:
        """Return what makes wall clock of boot clock: steady until that is stepped."""
        now_ms = self._ahead_now_ms()
        if abs(now_ms - self._ahead_ms) > STEADY_MS:
            self._ahead_ms = now_ms
        return self._ahead_ms

    def _ahead_now_ms(self) -> int:
        clock = self._service.clock
        return clock.wall_ms() - clock.boot_ms()

    def told(
        self, names: tuple[str, ...], make: Callable[[], dict[str, Any]]
    ) -> dict[str, Any]:
        """Return what was told of these stations a moment ago if nothing has happened
        since, else what ``make`` makes of them; nobody may change it.

        Of hundreds of stations that takes a while, and many may watch.
        """
        now_ms, of = self._service.clock.boot_ms(), self._all_there_is()
        if of != self._told_of or now_ms - self._told_ms >= SAME_MS:
            self._told, self._told_of, self._told_ms = {}, of, now_ms
        if names not in self._told:
            self._told[names] = make()
        return self._told[names]

    def _all_there_is(self) -> tuple[object, ...]:
        """Return what is another one as soon as a document would be."""
        service = self._service
        return (
            self._happened,
            self.ahead_ms(),
            id(service.settings),
            service.settings_error,
            service.writer.healthy,
            tuple(service.turnover.names.items()),
            tuple(map(id, service.stations.values())),
        )

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
        self._happened += 1
        memory = self.of(station.name)
        for effect in effects:
            match effect:
                case RaiseAlarm():
                    memory.alarms[effect.alarm] = state.quiet.now_ms
                case ClearAlarm():
                    memory.alarms.pop(effect.alarm, None)
                    memory.recalled.pop(effect.alarm, None)
        if isinstance(event, Started):
            known = memory.alarms.keys() | memory.recalled.keys()
            self._recall(station, state.alarms - known)
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
        # Of the wall clock, as they were written: at the start it may be wrong still,
        # and then be stepped.
        recalled = self.of(station.name).recalled
        for alarm in alarms:
            if alarm.value in known:
                recalled[alarm] = known[alarm.value]
