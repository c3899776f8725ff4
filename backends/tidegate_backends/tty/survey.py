"""What serial ports there are, which can be used, and what answers on one.

Listing opens nothing. A probe opens the one port that it names, which may pulse its
DTR line and make some boards move their contacts, and sends the state query of a
four-byte board, which moves none.

A port is offered under its name by place: a name by id is made from maker, model and
serial number, so two adapters without one share it.

Source: as in ``linux/ports.py``; what claims ports: as in ``tty/port.py``.
"""

from __future__ import annotations

import os
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path
from typing import Final

from tidegate.contract import Found, Host
from tidegate.errors import BackendError
from tidegate_backends.linux import ports
from tidegate_backends.linux.ports import BRIDGES, PortState, TakenDevice
from tidegate_backends.tty import port as serial_port
from tidegate_backends.tty.port import CLAIMED, SerialPort
from tidegate_backends.wire import four_byte
from tidegate_backends.wire.four_byte import LENGTH, Op

KIND: Final = "serial-frame"
# A board that does not answer by then does not speak like this.
LIMIT_S: Final = 0.5
_PTS: Final = Path("/dev/pts")
_PULSED: Final = (
    "It was opened for this, which may have moved its contacts for a moment."
)


async def survey(host: Host, probe: str | None) -> AsyncIterator[Found]:
    """Look for serial ports; ask the one that ``probe`` names."""
    there, taken = await host.worker("serial ports").call(ports.listed)
    asked = None
    for port in there:
        found = _found(port)
        if probe is not None and _is_it(port, probe):
            asked = found = await _probed(host, found)
        yield found
    for device in taken:
        yield _without_port(device)
    if probe is not None and asked is None and _is_port(probe):
        found = Found(what="serial port", where=probe, table=_table(probe))
        yield await _probed(host, found)


def _found(port: PortState) -> Found:
    name = port.places[0] if port.places else str(port.node)
    found = Found(what=_what(port), where=name, remedy=_advice(port))
    why_not, remedy = _obstacle(port)
    if why_not:
        return replace(found, why_not=why_not, remedy=remedy)
    return replace(found, table=_table(name))


def _what(port: PortState) -> str:
    parts = [f"serial port {port.node.name}"]
    if port.usb is not None:
        said = f"{port.usb.maker} {port.usb.model}".strip()
        parts.append(f"USB {port.usb.ids} {said}".strip())
    if port.driver:
        parts.append(f"driver {port.driver}")
    return ", ".join(parts)


def _obstacle(port: PortState) -> tuple[str, str]:
    """Return why a port cannot be used and what to do, or two empty texts."""
    if port.is_console:
        return (
            "the kernel's console is on it",
            "Take `console=` for this port out of the kernel's command line.",
        )
    if not port.is_there:
        return (
            f"there is no {port.node}",
            "Start udev, or let the container see the device.",
        )
    if port.holders:
        return (
            f"in use by {', '.join(port.holders)}",
            CLAIMED if _are_known(port.holders) else "End that program.",
        )
    if not port.may_open:
        return (
            "no permission to open it",
            "Add the user of this program to the port's group (`dialout` on Debian) "
            "and log in anew.",
        )
    return "", ""


def _are_known(holders: tuple[str, ...]) -> bool:
    return any(each.startswith(("brltty", "ModemManager")) for each in holders)


def _advice(port: PortState) -> str:
    advice = []
    if port.usb is not None and not port.places:
        advice.append("udev gave it no name by place, and its number may change.")
    if port.ids and port.usb is not None:
        advice.append(
            f"Its name by id, {port.ids[0]}, follows the adapter to any USB port."
            if port.usb.serial
            else "Its name by id is not used: the adapter has no serial number, so a "
            "second one like it would have the same name."
        )
    if port.node.name.startswith("ttyACM"):
        advice.append(
            "ModemManager tries such ports for modems (udev rule ID_MM_DEVICE_IGNORE)."
        )
    return " ".join(advice)


def _without_port(device: TakenDevice) -> Found:
    found = Found(
        what=f"USB serial adapter {device.usb.ids} {device.usb.model}".strip(),
        where=device.where,
    )
    if device.driver == "usbfs":
        by = ", ".join(device.holders) or "a program"
        return replace(found, why_not=f"{by} has taken it", remedy=CLAIMED)
    if device.driver:
        return replace(
            found,
            why_not=f"the driver {device.driver} has it and gives it no port",
            remedy="Unplug it and plug it in again; the kernel's messages say more.",
        )
    return replace(
        found,
        why_not="no driver has taken it",
        remedy=f"Load the kernel's module {BRIDGES[device.usb.ids]}.",
    )


def _table(port: str) -> dict[str, object]:
    return {"kind": KIND, "port": port, "channel": four_byte.FIRST_CHANNEL}


def _is_it(port: PortState, probe: str) -> bool:
    return os.path.realpath(port.node) == os.path.realpath(probe)


def _is_port(probe: str) -> bool:
    """Return whether a name that is not listed is a port, or would be one."""
    if Path(probe).parent.parent == serial_port.NAMES:
        return True
    node = Path(os.path.realpath(probe))
    is_numbered = node.parent == ports.DEV and node.name.startswith("tty")
    return is_numbered or node.parent == _PTS


async def _probed(host: Host, found: Found) -> Found:
    """Return what was found, with what its board answers."""
    if found.table is None:
        return found  # the console, or somebody else's: not ours to disturb
    worker = host.worker(f"serial:{found.where}")
    port = SerialPort(found.where, baud=9600, pause_s=0.0)
    try:
        answer = await worker.call(_answer, port, found.where)
    except BackendError as error:
        why_not = error.what.removeprefix(f"{error.target}: ")
        return replace(found, table=None, why_not=why_not, remedy=error.remedy)
    finally:
        await worker.call(port.retire)
    what = f"{found.what}, {answer}"
    return replace(found, what=what, remedy=f"{found.remedy} {_PULSED}".strip())


def _answer(port: SerialPort, target: str) -> str:
    """Return, in words, what comes back to the query of the first channel."""
    request = four_byte.encode(four_byte.FIRST_CHANNEL, Op.QUERY)
    with port.watched(limit_s=LIMIT_S, target=target) as line:
        port.send(line, request)
        answer = line.read(LENGTH)
        if answer == request:
            # A line that echoes brings the answer after the echo, or none.
            answer = line.read(LENGTH) or answer
        answer += line.read(line.in_waiting)
    if not answer:
        return (
            "which did not answer: a board that is only written to, one that takes "
            "text (kind serial-text), or none"
        )
    try:
        is_driven = four_byte.state(answer, asked=request)
    except four_byte.Echo:
        return "which sends back what it is told"
    except four_byte.FrameError as error:
        return f"which answered something else than a four-byte board does ({error})"
    state = "driven" if is_driven else "released"
    return f"a four-byte board, whose channel 1 is {state}"
