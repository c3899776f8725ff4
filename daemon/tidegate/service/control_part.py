"""The control socket as a part of the daemon."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from tidegate.control.keeping import Keeper
from tidegate.control.place import daemon_place
from tidegate.control.server import Server
from tidegate.core.effects import Effect
from tidegate.core.events import Event
from tidegate.service.asked import table
from tidegate.settings.table_control import ControlSettings

if TYPE_CHECKING:
    from tidegate.service.root import Service
    from tidegate.station.shell import Station


class ControlPart:
    """Listens from the start of the daemon to its end."""

    name = "control socket"

    def __init__(self, settings: ControlSettings) -> None:
        self._settings = settings
        self._server: Server | None = None
        self._keeper: Keeper | None = None

    async def begin(self, service: Service) -> None:
        server = Server(
            self._settings.socket or daemon_place(),
            settings=self._settings,
            asks=table(service),
            clock=service.clock,
            own_uid=os.geteuid(),
        )
        keeper = Keeper(server, service.clock)
        keeper.begin()
        self._server, self._keeper = server, keeper
        service.onlookers.append(self._happened)

    def _happened(
        self, station: Station, event: Event, effects: tuple[Effect, ...]
    ) -> None:
        """Look after the socket at the pace of the stations."""
        del station, event, effects
        if self._keeper is not None:
            self._keeper.look()

    async def end(self) -> None:
        self._keeper = None
        if self._server is not None:
            await self._server.end()
