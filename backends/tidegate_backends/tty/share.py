"""A relay's share in a serial port that stations may have in common.

Opening a port may move contacts, so stations that name one port share it: one link,
one thread, one call at a time. All of them must want the same of it, for two
protocols on one line would garble each other.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import Annotated, Any, Final, TypeVar

from pydantic import Field

from tidegate.contract import Host, SharedLink, Target
from tidegate.errors import Unavailable, Unsupported
from tidegate_backends import links
from tidegate_backends.tty.port import SerialPort

T = TypeVar("T")

Port = Annotated[
    str,
    Field(
        pattern=r"^/[^\x00]+$",
        description="device path; best one of /dev/serial/by-path",
    ),
]

# From the command to the settled contact: engineering choice, no source.
LATENCY_S: Final = 0.1


def port_target(port: str, channel: str) -> Target:
    """Return what a channel of a board on a port occupies.

    Not resolved: what a by-path name points to changes with every re-plug.
    """
    return Target(os.path.normpath(port), channel)


class PortShare:
    """A share that is taken and given back; ``make`` returns a port, not yet open.

    What is given to ``call`` runs in the link's thread, with the port as its first
    argument.
    """

    def __init__(
        self, host: Host, target: Target, make: Callable[[], SerialPort]
    ) -> None:
        self._host = host
        self._target = str(target)
        self._key = f"serial:{target.link}"
        self._make = make
        self._port: SerialPort | None = None

    @property
    def is_taken(self) -> bool:
        """Whether it was taken and not given back."""
        return self._port is not None

    async def take(self, first: Callable[..., T], *args: Any) -> T:
        """Open the port, or join those who have it open already.

        Returns what ``first`` yields, as by ``call``; where it fails, the share is
        given back. Errors: its own; Unavailable, Busy; Unsupported when the others
        use the port in another way.
        """
        wanted = self._make()

        async def open_port() -> SharedLink[SerialPort]:
            return await self._opened(wanted)

        self._port = await self._host.share(self._key, open_port)
        try:
            self._check_use(self._port, wanted)
            return await self.call(first, *args)
        except BaseException:
            await self.give_back()
            raise

    def _check_use(self, there: SerialPort, wanted: SerialPort) -> None:
        if complaint := _difference(there, wanted):
            raise Unsupported(
                f"another station {complaint}",
                target=self._target,
                remedy="Give all stations on one board the same kind, baud and wiring, "
                "or this one a port of its own.",
            )

    async def give_back(self) -> None:
        """Let go; the last one closes the port. May be called twice."""
        port, self._port = self._port, None
        if port is not None:
            await self._host.release(self._key)

    async def call(self, function: Callable[..., T], *args: Any) -> T:
        """Return ``function(port, *args)``. Errors: Unavailable when not taken."""
        port = self.check()
        return await self._host.worker(self._key).call(function, port, *args)

    def check(self) -> SerialPort:
        """Return the port. Errors: Unavailable when it is not taken."""
        if self._port is None:
            raise Unavailable(
                "the relay is not open", target=self._target, remedy="Open it first."
            )
        return self._port

    async def _opened(self, port: SerialPort) -> SharedLink[SerialPort]:
        worker = self._host.worker(self._key)
        return await links.opened(
            port, worker, port.open, retire=port.retire, give_up=port.give_up
        )


def _difference(there: SerialPort, wanted: SerialPort) -> str:
    """Return how an open port differs from the one that is wanted, "" if it does not."""
    if there.use != wanted.use:
        return f"uses this port for {there.use or 'something else'}, not {wanted.use}"
    if there.baud != wanted.baud:
        return f"opened this port at {there.baud} baud, not {wanted.baud}"
    return ""
