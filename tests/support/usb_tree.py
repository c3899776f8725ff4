"""USB hubs as the kernel shows them, on a tree of files; nothing of tidegate is used.

Two root hubs (USB 2 and USB 3) with one external hub of four ports on both, whose
ports are each other's companions. A fake stands in the place of the kernel's two ends
``show`` and ``store``, because no hub can be switched here: it keeps the hub's status
word of each port, says ``disable`` from its power bit as the kernel does, and takes
the device away from a port that is cut.

Source: Linux Documentation/ABI/testing/sysfs-bus-usb; drivers/usb/core/port.c (names,
``peer``); the words are those of two real hubs (mvp/uhubctl issues 277 and 515).
Devices and serial numbers are invented.
"""

from __future__ import annotations

import errno
import os
import shutil
import threading
from collections.abc import Callable
from pathlib import Path

# wPortStatus of a USB 2 port: power, enabled, connected; power alone; nothing.
USB2_CONNECTED, USB2_POWER, USB2_OFF = 0x0103, 0x0100, 0x0000
# Of a USB 3 port: connected in U0; power, listening; and with the power bit gone.
USB3_CONNECTED, USB3_POWER, USB3_OFF = 0x0203, 0x02A0, 0x00A0
POWER_BIT = {False: 0x0100, True: 0x0200}


def hub_of(port: str) -> str:
    return port.rpartition("-port")[0]


def is_superspeed(port: str) -> bool:
    return port.startswith(("2-", "usb2"))


class FakeHubs:
    """The tree and its hubs.

    ``can_switch``: whether clearing a port's power has any effect. ``failures`` are
    errors for the next calls, by ``("store", port)`` or ``("show", port)``.
    ``changed`` is called whenever the power of a port may have changed.
    """

    def __init__(
        self, root: Path, *, can_switch: bool = True, usb3: bool = True
    ) -> None:
        self.root = root
        self.devices = root / "bus" / "usb" / "devices"
        self.can_switch = can_switch
        self.words: dict[str, int] = {}
        self.failures: dict[tuple[str, str], list[int]] = {}
        self.spoilt: dict[str, str] = {}
        self.stored: list[tuple[str, str]] = []
        self.changed: Callable[[], None] = lambda: None
        self.reached = threading.Event()
        self.flowing = threading.Event()
        self.flowing.set()
        self.usb3 = usb3
        self._kept: dict[str, Path] = {}
        for bus in (1, 2) if usb3 else (1,):
            self._device(f"usb{bus}", product=f"xHCI Host Controller {bus}")
            self._ports(f"usb{bus}", 2)
            self.plug_in_hub(bus)
        if usb3:
            for number in (1, 2):
                self._companions(f"usb1-port{number}", f"usb2-port{number}")
        self._pair()

    # --- hands ------------------------------------------------------------------------

    def plug_in_hub(self, bus: int) -> None:
        self._device(f"{bus}-1", product="museum hub, synthetic")
        self._ports(f"{bus}-1", 4)

    def unplug_hub(self) -> None:
        """Take the external hub away, with its ports."""
        for bus in (1, 2) if self.usb3 else (1,):
            self.unplug_half(bus)

    def unplug_half(self, bus: int) -> None:
        """Take away what the external hub is on one bus, unless it is away."""
        shutil.rmtree(self.devices / f"{bus}-1:1.0", ignore_errors=True)
        shutil.rmtree(self.devices / f"{bus}-1", ignore_errors=True)

    def plug_hub_back(self) -> None:
        """Put it back: a hub that starts anew has all its ports on."""
        for bus in (1, 2) if self.usb3 else (1,):
            self.plug_in_hub(bus)
        self._pair()

    def reset_hub(self) -> None:
        """A reset turns every port on, and nobody says so."""
        for port in self.words:
            self._power(port, on=True)

    def plug_in(self, port: str, **texts: str) -> None:
        """Hang a device on a port."""
        hub, number = hub_of(port), port.rpartition("-port")[2]
        bus = hub.removeprefix("usb")
        name = f"{bus}-{number}" if hub.startswith("usb") else f"{hub}.{number}"
        self._device(name, **texts)
        self._kept[port] = self.devices / name
        self.words[port] = USB3_CONNECTED if is_superspeed(port) else USB2_CONNECTED

    def overload(self, port: str, count: int) -> None:
        (self._folder(port) / "over_current_count").write_text(f"{count}\n")

    def powered(self, port: str) -> bool:
        return bool(self.words[port] & POWER_BIT[is_superspeed(port)])

    def hold(self) -> None:
        """Let the next write wait inside the kernel."""
        self.reached.clear()
        self.flowing.clear()

    def let_go(self) -> None:
        self.flowing.set()

    # --- the kernel's two ends --------------------------------------------------------

    def show(self, path: Path) -> str:
        port = path.parent.name
        self._fail("show", path)
        if path.name != "disable" or port in self.spoilt:
            return self.spoilt.get(port) or path.read_text().strip()
        if not path.exists():
            raise _error(errno.ENOENT, path)
        return "0" if self.powered(port) else "1"

    def store(self, path: Path, line: str) -> None:
        if not self.flowing.is_set():
            self.reached.set()
            self.flowing.wait(20)
        self._fail("store", path)
        if not path.exists():
            raise _error(errno.ENOENT, path)
        if path.name != "disable" or line not in ("0", "1"):
            raise _error(errno.EINVAL, path)
        port = path.parent.name
        self.stored.append((port, line))
        if self.can_switch:
            self._power(port, on=line == "0")

    def _fail(self, call: str, path: Path) -> None:
        if codes := self.failures.get((call, path.parent.name)):
            raise _error(codes.pop(0), path)

    def _power(self, port: str, *, on: bool) -> None:
        superspeed = is_superspeed(port)
        if on and not self.powered(port):
            self.words[port] = USB3_POWER if superspeed else USB2_POWER
        elif not on:
            self.words[port] = USB3_OFF if superspeed else USB2_OFF
            if (device := self._kept.get(port)) is not None and device.exists():
                shutil.rmtree(device)
        self.changed()

    # --- the tree ---------------------------------------------------------------------

    def _device(self, name: str, **texts: str) -> None:
        folder = self.devices / name
        folder.mkdir(parents=True)
        for key, text in texts.items():
            (folder / key).write_text(f"{text}\n")

    def _ports(self, hub: str, count: int) -> None:
        for number in range(1, count + 1):
            port = f"{hub}-port{number}"
            folder = self._folder(port)
            folder.mkdir(parents=True)
            (folder / "disable").write_text("0\n")
            (folder / "over_current_count").write_text("0\n")
            if is_superspeed(port):
                (folder / "usb3_lpm_permit").write_text("u1_u2\n")
            self.words[port] = USB3_POWER if is_superspeed(port) else USB2_POWER

    def _pair(self) -> None:
        for number in range(1, 5) if self.usb3 else ():
            self._companions(f"1-1-port{number}", f"2-1-port{number}")

    def _companions(self, one: str, other: str) -> None:
        for here, there in ((one, other), (other, one)):
            link = self._folder(here) / "peer"
            link.symlink_to(os.path.relpath(self._folder(there), link.parent))

    def _folder(self, port: str) -> Path:
        hub = hub_of(port)
        interface = f"{hub.removeprefix('usb')}-0" if hub.startswith("usb") else hub
        return self.devices / f"{interface}:1.0" / port


def _error(code: int, path: Path) -> OSError:
    return OSError(code, os.strerror(code), str(path))
