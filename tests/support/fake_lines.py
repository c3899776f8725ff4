"""Lines that cannot run here: those of a GPIO chip, and a port's DTR and RTS.

This kernel has no GPIO chip, and a pseudo-terminal answers ENOTTY for its modem lines.
Both fakes stand behind an adapter of a few lines and throw what the kernel throws.
"""

from __future__ import annotations

import errno
import os
import threading
from dataclasses import dataclass, field

import serial

from tidegate_backends.linux.gpio_lines import Wanted
from tidegate_backends.tty.modem_lines import LineName

# A driver that blocks longer is left to tests of the shell.
SLOW_S = 0.6


class _Gate:
    """Holds calls back between ``shut`` and ``open``, as a slow driver does."""

    def __init__(self) -> None:
        self._open = threading.Event()
        self._open.set()
        self.reached = threading.Event()

    def shut(self) -> None:
        self.reached.clear()
        self._open.clear()

    def open(self) -> None:
        self._open.set()

    def passed(self) -> None:
        if not self._open.is_set():
            self.reached.set()
            self._open.wait(SLOW_S)


class FakeModemLines:
    """Lines of one port, and contacts on them. ``drive`` is what a relay is given."""

    def __init__(self) -> None:
        self.raised: dict[LineName, bool] = {"dtr": False, "rts": False}
        self.moves: list[tuple[LineName, bool]] = []
        self.has_lines = True
        self.gate = _Gate()

    def drive(self, port: serial.Serial, line: LineName, is_raised: bool) -> None:
        _ = port.in_waiting  # a port that is gone throws here, as at a modem line
        self.gate.passed()
        if not self.has_lines:
            raise OSError(errno.ENOTTY, os.strerror(errno.ENOTTY))
        self.moves.append((line, is_raised))
        self.raised[line] = is_raised


@dataclass
class FakeGpioLines:
    """One chip and the levels of its pins; ``hold`` is what a relay is given.

    ``fails_with`` is the number of the error that every call ends with. ``users``
    are lines that somebody else holds.
    """

    chip: str = "soc-gpio"
    names: tuple[str, ...] = ("RELAY_1", "RELAY_2")
    high: dict[str, bool] = field(default_factory=dict)
    users: set[str] = field(default_factory=set)
    wanted: list[Wanted] = field(default_factory=list)
    fails_with: int = 0

    def __post_init__(self) -> None:
        self.gate = _Gate()
        self.held: set[str] = set()

    def hold(self, wanted: Wanted, *, driven: bool) -> FakeHeldLine:
        self.check()
        name = self.names[wanted.line] if isinstance(wanted.line, int) else wanted.line
        if wanted.chip != self.chip or name not in self.names:
            raise OSError(errno.ENOENT, os.strerror(errno.ENOENT))
        if name in self.users | self.held:
            raise OSError(errno.EBUSY, os.strerror(errno.EBUSY))
        self.wanted.append(wanted)
        self.held.add(name)
        line = FakeHeldLine(self, name, active_low=wanted.active_low)
        line.put(driven=driven)
        return line

    def check(self) -> None:
        if self.fails_with:
            raise OSError(self.fails_with, os.strerror(self.fails_with))


class FakeHeldLine:
    """A line of the fake chip; ``high`` of the chip is the level of its pin."""

    def __init__(self, chip: FakeGpioLines, name: str, *, active_low: bool) -> None:
        self._chip = chip
        self._name = name
        self._active_low = active_low
        self._is_held = True

    def put(self, *, driven: bool) -> None:
        self._chip.gate.passed()
        self._check()
        self._chip.high[self._name] = driven != self._active_low

    def told(self) -> bool:
        self._check()
        return self._chip.high[self._name] != self._active_low

    def release(self) -> None:
        self._is_held = False
        self._chip.held.discard(self._name)
        self._chip.check()  # the kernel lets go of a line, chip or no chip

    def _check(self) -> None:
        self._chip.check()
        if not self._is_held:
            raise OSError(errno.EBADF, "the line was given back")
