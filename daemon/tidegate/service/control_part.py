"""The control socket as a part of the daemon."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from tidegate.control.place import daemon_place
from tidegate.control.server import Server
from tidegate.service.asked import table
from tidegate.settings.table_control import ControlSettings

if TYPE_CHECKING:
    from tidegate.service.root import Service


class ControlPart:
    """Listens from the start of the daemon to its end."""

    name = "control socket"

    def __init__(self, settings: ControlSettings) -> None:
        self._settings = settings
        self._server: Server | None = None

    async def begin(self, service: Service) -> None:
        server = Server(
            self._settings.socket or daemon_place(),
            settings=self._settings,
            asks=table(service),
            clock=service.clock,
            own_uid=os.geteuid(),
        )
        await server.begin()
        self._server = server
        service.log.info("control socket", path=str(server.path))

    async def end(self) -> None:
        if self._server is not None:
            await self._server.end()
