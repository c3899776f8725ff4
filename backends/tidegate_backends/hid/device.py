"""HID devices of this machine, through hidapi over the kernel's hidraw.

Thin on purpose: where no HID device can be made, this is what tests put a fake in the
place of. Raises OSError only, but for a missing library. Blocking, one thread.

Source: hidapi for Python 0.14 and newer, module ``hidraw``; the place of a device on
its bus: Linux Documentation/ABI/testing/sysfs-bus-usb.
"""

from __future__ import annotations

import errno
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Protocol

from tidegate.errors import Unsupported

HIDRAWS: Final = Path("/sys/class/hidraw")


@dataclass(frozen=True, slots=True, kw_only=True)
class Listed:
    """One device that the system lists; ``usb`` is its place, such as 1-1.2."""

    path: str
    vendor: int
    product_id: int
    product: str
    usb: str


class Device(Protocol):
    """An open device."""

    def write(self, report: bytes) -> None:
        """Send an output report, its number first."""

    def feature(self, number: int, length: int) -> bytes:
        """Return a feature report of at most this length."""

    def close(self) -> None:
        """Let go of it."""


@dataclass(frozen=True, slots=True)
class Hid:
    """The way to all devices: what there is, and opening one by its path."""

    listed: Callable[[], Sequence[Listed]]
    opened: Callable[[str], Device]


class HidrawDevice:
    """An open device of hidapi."""

    def __init__(self, path: str) -> None:
        self._device = _library().device()
        self._device.open_path(path.encode())

    def write(self, report: bytes) -> None:
        if self._device.write(report) < 0:
            raise OSError(errno.EIO, "the report was not taken")

    def feature(self, number: int, length: int) -> bytes:
        return bytes(self._device.get_feature_report(number, length))

    def close(self) -> None:
        self._device.close()


def listed() -> list[Listed]:
    """Return every HID device, each once. Errors: Unsupported."""
    found = {
        entry["path"].decode(errors="replace"): entry
        for entry in _library().enumerate()
    }
    return [
        Listed(
            path=path,
            vendor=entry["vendor_id"],
            product_id=entry["product_id"],
            product=entry["product_string"] or "",
            usb=place(path),
        )
        for path, entry in sorted(found.items())
    ]


def place(path: str, folder: Path = HIDRAWS) -> str:
    """Return where on its bus the USB device behind a node is, empty if nowhere."""
    device = (folder / Path(path).name / "device").resolve()
    for each in (device, *device.parents):
        if (each / "idVendor").exists():
            return each.name
    return ""


def _library() -> Any:
    try:
        import hidraw
    except ImportError as error:
        raise Unsupported(
            "hidapi is not installed (extra `hid`)",
            target="hid",
            remedy="Install it: pip install 'tidegate[hid]'",
        ) from error
    return hidraw


SYSTEM: Final = Hid(listed, HidrawDevice)
