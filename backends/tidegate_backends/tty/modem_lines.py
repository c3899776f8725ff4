"""The DTR and RTS lines of a serial port, as outputs.

Both lines rise for a moment whenever a port is opened, whatever was asked for; what
they are to be is set right after it. When the port is closed, by a crash too, the
kernel lets both fall if the port's HUPCL flag is set, and leaves them alone if not.
Changing that flag may move the lines, so it is done once, right after opening, when
they have moved anyway.

Source: Linux Documentation/driver-api/tty/tty_port.rst and termios(3) on HUPCL;
pyserial 3.5 for what it presets.
"""

from __future__ import annotations

import termios
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final, Literal

from tidegate_backends.tty.port import SerialPort

if TYPE_CHECKING:
    import serial

LineName = Literal["dtr", "rts"]
Drive = Callable[["serial.Serial", LineName, bool], None]

_CFLAG: Final = 2


def drive(port: serial.Serial, line: LineName, is_raised: bool) -> None:
    """Raise a line of an open port or let it fall; throws what pyserial throws."""
    setattr(port, line, is_raised)


class LinesPort(SerialPort):
    """A port whose lines are outputs, each at rest when it is opened.

    ``rest``: whether they are raised then. ``falls``: whether they fall when the
    port is closed, whoever closes it.
    """

    def __init__(self, path: str, *, rest: bool, falls: bool, **more: Any) -> None:
        super().__init__(path, **more)
        self._rest = rest
        self._falls = falls

    def _made(self, make: type[serial.Serial]) -> serial.Serial:
        port = make(baudrate=self.baud, exclusive=True)
        port.port = self._path
        port.dtr = port.rts = self._rest
        port.open()
        try:
            _let_fall(port.fileno(), falls=self._falls)
        except BaseException:
            port.close()
            raise
        return port


def falls_at_close(descriptor: int) -> bool:
    """Return whether the lines of an open port fall when it is closed."""
    return bool(termios.tcgetattr(descriptor)[_CFLAG] & termios.HUPCL)


def _let_fall(descriptor: int, *, falls: bool) -> None:
    if falls_at_close(descriptor) == falls:
        return
    flags = termios.tcgetattr(descriptor)
    flags[_CFLAG] ^= termios.HUPCL
    termios.tcsetattr(descriptor, termios.TCSANOW, flags)
