"""Made-up folders in which kernel and udev describe serial ports.

The layout is that of Linux Documentation/ABI/testing/sysfs-tty and sysfs-bus-usb and
of systemd's 60-serial.rules; boards and numbers in it are synthetic.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tidegate_backends.linux import ports
from tidegate_backends.tty import port as serial_port


class SerialTree:
    """``dev``, ``sys`` and ``proc`` under one folder, in the place of the real ones."""

    def __init__(self, root: Path, patch: pytest.MonkeyPatch) -> None:
        self.dev, self.proc = root / "dev", root / "proc"
        self.names = self.dev / "serial"
        self.ttys = root / "sys/class/tty"
        self.usb = root / "sys/bus/usb/devices"
        self.real = root / "sys/devices"
        for folder in (self.dev, self.proc, self.ttys, self.usb, self.real):
            folder.mkdir(parents=True)
        patch.setattr(serial_port, "NAMES", self.names)
        patch.setattr(serial_port, "TTYS", self.ttys)
        patch.setattr(ports, "DEV", self.dev)
        patch.setattr(ports, "USB", self.usb)
        patch.setattr(ports, "PROC", self.proc)

    def uart(self, name: str, *, number: str = "4", console: str = "N") -> None:
        """A port of the machine itself; type 0 is a place without hardware."""
        device = self.real / "platform" / f"serial-{name}"
        device.mkdir(parents=True)
        self._drive(device, "serial8250")
        self._entry(name, device, type=number, console=console)
        (self.dev / name).touch()

    def adapter(
        self,
        place: str,
        ids: str,
        *,
        serial: str = "",
        model: str = "USB Serial",
        driver: str = "",
    ) -> Path:
        """A USB device with one interface and no port; returns the interface."""
        device = self.real / "usb1" / place
        interface = device / f"{place}:1.0"
        interface.mkdir(parents=True)
        maker, _, product = ids.partition(":")
        about = {"idVendor": maker, "idProduct": product, "product": model}
        about |= {"busnum": "1", "devnum": place[-1], "manufacturer": "synthetic"}
        if serial:
            about["serial"] = serial
        for key, text in about.items():
            (device / key).write_text(f"{text}\n")
        (self.usb / place).symlink_to(device)
        if driver:
            self._drive(interface, driver)
        return interface

    def board(
        self,
        name: str,
        place: str,
        ids: str = "1a86:7523",
        *,
        to: Path | None = None,
        serial: str = "",
        by_id: str = "",
        by_path: tuple[str, ...] = (),
    ) -> None:
        """A USB adapter with a port, which may be a pseudo-terminal."""
        interface = self.adapter(place, ids, serial=serial, driver="ch341")
        device = interface / name
        device.mkdir()
        self._drive(device, "ch341-uart")
        self._entry(name, device)
        node = self.dev / name
        node.touch() if to is None else node.symlink_to(to)
        for folder, names in (("by-id", (by_id,)), ("by-path", by_path)):
            for each in filter(None, names):
                link = self.names / folder / each
                link.parent.mkdir(parents=True, exist_ok=True)
                link.symlink_to(node)

    def holds(self, path: Path, program: str, process: int) -> None:
        """A program has something open."""
        folder = self.proc / str(process)
        (folder / "fd").mkdir(parents=True)
        (folder / "comm").write_text(f"{program}\n")
        (folder / "fd" / "3").symlink_to(path)

    def _entry(self, name: str, device: Path, **attributes: str) -> None:
        entry = device / "tty" / name
        entry.mkdir(parents=True)
        (entry / "device").symlink_to(device)
        for key, text in attributes.items():
            (entry / key).write_text(f"{text}\n")
        (self.ttys / name).symlink_to(entry)

    def _drive(self, device: Path, driver: str) -> None:
        folder = self.real / "drivers" / driver
        folder.mkdir(parents=True, exist_ok=True)
        (device / "driver").symlink_to(folder)
