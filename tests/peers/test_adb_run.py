"""``tidegate run`` as a process, between a device behind a real adb server and a board.

In real time: the device's charge rises and falls with the board's contact; then the
server is killed, and the device is unplugged and comes back. All figures are invented.
"""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest

from support.adbd import Adbd, AdbServer, adb_server
from support.dumps import dump
from support.evidence import intents, rows, sound
from support.live_world import Battery, Daemon, LiveWorld
from support.peers import need
from tidegate.cyclelog.rows import AlarmRow

pytestmark = [pytest.mark.peer, pytest.mark.slow, pytest.mark.timeout(400)]


class _Shown:
    """A battery that its device's adb daemon tells of."""

    def __init__(self, device: Adbd, server: AdbServer) -> None:
        self._device = device
        self.gauge = (
            f'{{ kind = "adb", over = "tcp", serial = "{device.serial}", '
            f'server_port = {server.port}, program = "{server.program}", '
            f'home = "{server.home}" }}'
        )

    def show(self, battery: Battery, *, powered: bool) -> None:
        self._device.dump = dump(
            level=int(battery.soc_percent),
            voltage=3_600 + int(battery.soc_percent * 4),
            USB_powered=powered,
            status=2 if powered else 3,
        )


class AdbWorld(LiveWorld):
    """One guide on the network, and its supply behind the board."""

    def __init__(
        self, folder: Path, battery: Battery, device: Adbd, server: AdbServer
    ) -> None:
        super().__init__(folder, battery)
        self._shown = [_Shown(device, server)]  # type: ignore[list-item]
        self.server = server

    def daemon(self, *, env: dict[str, str] | None = None) -> Daemon:
        return super().daemon(env={**self.server.environment, **(env or {})})


def alarms(log: Path, code: str) -> list[bool]:
    found = [entry.row for entry in rows(log, "guide")]
    return [
        row.raised for row in found if isinstance(row, AlarmRow) and row.code == code
    ]


def clients(daemon: Daemon) -> list[str]:
    """The adb calls that the daemon has under way."""
    tasks = Path(f"/proc/{daemon.process.pid}/task").iterdir()
    texts = [(task / "children").read_text() for task in tasks]
    return [number for text in texts for number in text.split()]


def test_the_server_dies_and_the_device_goes_and_comes_back(tmp_path: Path) -> None:
    battery = Battery("guide", soc_percent=60.0)
    with (
        adb_server(need("adb"), tmp_path / "home", start=False) as server,
        Adbd() as device,
        AdbWorld(tmp_path, battery, device, server) as world,
    ):
        board = world.board
        with world.daemon() as daemon:
            world.wait_until(board.driven, 60, "off at the high mark")
            world.wait_until(lambda: not board.driven(), 60, "on at the low mark")

            (process,) = server.processes()
            os.kill(process, signal.SIGKILL)
            world.wait_until(
                lambda: '"gauge is back"' in daemon.said, 60, "it reads again"
            )
            assert process not in server.processes()
            assert len(server.processes()) == 1
            assert alarms(world.log, "gauge_lost") == []

            world.wait_until(board.driven, 60, "off again")
            device.unplug()
            world.wait_until(lambda: not board.driven(), 60, "supply on, blind")
            reasons = [row.reason for _, row in intents(rows(world.log, "guide"))]
            assert reasons[-1] == "gauge_lost", daemon.said
            assert alarms(world.log, "gauge_lost") == [True]
            assert "offline" in daemon.said
            assert "USB debugging" in daemon.said, "no remedy"

            device.plug_in()
            # Rule 4 wants trusted readings for a minute; rising meanwhile costs nothing.
            world.wait_until(
                lambda: alarms(world.log, "gauge_lost") == [True, False],
                150,
                f"the gauge is trusted again, {daemon.said}",
            )
            world.wait_until(board.driven, 60, "off at the high mark")
            assert daemon.stop() == 0, daemon.said
            assert not board.driven(), "supply on after the stop"
    sound(world.log, "guide")
    assert min(battery.trace) > 45


def test_a_device_that_hangs_leaves_no_process(tmp_path: Path) -> None:
    battery = Battery("guide", soc_percent=60.0)
    with (
        adb_server(need("adb"), tmp_path / "home", start=False) as server,
        Adbd() as device,
        AdbWorld(tmp_path, battery, device, server) as world,
    ):
        with world.daemon() as daemon:
            world.wait_until(world.board.driven, 60, "off at the high mark")
            device.behave("hangs")
            most = 0

            def is_on() -> bool:
                nonlocal most
                most = max(most, len(clients(daemon)))
                return not world.board.driven()

            world.wait_until(is_on, 60, "supply on, blind")
            assert most == 1, f"{most} calls at once to one device"
            device.behave("fair")
            world.wait_until(
                lambda: '"gauge is back"' in daemon.said, 90, "it reads again"
            )
            device.behave("hangs")
            world.wait_until(lambda: bool(clients(daemon)), 60, "a call under way")
            assert daemon.stop() == 0, daemon.said
        assert not world.board.driven()
        left = [
            entry.name
            for entry in Path("/proc").iterdir()
            if entry.name.isdigit() and device.serial in _words(entry)
        ]
        assert left == [], "a client outlived the daemon"
    sound(world.log, "guide")


def _words(process: Path) -> list[str]:
    try:
        return (process / "cmdline").read_text(errors="replace").split("\0")
    except OSError:
        return []  # it ended just now
