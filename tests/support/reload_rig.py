"""A rig whose daemon reloads: the settings that it finds are put there by a test."""

from __future__ import annotations

import copy
from dataclasses import dataclass, field
from typing import Any

from support.shell_rig import Device, Rig
from tidegate.errors import TidegateError
from tidegate.service import Service
from tidegate.service.reload import Asked, Reloaded
from tidegate.settings import Settings, from_tables

BY = Asked(by="uid 1000 (ana)")


@dataclass
class ReloadRig(Rig):
    """``tables`` are what its files say; an error there is what loading raises."""

    tables: dict[str, Any] = field(default_factory=dict)
    error: TidegateError | None = None

    def made(self) -> Service:
        service = super().made()
        self.tables = {
            "log": {"path": str(self.log)},
            "station": {
                name: station(name, board="board", channel=number)
                for number, name in enumerate(self.names, start=1)
            },
        }
        service.reload._load = self.loaded
        return service

    def loaded(self) -> Settings:
        if self.error is not None:
            raise self.error
        return from_tables(copy.deepcopy(self.tables))

    def give(self, name: str, **keys: Any) -> None:
        """Set keys of a station; one that is new gets a device too."""
        self.tables["station"].setdefault(name, station(name)).update(keys)
        self.devices.setdefault(name, Device(at_ms=self.clock.boot_ms()))

    def take(self, name: str) -> None:
        """Let a station be in the settings no more."""
        del self.tables["station"][name]

    async def reload(self, asked: Asked = BY) -> Reloaded:
        assert self.service is not None
        return await self.service.reload.take(asked)


def station(name: str, *, board: str = "", channel: int = 1) -> dict[str, Any]:
    """Return the table of a station, as the rig makes it."""
    return {
        "gauge": {"kind": "twin", "device": name, "host_is_device": True},
        "relay": {"kind": "twin", "device": board or name, "channel": channel},
        "window": {"low": 55, "high": 65},
    }
