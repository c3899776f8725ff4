"""Relays of several stations in one process, each with its host."""

from __future__ import annotations

from typing import Any, TypeVar

from tidegate.clock import SystemClock
from tidegate.contract import Backend, Relay
from tidegate.host import Machine, StationHost

R = TypeVar("R", bound=Relay)


class Stations:
    """What a process has only once, and who shares it."""

    def __init__(self) -> None:
        self.machine = Machine(SystemClock())
        self.hosts: list[StationHost] = []

    def relay(
        self, backend: Backend[R], station: str, table: dict[str, Any], **more: Any
    ) -> R:
        """Return a relay, not yet open; ``more`` goes to its class."""
        host = self.machine.host(station, hint=lambda: None)
        self.hosts.append(host)
        return backend.make(backend.settings.model_validate(table), host, **more)

    async def close(self) -> None:
        for host in self.hosts:
            await host.close()
        self.machine.workers.close()
