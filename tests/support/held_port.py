"""Another program that holds a serial port for itself."""

from __future__ import annotations

from pathlib import Path

import serial


class HeldPort:
    """Holds a port exclusively between ``hold`` and ``let_go``."""

    def __init__(self, link: Path) -> None:
        self._link = link
        self._held: serial.Serial | None = None

    def hold(self) -> None:
        self._held = serial.Serial(str(self._link), exclusive=True)

    def let_go(self) -> None:
        assert self._held is not None, "not held"
        self._held.close()
        self._held = None
