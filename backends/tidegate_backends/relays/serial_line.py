"""A contact on the DTR or RTS line of a serial port; nothing is spoken.

A raised line drives the coil. The port is held open for the daemon's life, and both
its lines are at rest at first, which is supply on. Wired normally-closed, the lines
are told to fall when the port is closed: a daemon that dies, even by a crash, turns
the supply on. With the two other wirings they are told to stay, so that a crash
leaves the supply as it was; a host that loses power turns it off all the same.

Opening raises both lines for a moment, which cannot be avoided: wired normally-closed
the supply may blink off when the daemon starts. Nothing comes back over these lines,
so what is proven is proven by the gauge. Two stations may have a line each of one
port, if they are wired alike.

Source: the lines, as in ``tty/modem_lines.py``.
"""

from __future__ import annotations

import errno
from typing import Final, Literal

from pydantic import Field

from tidegate.contract import (
    Backend,
    Host,
    Readback,
    Relay,
    RelayFacts,
    RelaySettings,
    Target,
    energised,
)
from tidegate.core.reading import Supply
from tidegate.errors import Unsupported
from tidegate_backends.tty.modem_lines import Drive, LineName, LinesPort, drive
from tidegate_backends.tty.port import SerialPort
from tidegate_backends.tty.share import LATENCY_S, Port, PortShare, port_target

# Nothing is sent, so any speed that every port knows.
_BAUD: Final = 9600
_LIMIT_S: Final = 1.0
_USE: Final = {
    True: "lines that fall when it is closed",
    False: "lines that stay when it is closed",
}


class Settings(RelaySettings):
    """One line of a serial port."""

    kind: Literal["serial-line"] = "serial-line"
    port: Port
    line: LineName = Field(description="the line that drives the coil when raised")

    def target(self) -> Target:
        return port_target(self.port, self.line)


class SerialLineRelay(Relay):
    """One line.

    Errors: Unavailable, Malformed, Unsupported (no such lines); at open also Busy.
    """

    def __init__(self, settings: Settings, host: Host, *, drive: Drive = drive) -> None:
        self._settings = settings
        self._drive = drive
        self._target = str(settings.target())
        self._share = PortShare(host, settings.target(), self._new_port)

    @property
    def facts(self) -> RelayFacts:
        return RelayFacts(
            readback=Readback.NONE,
            reopen_disturbs=True,
            latency_s=LATENCY_S,
            # A dropped line is a released coil; that is supply on with this contact.
            fails_on=self._settings.contact == "normally-closed",
        )

    async def open(self) -> None:
        if not self._share.is_taken:
            # At rest it is already, or belongs to be: says whether there are lines.
            await self._share.take(self._switch, Supply.ON)

    async def close(self) -> None:
        await self._share.give_back()

    async def set(self, supply: Supply) -> None:
        await self._share.call(self._switch, supply)

    async def get(self) -> Supply | None:
        self._share.check()
        return None

    def _new_port(self) -> SerialPort:
        is_raised = energised(Supply.ON, self._settings.contact)
        return LinesPort(
            self._settings.port,
            rest=is_raised,
            # Falling lines must never be what turns the supply off.
            falls=not is_raised,
            baud=_BAUD,
            pause_s=0.0,
            use=_USE[not is_raised],
        )

    def _switch(self, port: SerialPort, supply: Supply) -> None:
        """Raise the line or let it fall; runs in the link's thread."""
        is_raised = energised(supply, self._settings.contact)
        with port.watched(limit_s=_LIMIT_S, target=self._target) as opened:
            try:
                self._drive(opened, self._settings.line, is_raised)
            except OSError as error:
                if error.errno not in (errno.ENOTTY, errno.EINVAL):
                    raise  # the port itself failed
                raise Unsupported(
                    f"this port has no {self._settings.line.upper()} line",
                    target=self._target,
                    remedy="Name a port with modem lines, such as a USB serial "
                    "adapter whose DTR and RTS are wired out.",
                ) from error


BACKEND = Backend(
    kind="serial-line", settings=Settings, make=SerialLineRelay, extra="serial"
)
