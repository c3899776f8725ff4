"""Looks after the locks of the relays: who takes a file away lets a second master in."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from tidegate.core.effects import Effect
from tidegate.core.events import Event
from tidegate.core.policy import MINUTE_MS
from tidegate.notice import Quiet

if TYPE_CHECKING:
    from tidegate.service.root import Service
    from tidegate.station.shell import Station

# One lstat(2) a relay. Engineering choice.
LOOK_APART_MS: Final = MINUTE_MS


class LockPart:
    """A part of the service. It wakes nobody: it looks at the pace of the stations."""

    name = "relay locks"

    def __init__(self) -> None:
        self._service: Service | None = None
        self._looked_ms = 0
        self._amiss: set[tuple[str, str]] = set()

    async def begin(self, service: Service) -> None:
        self._service = service
        self._looked_ms = service.clock.boot_ms()
        self._quiet = Quiet(service.clock)
        service.onlookers.append(self._happened)

    async def end(self) -> None:
        self._service = None

    def _happened(
        self, station: Station, event: Event, effects: tuple[Effect, ...]
    ) -> None:
        del station, event, effects
        service = self._service
        if service is None:
            return
        now_ms = service.clock.boot_ms()
        if now_ms - self._looked_ms < LOOK_APART_MS:
            return
        self._looked_ms = now_ms
        found = {(each.target, str(each)) for each in service.machine.locks.renew()}
        for target, why in sorted(self._amiss - found):
            self._quiet.over(target, why)
            if target not in dict(found):
                service.log.info("over: a relay is not locked", why=why)
        for target, why in sorted(found):
            if count := self._quiet.count(target, why):
                service.log.warning("a relay is not locked", why=why, count=count)
        self._amiss = found
