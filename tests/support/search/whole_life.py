"""One life of the daemon in a whole world: a process, its disk, and what it says."""

from __future__ import annotations

import asyncio
import io
from collections import deque
from functools import partial
from pathlib import Path
from typing import Final

from support.search.mortal import FakeDisk, MortalLoop
from tidegate.core.effects import ClearAlarm, EffectSeen, RaiseAlarm, SwitchSupply
from tidegate.core.events import (
    GaugeFailed,
    ReadingArrived,
    Started,
    SwitchingFailed,
    SwitchingSucceeded,
)
from tidegate.cyclelog.writer import Writer
from tidegate.host import Machine, Workers
from tidegate.host.locks import Locks
from tidegate.host.workers import InlineWorker
from tidegate.service import Service
from tidegate.virtual import VirtualClock

MESSAGES_KEPT: Final = 4_000
HOUR_MS: Final = 3_600_000


class Talk(io.StringIO):
    """What the daemon says, the last of it."""

    def __init__(self) -> None:
        super().__init__()
        self.lines: deque[str] = deque(maxlen=MESSAGES_KEPT)

    def write(self, text: str) -> int:
        self.lines.append(text)
        return len(text)


class Life:
    """One process of the daemon, until it ends or dies."""

    def __init__(self, clock: VirtualClock, disk: FakeDisk, locks: Path) -> None:
        self.disk = disk
        self.loop = MortalLoop(clock, disk.die)
        disk.on_death = partial(self.loop.die_in, 0)
        self.machine = machine(clock, locks)
        self.writers: list[Writer] = []
        self.service: Service | None = None
        self.pump: asyncio.TimerHandle | None = None
        self.tasks: list[asyncio.Task[None]] = []

    @property
    def is_dead(self) -> bool:
        return self.disk.is_dead

    def let_go(self) -> None:
        """Close what the kernel closes of a process that is gone."""
        for writer in self.writers:
            if writer._file._lock is not None:
                writer._file._lock.close()
        for holds in self.machine.locks._held.values():
            for hold in holds:
                hold.release()


def machine(clock: VirtualClock, locks: Path) -> Machine:
    """Return what a process has once, in a virtual world."""
    return Machine(clock, workers=Workers(InlineWorker), locks=Locks(locks))


def in_words(
    true_ms: int, station: str, event: object, effects: object, soc: object
) -> str:
    """Return one of the last events of a world as a line."""
    hours = f"{true_ms / HOUR_MS:9.4f} h {station:6}"
    if isinstance(event, str):
        return f"{hours} {event} {effects}".rstrip()
    said = [type(event).__name__]
    match event:
        case ReadingArrived(reading=reading):
            sample = reading.sample
            said += [
                f"{sample.soc_percent} %",
                sample.battery_status.value,
                f"power {sample.external_power.value}",
                f"{sample.temperature_c} °C",
                reading.why_not.value if reading.why_not else "",
            ]
        case Started() | GaugeFailed() | SwitchingSucceeded() | SwitchingFailed():
            said.append(repr(event).partition("(")[2][:-1])
    assert isinstance(effects, tuple)
    shown = [_effect(each) for each in effects]
    return f"{hours} {soc} % {' '.join(said)} -> {'; '.join(filter(None, shown))}"


def _effect(effect: object) -> str:
    match effect:
        case SwitchSupply():
            swapped = ", swapped" if effect.swapped else ""
            return f"{effect.supply} ({effect.reason}, {effect.kind}{swapped})"
        case RaiseAlarm() | ClearAlarm():
            return f"{type(effect).__name__} {effect.alarm}"
        case EffectSeen():
            return f"seen {effect.supply}: {effect.seen}"
    return ""
