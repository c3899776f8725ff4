"""What a service tells its manager: one datagram a message, to the manager's socket.

Nothing here waits or raises: a manager that does not listen is no fault of a battery.

Source: sd_notify(3), section "Notes", for the protocol and the abstract names;
sd_watchdog_enabled(3) for the two variables of the watchdog.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping
from typing import Final, Self

SOCKET: Final = "NOTIFY_SOCKET"
WATCHDOG_USEC: Final = "WATCHDOG_USEC"
WATCHDOG_PID: Final = "WATCHDOG_PID"

READY: Final = "READY=1"
STOPPING: Final = "STOPPING=1"
PING: Final = "WATCHDOG=1"
# The manager keeps what it is told in memory, and shows it on one line.
STATUS_AT_MOST: Final = 400


def status(text: str) -> str:
    """Return the message that shows this text in the manager's own status."""
    line = " ".join(text.split())
    short = line if len(line) <= STATUS_AT_MOST else f"{line[: STATUS_AT_MOST - 1]}…"
    return f"STATUS={short}"


def reloading(monotonic_us: int) -> str:
    """Return the message that a reload begins; ``READY`` says that it is over.

    ``monotonic_us`` is CLOCK_MONOTONIC, which tells this reload from the one before.
    """
    return f"RELOADING=1\nMONOTONIC_USEC={monotonic_us}"


def watchdog_within(within_us: int) -> str:
    """Return the message that sets how far apart the pings may be from now on."""
    return f"WATCHDOG_USEC={within_us}"


class Notifier:
    """The way to one manager. ``dropped`` counts what it did not take."""

    def __init__(self, address: str) -> None:
        self.dropped = 0
        # A name that begins with @ is none of a file: its first byte is zero.
        self._address = f"\0{address[1:]}" if address.startswith("@") else address
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.setblocking(False)  # noqa: FBT003

    @classmethod
    def of(cls, environ: Mapping[str, str] = os.environ) -> Self | None:
        """Return the way to the manager that started us, ``None`` without one.

        Sockets of other families, which some virtual machines have, are none.
        """
        address = environ.get(SOCKET, "")
        return cls(address) if address[:1] in ("/", "@") and address[1:] else None

    def tell(self, *messages: str) -> bool:
        """Send messages in one datagram; return whether the manager took it."""
        data = "\n".join(messages).encode("utf-8", "replace")
        try:
            self._socket.sendto(data, self._address)
        except OSError:
            self.dropped += 1
            return False
        return True

    def close(self) -> None:
        """Let go of the socket; may be called twice."""
        self._socket.close()


def watchdog_us(
    environ: Mapping[str, str] = os.environ, *, pid: int | None = None
) -> int | None:
    """Return how far apart the manager wants the pings at most, in microseconds.

    ``None``: it wants none, or it wants them of another process than ``pid`` (ours).
    """
    wanted_of = environ.get(WATCHDOG_PID, "")
    if wanted_of and wanted_of != str(os.getpid() if pid is None else pid):
        return None
    within = environ.get(WATCHDOG_USEC, "")
    is_number = within.isascii() and within.isdigit() and len(within) < 20
    return int(within) or None if is_number else None
