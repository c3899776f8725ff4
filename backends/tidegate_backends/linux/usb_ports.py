"""The ports of USB hubs as the kernel shows them, and what hangs on each.

A port's folder is ``<hub>:1.0/<hub>-port<n>`` (``1-0:1.0/usb1-port2`` at a root hub).
``disable`` cuts it off, with its power where the hub can switch it; reading it asks
the hub's own status word. A plug that carries USB 2 and USB 3 is two ports, each
other's ``peer``. Nothing here tells whether a hub switches each port by itself, all
together, or none at all.

Blocks: call it from a worker's thread. Source: Linux
Documentation/ABI/testing/sysfs-bus-usb; drivers/usb/core/port.c.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tidegate.contract import Found
from tidegate.errors import Unsupported
from tidegate_backends.linux.power_supplies import LIVE_ROOT

HUB: Final = r"usb[0-9]{1,3}|[0-9]{1,3}-[0-9]{1,3}(?:\.[0-9]{1,3})*"
PORT: Final = rf"(?:{HUB})-port[0-9]{{1,3}}"
DISABLE: Final = "disable"

_PORT: Final = re.compile(rf"({HUB})-port([0-9]{{1,3}})", re.ASCII)
_OLD_KERNEL: Final = (
    "It needs Linux 6.0 or newer; else use a relay in the supply of the device."
)


def parted(name: str) -> tuple[str, int]:
    """Return hub and number of a port's name, such as ``1-1-port2``."""
    match = _PORT.fullmatch(name)
    assert match is not None, f"{name!r} is no port's name"
    return match[1], int(match[2])


def devices(root: Path = LIVE_ROOT) -> Path:
    """Return the folder of all USB devices and interfaces."""
    return root / "bus" / "usb" / "devices"


def folder_of(root: Path, name: str) -> Path | None:
    """Return the folder of a port, ``None`` while its hub is not there."""
    hub, _ = parted(name)
    interface = f"{hub.removeprefix('usb')}-0" if hub.startswith("usb") else hub
    found = sorted(devices(root).glob(f"{interface}:*/{name}"))
    return found[0] if found else None


def companion_of(folder: Path) -> str | None:
    """Return the name of the port that shares the plug, if the kernel knows one."""
    peer = folder / "peer"
    return peer.resolve().name if peer.is_dir() else None


def is_superspeed(folder: Path) -> bool:
    """Return whether a port is the USB 3 half of its plug."""
    return (folder / "usb3_lpm_permit").exists()


def child_of(folder: Path) -> str | None:
    """Return the name of the device on a port, ``None`` if there is none."""
    hub, number = parted(folder.name)
    if hub.startswith("usb"):
        name = f"{hub.removeprefix('usb')}-{number}"
    else:
        name = f"{hub}.{number}"
    # Neighbours in the same folder: a hub's interface and its children.
    for place in (folder / "device", folder.parent.parent / name):
        if place.is_dir():
            return name
    return None


def present(root: Path = LIVE_ROOT) -> list[str]:
    """Return the names of all ports there are."""
    found = devices(root).glob("*:*/*-port*")
    return sorted({each.name for each in found if _PORT.fullmatch(each.name)})


@dataclass(frozen=True, slots=True, kw_only=True)
class Plug:
    """One place to plug something in: a port and its companion."""

    name: str
    companion: str | None
    state: str | None
    on_it: str
    over_currents: int


def plugs(root: Path = LIVE_ROOT) -> Iterator[Plug]:
    """Yield every plug once, by its USB 2 half where it has two."""
    told: set[str] = set()
    for name in present(root):
        folder = folder_of(root, name)
        if folder is None or name in told:
            continue
        companion = companion_of(folder)
        if companion is not None:
            told.add(companion)
            if is_superspeed(folder) and (other := folder_of(root, companion)):
                name, companion, folder = companion, name, other
        told.add(name)
        halves = [folder]
        if companion is not None and (half := folder_of(root, companion)):
            halves.append(half)
        yield Plug(
            name=name,
            companion=companion,
            state=_text(folder / DISABLE),
            on_it="; ".join(
                device for half in halves if (device := _device(root, half))
            ),
            over_currents=sum(over_currents(half) for half in halves),
        )


def over_currents(folder: Path) -> int:
    """Return how often a port was overloaded since its hub was found."""
    text = _text(folder / "over_current_count") or ""
    return int(text) if text.isdecimal() else 0


def in_reach(root: Path = LIVE_ROOT) -> list[Found]:
    """Return every plug as something to use. Errors: Unsupported (no USB here)."""
    if not devices(root).is_dir():
        raise Unsupported(
            "this machine has no USB",
            target=str(devices(root)),
            remedy="Use a relay of another kind.",
        )
    return [_found(plug, root) for plug in plugs(root)]


def _found(plug: Plug, root: Path) -> Found:
    hub, number = parted(plug.name)
    product = _text(devices(root) / hub / "product") or "a hub"
    parts = [f"port {number} of {product} ({plug.name})"]
    if plug.companion:
        parts.append(f"USB 3 companion {plug.companion}")
    parts.append(f"on it: {plug.on_it}" if plug.on_it else "nothing on it")
    if plug.over_currents:
        parts.append(f"overloaded {plug.over_currents} times")
    if plug.state == "1":
        parts.append("off now")
    where = str(folder_of(root, plug.name) or devices(root) / plug.name)
    if plug.state is None:
        return Found(
            what=", ".join(parts),
            where=where,
            why_not="the kernel offers no switch for this port (no file disable)",
            remedy=_OLD_KERNEL,
        )
    table: dict[str, object] = {"kind": "usb-port", "name": plug.name}
    if root != LIVE_ROOT:
        table["root"] = str(root)
    return Found(
        what=", ".join(parts),
        where=where,
        table=table,
        remedy="Many hubs drop the data and leave the power on: see that charging "
        "really stops",
    )


def _device(root: Path, folder: Path) -> str | None:
    name = child_of(folder)
    if name is None:
        return None
    place = devices(root) / name
    said = [_text(place / key) for key in ("manufacturer", "product")]
    words = " ".join(each for each in said if each) or "a device without a name"
    serial = _text(place / "serial")
    return f"{words}, serial {serial}" if serial else words


def _text(path: Path) -> str | None:
    """Return what a file says; ``None`` where there is none or its device is going."""
    try:
        return path.read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return None
