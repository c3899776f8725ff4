"""The part that starts the operator's program, with real programs and a bare station.

``FakeStation`` is a name, a state and the clock: what the part looks at.
"""

from __future__ import annotations

import asyncio
import json
import os
import threading
import time
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tidegate.clock import SystemClock
from tidegate.core.effects import Alarm, ClearAlarm, RaiseAlarm
from tidegate.core.events import TimePassed
from tidegate.core.policy import Policy
from tidegate.core.reading import BatteryStatus, ExternalPower
from tidegate.core.state import Quiet, Seen, State
from tidegate.host import Machine
from tidegate.service.alarm_part import AlarmPart
from tidegate.settings.table_alarm import AlarmSettings

LIMIT_S = 20.0
SEEN = Seen(
    at_ms=0,
    soc_percent=24.0,
    status=BatteryStatus.DISCHARGING,
    power=ExternalPower.NO,
    voltage_v=None,
    current_a=None,
    temperature_c=25.1,
    charge_ah=None,
)


def alarm_settings(*run: str, **settings: Any) -> AlarmSettings:
    """As the loader makes them of a table; no words are no program."""
    table = {"run": run, **settings} if run else settings
    return AlarmSettings.model_validate(table)


class FakeStation:
    """As much of a station as is looked at."""

    def __init__(self, name: str = "hall") -> None:
        self.name = name
        self.clock = SystemClock()
        self.state = State(policy=Policy(), quiet=Quiet(seen=SEEN))


@dataclass
class FakeSettings:
    """As much of the settings as the part reads again after a reload."""

    alarm: AlarmSettings
    stations: tuple[str, ...] = ("hall",)


class FakeService:
    """As much of a service as the part takes; its threads are real."""

    def __init__(self, settings: FakeSettings) -> None:
        self.clock = SystemClock()
        self.machine = Machine(self.clock)
        self.onlookers: list[Callable[..., None]] = []
        self.settings = settings


class AlarmRig:
    """A part, a folder with programs, and what they wrote there."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.told_file = folder / "told"
        self.told_file.touch()

    def program(self, does: str) -> str:
        path = self.folder / "tell"
        path.write_text(f"#!/bin/sh\n{does}\n")
        path.chmod(0o755)
        return str(path)

    def telling(self, then: str = "") -> str:
        """A program that writes down its stdin, and then does something."""
        return self.program(f"cat >> {self.told_file}\n{then}")

    @property
    def told(self) -> list[dict[str, Any]]:
        return [json.loads(line) for line in self.told_file.read_text().splitlines()]

    @asynccontextmanager
    async def part(self, *run: str, **settings: Any) -> AsyncIterator[AlarmPart]:
        alarm = alarm_settings(*run, **settings)
        part, service = AlarmPart(alarm), FakeService(FakeSettings(alarm))
        await part.begin(service)  # type: ignore[arg-type]
        try:
            yield part
        finally:
            await asyncio.wait_for(part.end(), LIMIT_S)
            service.machine.workers.close()

    def reload(
        self,
        part: AlarmPart,
        *run: str,
        stations: Sequence[str] = ("hall",),
        **keys: Any,
    ) -> None:
        """As after a reload with these settings; no words take the program away."""
        settings = FakeSettings(alarm_settings(*run, **keys), tuple(stations))
        service = FakeService(settings)
        part.settings_changed(service)  # type: ignore[arg-type]

    def raised(self, part: AlarmPart, alarm: Alarm, station: str = "hall") -> None:
        self._happened(part, RaiseAlarm(alarm=alarm), station)

    def over(self, part: AlarmPart, alarm: Alarm, station: str = "hall") -> None:
        self._happened(part, ClearAlarm(alarm=alarm), station)

    def _happened(
        self, part: AlarmPart, effect: RaiseAlarm | ClearAlarm, station: str
    ) -> None:
        fake = FakeStation(station)
        part.happened(fake, TimePassed(), (effect,))  # type: ignore[arg-type]

    async def until(self, holds: Callable[[], bool], what: str) -> None:
        """Wait on a condition, looked at every 10 ms."""
        loop = asyncio.get_running_loop()
        end_s = loop.time() + LIMIT_S
        while not holds():
            assert loop.time() < end_s, f"not within {LIMIT_S} s: {what}"
            await asyncio.sleep(0.01)


def is_alive(pid: int) -> bool:
    """Whether a process runs: kill(2) with signal 0, and it is no zombie."""
    try:
        os.kill(pid, 0)
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except (ProcessLookupError, FileNotFoundError):
        return False
    return state != "Z"


def until(holds: Callable[[], bool], what: str) -> None:
    """Wait on a condition where there is no loop, looked at every 10 ms."""
    end_s = time.monotonic() + LIMIT_S
    tick = threading.Event()
    while not holds():
        assert time.monotonic() < end_s, f"not within {LIMIT_S} s: {what}"
        tick.wait(0.01)
