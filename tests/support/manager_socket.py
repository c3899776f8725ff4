"""The socket that a service manager listens on, and what a service told it.

Written from sd_notify(3): datagrams of ``NAME=value`` lines. Nothing of tidegate is
used here.
"""

from __future__ import annotations

import select
import socket
import time
from collections.abc import Callable
from pathlib import Path
from typing import Self


class ManagerSocket:
    """A datagram socket under a name. ``told`` holds each line with when it came."""

    def __init__(self, name: Path | str) -> None:
        self.name = str(name)
        self.told: list[tuple[float, str]] = []
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(self.name.replace("@", "\0", 1))
        self._socket.setblocking(False)  # noqa: FBT003

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        self._socket.close()

    def hear(self, now_s: float | None = None) -> list[str]:
        """Take in what has come; return all lines so far."""
        now_s = time.monotonic() if now_s is None else now_s
        while True:
            try:
                datagram = self._socket.recv(65_536)
            except BlockingIOError:
                return [line for _, line in self.told]
            self.told += [(now_s, line) for line in datagram.decode().split("\n")]

    def wait(self, holds: Callable[[list[str]], bool], *, within_s: float) -> bool:
        """Return whether something holds of the lines within this time."""
        end_s = time.monotonic() + within_s
        while not holds(self.hear()):
            left_s = end_s - time.monotonic()
            if left_s <= 0 or not select.select([self._socket], [], [], left_s)[0]:
                return holds(self.hear())
        return True

    @property
    def pings(self) -> int:
        return self.hear().count("WATCHDOG=1")

    @property
    def status(self) -> str:
        """The last status line."""
        found = [line for line in self.hear() if line.startswith("STATUS=")]
        return found[-1].removeprefix("STATUS=") if found else ""
