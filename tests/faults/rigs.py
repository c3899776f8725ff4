"""The world that a fault happens in: real files, a real port, the real daemon.

The battery is a tree of files as the kernel's class power_supply has it, read by the
``sysfs`` gauge. The relay is a board on a pseudo-terminal, moved by ``serial-frame``;
its contact decides what the files say. Between them runs the whole service with its
cycle log, in virtual time, so an hour passes in a second. All numbers are invented.
"""

from __future__ import annotations

import asyncio
import contextlib
import io
import json
import os
import shutil
import threading
from collections.abc import AsyncIterator, Callable, Coroutine, Iterator
from contextlib import ExitStack, asynccontextmanager, contextmanager
from pathlib import Path
from typing import Any, Final, Self
from unittest import mock

from support import evidence
from support.relay_board import RelayBoard
from tidegate import assembly, notice
from tidegate.contract import Gauge, Relay
from tidegate.core.state import State
from tidegate.cyclelog.rows import AlarmRow, Entry, Row
from tidegate.host import Machine, Workers
from tidegate.host.locks import Locks
from tidegate.host.workers import InlineWorker
from tidegate.service import Service
from tidegate.settings import from_tables
from tidegate.virtual import VirtualClock, run

STATION: Final = "lobby"
# The frames of a normally-closed contact: the coil is driven for "off".
OFF_FRAME: Final = bytes.fromhex("A00103A4")
ON_FRAME: Final = bytes.fromhex("A00102A3")
MINUTE_S: Final = 60
HOUR_S: Final = 3_600


def write_battery(folder: Path, values: dict[str, Any], *, files: bool = False) -> None:
    """Write a battery's folder; ``files``: single files beside an empty uevent."""
    folder.mkdir(parents=True, exist_ok=True)
    known = {key: value for key, value in values.items() if value is not None}
    lines = [f"POWER_SUPPLY_NAME={folder.name}".encode(), b"POWER_SUPPLY_TYPE=Battery"]
    lines += [f"POWER_SUPPLY_{k.upper()}=".encode() + _bytes(known[k]) for k in known]
    _swap(folder / "type", b"Battery\n")
    _swap(folder / "uevent", b"" if files else b"\n".join(lines) + b"\n")
    for key in known if files else ():
        _swap(folder / key, _bytes(known[key]) + b"\n")


def write_mains(folder: Path, *, online: bool) -> None:
    """Write the folder of a mains supply."""
    folder.mkdir(parents=True, exist_ok=True)
    _swap(folder / "type", b"Mains\n")
    _swap(folder / "online", b"%d\n" % online)


def _bytes(value: Any) -> bytes:
    return value if isinstance(value, bytes) else str(value).encode()


def _swap(path: Path, content: bytes) -> None:
    new = path.with_name(f".{path.name}")
    new.write_bytes(content)
    new.rename(path)


@contextmanager
def served(path: Path, *texts: bytes) -> Iterator[None]:
    """Let each read of a file take the next of these texts, then wait for ever."""

    def pipe() -> None:
        new = path.with_name(".pipe")
        os.mkfifo(new)
        new.rename(path)

    def serve() -> None:
        for text in texts:
            # Opening to write returns when somebody opens to read; the next pipe
            # stands in place before this reader sees the end of its own.
            with (
                contextlib.suppress(BrokenPipeError),  # thrown away, below
                path.open("wb", buffering=0) as answer,
            ):
                pipe()
                if text:
                    answer.write(text)

    pipe()
    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield
    finally:
        while thread.is_alive():
            # What was not asked for is thrown away, so that the thread ends.
            os.close(os.open(path, os.O_RDONLY | os.O_NONBLOCK))
            thread.join(timeout=0.01)


class Site:
    """One station: battery, mains, contact and daemon.

    ``values`` are the battery's attributes; a status of ``...`` follows the power.
    ``welded``: the contact moves and the supply stays. ``files``: no uevent, single
    files. Further keywords go into the station's table.
    """

    def __init__(
        self,
        folder: Path,
        *,
        soc: int = 60,
        clock: VirtualClock | None = None,
        log: Path | None = None,
        wrap_gauge: Callable[[Gauge], Gauge] | None = None,
        wrap_relay: Callable[[Relay], Relay] | None = None,
        **station: Any,
    ) -> None:
        self.folder = folder
        self.clock = clock or VirtualClock(boot_ms=600_000)
        self.log = log or folder / "cycles.db"
        self.root = folder / "sys"
        self.supplies = self.root / "class" / "power_supply"
        self.battery = self.supplies / "BAT0"
        self.board = RelayBoard(folder / "relay-port", on_contact=self.moved)
        self.values: dict[str, Any] = {
            "present": 1,
            "status": ...,
            "capacity": soc,
            "voltage_now": 3_900_000,
            "temp": 251,
        }
        self.powered = True
        self.mains = True
        self.welded = False
        self.files = False
        self.gone = False
        self.cycles = 0
        self.service: Service | None = None
        self._station = station
        self._wraps = (wrap_gauge, wrap_relay)
        self._lock = threading.RLock()
        self._task: asyncio.Task[None] | None = None
        self._messages = io.StringIO()
        notice.configure(stream=self._messages)
        self.show()

    def __enter__(self) -> Self:
        self.board.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.board.stop()
        assert self.board.failed is None, self.board.failed

    # --- the device -------------------------------------------------------------------

    def set(self, **values: Any) -> None:
        """Change what the battery says; ``None`` leaves an attribute out."""
        self.values.update(values)
        self.show()

    def switch_mains(self, *, on: bool) -> None:
        """Let the mains fail or come back."""
        self.mains = on
        self.show()

    def weld(self, *, welded: bool) -> None:
        """Let the supply no longer follow the contact, or again."""
        self.welded = welded
        if not welded:
            self.moved(1, self.board.driven())

    def show(self) -> None:
        """Write what the kernel would say now."""
        with self._lock:
            fed = self.mains and self.powered
            write_mains(self.supplies / "AC", online=fed)
            if self.gone:
                return
            values = dict(self.values)
            if values["status"] is ...:
                values["status"] = "Charging" if fed else "Discharging"
            write_battery(self.battery, values, files=self.files)

    def pull_battery(self) -> None:
        """Let the battery's folder vanish, as a reloaded driver does."""
        self.gone = True
        shutil.rmtree(self.battery)

    def fit_battery(self) -> None:
        """Let it come back."""
        self.gone = False
        self.show()

    def moved(self, channel: int, driven: bool) -> None:
        """Let the supply follow a coil, unless the contact is welded."""
        del channel
        if not self.welded:
            self.powered = not driven
            self.show()

    # --- the daemon -------------------------------------------------------------------

    def made(self, *, log: Path | None = None) -> Service:
        """Return a service on this site, not yet running."""
        station = {
            "gauge": {"kind": "sysfs", "root": str(self.root)},
            "relay": {
                "kind": "serial-frame",
                "port": str(self.board.link),
                "pause": "0s",
            },
            "window": {"low": 55, "high": 65},
            **self._station,
        }
        return Service(
            from_tables(
                {"log": {"path": str(log or self.log)}, "station": {STATION: station}}
            ),
            clock=self.clock,
            machine=Machine(
                self.clock,
                workers=Workers(InlineWorker),
                locks=Locks(self.folder / "locks"),
            ),
            threaded=False,
            on_cycle=self._cycle,
        )

    @asynccontextmanager
    async def living(self) -> AsyncIterator[None]:
        """Run the daemon; it is stopped in good order at the end."""
        with ExitStack() as stack:
            for name, wrap in zip(("gauge", "relay"), self._wraps, strict=True):
                if wrap is not None:
                    stack.enter_context(wrapped(name, wrap))
            self.service = self.made()
            self._task = asyncio.get_running_loop().create_task(self.service.run())
            try:
                yield
                self._check_lives()
            finally:
                self.service.end()
                await asyncio.wait({self._task})
            self._task.result()

    def _check_lives(self) -> None:
        assert self._task is not None
        assert self.service is not None
        if self._task.done() and self._task.exception() is not None:
            raise AssertionError(f"the service ended: {self._task.exception()!r}")
        assert not self._task.done(), "the service ended"
        assert not self.service.broken, f"the service ended: {self.said()}"

    async def until(
        self,
        holds: Callable[[], bool],
        within_s: float,
        what: str,
        *,
        step_s: float = 1.0,
    ) -> None:
        """Let virtual time pass until something holds."""
        end_ms = self.clock.boot_ms() + within_s * 1_000
        while not holds():
            self._check_lives()
            assert self.clock.boot_ms() < end_ms, f"not within {within_s} s: {what}"
            await asyncio.sleep(step_s)
        self._check_lives()

    async def live(self, for_s: float) -> None:
        """Let virtual time pass."""
        await asyncio.sleep(for_s)
        self._check_lives()

    async def reads(self, count: int) -> None:
        """Let so many reads of the gauge pass, whatever came of them."""
        wanted = self.cycles + count
        await self.until(lambda: self.cycles >= wanted, 60 * count, f"{count} reads")

    async def switched_off(self, *, within_s: float = 400) -> None:
        """Let the station go off at its high mark and see that it did."""
        self.set(capacity=66)
        await self.until(self.board.driven, within_s, "off at the high mark")
        await self.live(90)

    def _cycle(self) -> None:
        self.cycles += 1

    # --- looking ----------------------------------------------------------------------

    @property
    def now_s(self) -> float:
        return self.clock.boot_ms() / 1_000

    @property
    def state(self) -> State:
        assert self.service is not None
        state = self.service.stations[STATION].state
        assert state is not None, "the station did not start"
        return state

    @property
    def alarms(self) -> set[str]:
        """The alarms that stand; none before the station has begun."""
        assert self.service is not None
        station = self.service.stations.get(STATION)
        if station is None or station.state is None:
            return set()
        return {alarm.value for alarm in self.state.alarms}

    def alarmed(self, code: str) -> bool:
        return code in self.alarms

    @property
    def offs(self) -> int:
        """How often the board was told "off"."""
        return self.board.heard().count(OFF_FRAME)

    @property
    def ons(self) -> int:
        """How often the board was told "on"."""
        return self.board.heard().count(ON_FRAME)

    @property
    def moves(self) -> list[bytes]:
        """The frames so far that may move the contact, in order."""
        return [frame for frame in self.board.heard() if frame[2] in (0, 1, 2, 3)]

    def rows(self, kind: type[Row] | None = None) -> list[Any]:
        """Return the durable rows of the station, all or those of one kind."""
        return [e.row for e in self.entries if kind is None or isinstance(e.row, kind)]

    @property
    def entries(self) -> list[Entry]:
        """The durable rows of the station with their ids."""
        return evidence.rows(self.log, STATION)

    def told(self, code: str) -> list[bool]:
        """Return the log's rows of an alarm: raised, cleared, and so on."""
        return [row.raised for row in self.rows(AlarmRow) if row.code == code]

    def sound(self) -> list[Entry]:
        """Prove chain and decisions of the whole log."""
        return evidence.sound(self.log, STATION)

    def said(self, message: str | None = None) -> list[dict[str, Any]]:
        """Return the diagnostic messages, all or those with one text."""
        lines = [json.loads(line) for line in self._messages.getvalue().splitlines()]
        return [line for line in lines if message in (None, line["message"])]


@contextmanager
def wrapped(name: str, wrap: Callable[[Any], Any]) -> Iterator[None]:
    make = getattr(assembly, f"make_{name}")
    with mock.patch.object(assembly, f"make_{name}", lambda *a: wrap(make(*a))):
        yield


def lives(site: Site, life: Callable[[Site], Coroutine[Any, Any, None]]) -> None:
    """Let a site live in virtual time."""
    with site:
        run(life(site), clock=site.clock)
