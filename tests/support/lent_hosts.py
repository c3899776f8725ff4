"""Hosts of several stations on one machine, lent to backends under test."""

from __future__ import annotations

from tidegate.clock import SystemClock
from tidegate.host import Machine, StationHost


class LentHosts:
    """Lends hosts with real threads and shared links, and takes them back."""

    def __init__(self) -> None:
        self.machine = Machine(SystemClock())
        self.hosts: list[StationHost] = []

    def host(self, station: str) -> StationHost:
        self.hosts.append(self.machine.host(station, hint=lambda: None))
        return self.hosts[-1]

    async def close(self) -> None:
        for host in self.hosts:
            await host.close()
        self.machine.workers.close()
