"""A rig whose daemon has a service manager: a socket that only listens."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from support.manager_socket import ManagerSocket
from support.shell_rig import Rig
from tidegate.manager.notify import Notifier
from tidegate.manager.part import Manager
from tidegate.service import Service

WATCHDOG_US = 300_000_000


class Ear:
    """Hears what was told in an event right after it: begun after the manager."""

    name = "ear"

    def __init__(self, rig: ManagedRig) -> None:
        self._rig = rig

    async def begin(self, service: Service) -> None:
        service.onlookers.append(lambda *_: self._rig.hear())

    async def end(self) -> None:
        self._rig.hear()


@dataclass
class ManagedRig(Rig):
    """As a rig; ``manager`` holds what the daemon told it, with virtual times."""

    watchdog_us: int | None = WATCHDOG_US
    manager: ManagerSocket = field(init=False)

    def __post_init__(self) -> None:
        super().__post_init__()
        self.manager = ManagerSocket(Path(self.folder) / "notify")

    def made(self) -> Service:
        service = super().made()
        part = Manager(Notifier(self.manager.name), watchdog_us=self.watchdog_us)
        # After each event: a socket's queue holds ten datagrams on some kernels.
        service._parts = (part, Ear(self))
        return service

    def listen_again(self) -> None:
        """Let the manager come back under its name."""
        Path(self.manager.name).unlink()
        self.manager = ManagerSocket(self.manager.name)

    async def crash(self) -> None:
        assert self.service is not None
        part = self.service._parts[0]
        assert isinstance(part, Manager)
        await super().crash()
        part._notifier.close()  # as the kernel does

    def hear(self) -> list[str]:
        """Return all lines so far."""
        return self.manager.hear(self.clock.boot_ms() / 1_000)

    def said_at_s(self, line: str) -> list[float]:
        """Return when a line came, each time."""
        self.hear()
        return [at_s for at_s, told in self.manager.told if told == line]
