"""What peers need beyond their own files to live in a booted machine.

``Door`` lets a peer, which listens on loopback, be reached at another address of the
machine; ``BluezInside`` is a ``FakeBluez`` on the machine's own system bus; what else
is here is files as the kernel has them. All is invented.
"""

from __future__ import annotations

import socket
import threading
from pathlib import Path
from socketserver import BaseRequestHandler, ThreadingTCPServer
from typing import Self

from support.bluez import WITHIN_S, FakeBluez, FakePeer
from support.booted import Machine


class Door:
    """A port at an address; what comes there goes on to a port of loopback.

    Begin it inside ``Machine.network()``: its threads stay there.
    """

    def __init__(self, address: str, to_port: int) -> None:
        self._server = _Server((address, 0), to_port)
        self.port = int(self._server.server_address[1])
        self._thread = threading.Thread(
            target=self._server.serve_forever, args=(0.05,), daemon=True
        )

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(timeout=10)


class _Server(ThreadingTCPServer):
    daemon_threads = True
    block_on_close = False

    def __init__(self, at: tuple[str, int], to_port: int) -> None:
        self.address_family = socket.AF_INET6 if ":" in at[0] else socket.AF_INET
        self.to_port = to_port
        super().__init__(at, _Passing)


class _Passing(BaseRequestHandler):
    server: _Server
    request: socket.socket

    def handle(self) -> None:
        try:
            behind = socket.create_connection(("127.0.0.1", self.server.to_port), 10)
        except OSError:
            return  # nobody there: the caller sees its connection end
        with behind:
            behind.settimeout(None)
            back = threading.Thread(
                target=_pump, args=(behind, self.request), daemon=True
            )
            back.start()
            _pump(self.request, behind)
            back.join(timeout=10)


def _pump(source: socket.socket, sink: socket.socket) -> None:
    """Hand on what comes, its end too; who is gone gets nothing any more."""
    try:
        while data := source.recv(65_536):
            sink.sendall(data)
        sink.shutdown(socket.SHUT_WR)
    except OSError:
        return


class BluezInside(FakeBluez):
    """``org.bluez`` as root has it on the system bus of a machine."""

    def __init__(self, machine: Machine, folder: Path, *peers: FakePeer) -> None:
        super().__init__(folder, *peers)
        self.at = f"unix:path={machine.own_view}/run/dbus/system_bus_socket"

    def __enter__(self) -> Self:
        self._thread.start()
        self._do(self._appear())
        return self

    def __exit__(self, *_: object) -> None:
        self._do(self._vanish())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(WITHIN_S)
        self._loop.close()


def battery(folder: Path, *, soc: int, name: str = "BAT0") -> None:
    """Write a battery of the class power_supply. Source: ABI sysfs-class-power."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "type").write_text("Battery\n")
    (folder / "capacity").write_text(f"{soc}\n")
    (folder / "uevent").write_text(
        f"POWER_SUPPLY_NAME={name}\nPOWER_SUPPLY_TYPE=Battery\n"
        "POWER_SUPPLY_PRESENT=1\nPOWER_SUPPLY_STATUS=Unknown\n"
        f"POWER_SUPPLY_CAPACITY={soc}\nPOWER_SUPPLY_VOLTAGE_NOW=3900000\n"
        "POWER_SUPPLY_TEMP=251\n"
    )


def mains(folder: Path, *, online: bool) -> None:
    """Write a charger of that class."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "type").write_text("Mains\n")
    (folder / "online").write_text(f"{int(online)}\n")
