"""The daemon as a process of its own between a battery and pymodbus's own server.

The unit has a power supply of its own: when its cable is cut it holds the supply off,
until its watchdog gives it back.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from support.evidence import rows, sound
from support.live_world import Battery, LiveWorld
from support.modbus_server import WATCHDOG, ModbusServer
from support.wire_pair import WirePair
from tidegate.cyclelog.rows import AlarmRow

pytestmark = [pytest.mark.peer, pytest.mark.slow]

WATCHDOG_S = 6


class Unit:
    """One unit, and the two ways in which it goes out of reach."""

    def __init__(self, folder: Path, *, door: str) -> None:
        self.link = folder / "bus"
        self._pair = WirePair(self.link, folder / "far-end")
        self._server = ModbusServer(self._pair.theirs if door == "rtu" else None)
        self._by_cable = door == "rtu"

    def start(self) -> None:
        self._pair.__enter__()
        self._server.start()

    def stop(self) -> None:
        self._server.stop()
        self._pair.__exit__(None, None, None)

    def cut(self) -> None:
        (self._pair.unplug if self._by_cable else self._server.stop)()

    def mend(self) -> None:
        (self._pair.plug_in if self._by_cable else self._server.start)()

    def driven(self, channel: int = 1) -> bool:
        return self._server.driven(channel - 1)

    @property
    def door(self) -> str:
        if self._by_cable:
            return f'port = "{self.link}"'
        return f'host = "127.0.0.1", tcp_port = {self._server.tcp_port}'


class ModbusWorld(LiveWorld):
    """A world whose supply hangs on a unit."""

    board: Unit  # type: ignore[assignment]

    def __init__(self, folder: Path, battery: Battery, *, door: str) -> None:
        super().__init__(folder, battery)
        self.board.stop()  # the other board, never started: gives back what it holds
        self.board = Unit(folder, door=door)

    def settings(self, extra: str = "") -> Path:
        path = super().settings(extra)
        timer = (
            f'{{ style = "watchdog", address = {WATCHDOG}, time = "{WATCHDOG_S}s", '
            'step = "0.1s" }'
        )
        mine = (
            f'relay = {{ kind = "modbus", {self.board.door}, coil = 0, '
            f"timer = {timer} }}"
        )
        lines = path.read_text(encoding="utf-8").splitlines()
        changed = [mine if line.startswith("relay = ") else line for line in lines]
        path.write_text("\n".join(changed) + "\n", encoding="utf-8")
        return path


def alarmed(world: LiveWorld, code: str, *, raised: bool) -> Callable[[], bool]:
    def holds() -> bool:
        return any(
            isinstance(entry.row, AlarmRow)
            and (entry.row.code, entry.row.raised) == (code, raised)
            for entry in rows(world.log, "bat0")
        )

    return holds


@pytest.mark.parametrize("door", ["rtu", "tcp"])
def test_cut_off_and_back(tmp_path: Path, door: str) -> None:
    battery = Battery("BAT0", soc_percent=63.0, rate_percent_s=1.0)
    world = ModbusWorld(tmp_path, battery, door=door)
    with world, world.daemon() as daemon:
        world.wait_until(lambda: world.board.driven(), 40, "the first off")
        world.board.cut()
        world.wait_until(
            lambda: not world.board.driven(),
            WATCHDOG_S + 20,
            f"the supply from the watchdog, {daemon.said}",
        )
        world.wait_until(
            alarmed(world, "relay_failed", raised=True), 60, f"alarm, {daemon.said}"
        )
        world.board.mend()
        world.wait_until(
            alarmed(world, "relay_failed", raised=False), 90, f"healed, {daemon.said}"
        )
        world.wait_until(
            lambda: world.board.driven() and battery.soc_percent > 64,
            90,
            f"an off at the high mark, {daemon.said}",
        )
        world.wait_until(
            lambda: battery.soc_percent < 64 - WATCHDOG_S, 40, "more than its time"
        )
        assert world.board.driven(), "the daemon keeps the watchdog quiet"
        assert daemon.stop() == 0, daemon.said
        assert not world.board.driven(), "the supply is on at the end"
    sound(world.log, "bat0")
    said = daemon.said
    assert "the port is" in said if door == "rtu" else "no connection" in said
    assert min(battery.trace) > 30
    assert "Traceback" not in said
