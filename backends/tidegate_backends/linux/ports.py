"""The serial ports of this machine, from what kernel and udev say of them.

Nothing is opened: names, drivers and USB devices are read in ``/sys`` and
``/dev/serial``, and who has a port open in ``/proc``, as far as that may be read.

Source: Linux Documentation/ABI/testing/sysfs-tty (``type``, ``console``) and
sysfs-bus-usb; names of ports: systemd's ``60-serial.rules``.
"""

from __future__ import annotations

import os
import re
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tidegate_backends.tty import port as serial_port

DEV: Final = Path("/dev")
USB: Final = Path("/sys/bus/usb/devices")
PROC: Final = Path("/proc")

# USB serial chips that brltty up to 6.4 takes for braille displays (arduino-ide
# issue 1788): without a port they were taken, or have no driver.
BRIDGES: Final = {"1a86:7523": "ch341", "10c4:ea60": "cp210x"}

# Drivers of the bus that newer kernels put between a port and its controller.
_BUS: Final = frozenset({"", "port", "ctrl"})

_TEXT_AT_MOST: Final = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class UsbDevice:
    """What a USB device says it is; texts may be empty."""

    ids: str
    maker: str
    model: str
    serial: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PortState:
    """One port as it is now. ``places`` and ``ids`` are its names, best first."""

    node: Path
    places: tuple[str, ...]
    ids: tuple[str, ...]
    driver: str
    usb: UsbDevice | None
    holders: tuple[str, ...]
    is_console: bool
    is_there: bool
    may_open: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenDevice:
    """A USB serial adapter that has no port. ``driver`` is what has taken it."""

    usb: UsbDevice
    where: str
    driver: str
    holders: tuple[str, ...]


def listed() -> tuple[list[PortState], list[TakenDevice]]:
    """Return the ports, and the adapters that should have one and do not."""
    holders = _holders()
    ports = [_port(entry, holders) for entry in _entries()]
    return ports, list(_taken(holders))


def usb_of(folder: Path) -> UsbDevice | None:
    """Return the USB device that a folder of /sys belongs to."""
    for each in (folder, *folder.parents):
        if (each / "idVendor").exists():
            return UsbDevice(
                ids=f"{_text(each / 'idVendor')}:{_text(each / 'idProduct')}",
                maker=_text(each / "manufacturer"),
                model=_text(each / "product"),
                serial=_text(each / "serial"),
            )
    return None


def _entries() -> list[Path]:
    """Return the ports that have hardware behind them, in the order of their numbers."""
    there = serial_port.TTYS.glob("*/device")
    found = [each.parent for each in there if _text(each.parent / "type") != "0"]
    return sorted(found, key=lambda entry: (len(entry.name), entry.name))


def _port(entry: Path, holders: Mapping[str, list[str]]) -> PortState:
    node = DEV / entry.name
    device = (entry / "device").resolve()
    return PortState(
        node=node,
        places=_names(node, "by-path"),
        ids=_names(node, "by-id"),
        driver=_port_driver(device),
        usb=usb_of(device),
        holders=tuple(holders.get(str(node), ())),
        is_console=_text(entry / "console") == "Y",
        is_there=node.exists(),
        may_open=os.access(node, os.R_OK | os.W_OK),
    )


def _names(node: Path, folder: str) -> tuple[str, ...]:
    """Return the names of a port in a folder of /dev/serial.

    Newer udev gives two by place, "-usb-" and "-usbv2-"; the one that every udev
    gives comes first.
    """
    found = [
        str(name)
        for name in serial_port.NAMES.glob(f"{folder}/*")
        if name.resolve() == node.resolve()
    ]
    return tuple(sorted(found))


def _taken(holders: Mapping[str, list[str]]) -> Iterator[TakenDevice]:
    for device in sorted(USB.glob("*")):
        usb = usb_of(device) if (device / "idVendor").exists() else None
        if usb is None or usb.ids not in BRIDGES:
            continue
        folders = sorted(device.glob(f"{device.name}:*"))
        if any(_has_port(folder) for folder in folders):
            continue
        node = _usb_node(device)
        yield TakenDevice(
            usb=usb,
            where=f"USB {device.name}",
            driver=next(filter(None, map(_driver, folders)), ""),
            holders=tuple(holders.get(node, ())),
        )


def _has_port(interface: Path) -> bool:
    return any(interface.glob("tty*"))


def _usb_node(device: Path) -> str:
    numbers = [_text(device / name) for name in ("busnum", "devnum")]
    return str(DEV / "bus/usb" / "/".join(f"{number:0>3}" for number in numbers))


def _driver(folder: Path) -> str:
    link = folder / "driver"
    return link.resolve().name if link.exists() else ""


def _port_driver(device: Path) -> str:
    """Return the driver of a port; those of the kernel's serial bus are above it."""
    near = (device, *device.parents[:2])
    return next((_driver(each) for each in near if _driver(each) not in _BUS), "")


def _holders() -> Mapping[str, list[str]]:
    """Return who has what open: path to programs, each as "name (process id)"."""
    found: defaultdict[str, list[str]] = defaultdict(list)
    for folder in PROC.glob("[0-9]*"):
        try:
            targets = {str(link.readlink()) for link in (folder / "fd").iterdir()}
        except OSError:
            continue  # another user's, or just going
        for target in targets:
            if target.startswith(str(DEV)):
                found[target].append(f"{_text(folder / 'comm')} ({folder.name})")
    return found


def _text(path: Path) -> str:
    """Return what a file says, in signs that can be shown; "" for what is not there."""
    try:
        said = path.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return ""
    return re.sub(r"[^\x20-\x7e]+", " ", said).strip()[:_TEXT_AT_MOST]
