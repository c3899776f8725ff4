"""Which Android devices an adb server of this machine knows, and what each lacks.

Starting a server opens every Android device on USB, so only a server that runs already
is asked, unless ``probe`` says "adb" (or names its port, "adb:5037"). It is asked in its
own words and not by the adb program, which would end a server of another version.

Source: AOSP packages/modules/adb, OVERVIEW.TXT and SERVICES.TXT (``host:devices-l``).
"""

from __future__ import annotations

import asyncio
import os
import re
from collections.abc import AsyncIterator
from contextlib import suppress
from typing import Final

from tidegate.contract import Found, Host
from tidegate.errors import Refused, Unavailable
from tidegate_backends.adb.client import AdbServer, Hung, Place, found_program
from tidegate_backends.wire.adb_devices import Listed, devices_in, rows_in
from tidegate_backends.wire.adb_text import is_address, trouble_in

STANDARD_PORT: Final = 5037
LIMIT_S: Final = 10.0
_DEVICES: Final = b"000ehost:devices-l"


async def survey(host: Host, probe: str | None) -> AsyncIterator[Found]:
    """Yield the devices that the adb server lists. Errors: as ``contract.Survey``."""
    del host
    program = found_program("adb")
    port = _port(probe)
    try:
        devices = await _listed(port)
        if devices is None and _is_probed(probe):
            devices = await _begun(program, port)
    except (Hung, TimeoutError) as error:
        raise Unavailable(
            "the adb server does not answer",
            target=f"127.0.0.1:{port}",
            remedy="End it with `adb kill-server`; every device loses its connection",
        ) from error
    if devices is None:
        yield Found(
            what="adb",
            where=f"127.0.0.1:{port}",
            why_not="no adb server runs",
            remedy="Start one with `adb start-server`, or look again with --probe adb: "
            "it opens every Android device on USB",
        )
        return
    serials = [device.serial for device in devices]
    for device in devices:
        is_alone = serials.count(device.serial) == 1
        yield _found(device, port, name=device.name if is_alone else device.place)
    if not devices:
        yield Found(
            what="adb",
            where=f"127.0.0.1:{port}",
            why_not="no device is attached",
            remedy="Switch USB debugging on in the device's developer options and "
            "plug it in; over the network: adb connect HOST:PORT",
        )


def _found(device: Listed, port: int, *, name: str | None) -> Found:
    """Return the find of a device that ``name`` tells apart from all others."""
    state = "ready" if device.is_ready else device.state.partition(" (")[0]
    what = f"Android device, {state} {device.details}".rstrip()
    if trouble := device.trouble:
        return Found(
            what=what,
            where=device.serial,
            why_not=trouble.what,
            remedy=trouble.remedy,
        )
    if name is None:
        return Found(
            what=what,
            where=device.serial,
            why_not="it has neither a serial of its own nor a place to name it by",
            remedy="Attach it alone and leave serial out",
        )
    over, hint = _way(name)
    table: dict[str, object] = {"kind": "adb", "serial": name, "over": over}
    if port != STANDARD_PORT:
        table["server_port"] = port
    return Found(
        what=what,
        where=device.serial,
        table=table,
        remedy=hint,
    )


def _way(name: str) -> tuple[str, str]:
    """Return how a device is reached, and what a person should know about that."""
    if is_address(name):
        return "tcp", ""
    if name.endswith("._tcp"):
        # Found by its announcement on the network, and no address to connect to.
        return "usb", "It is on the network, and adb itself connects it"
    hint = 'Say over = "usb" if another cable than the switched one leads to it'
    return "usb-switched", hint


def _is_probed(probe: str | None) -> bool:
    return probe is not None and probe.partition(":")[0] == "adb"


def _port(probe: str | None) -> int:
    """Return the port that the probe names, else the environment's, else 5037.

    Errors: Refused.
    """
    named = (probe or "").partition(":")[2] if _is_probed(probe) else ""
    if named:
        if (port := _number(named)) is None:
            raise Refused(
                f"{named!r} is no port",
                target="adb",
                remedy=f'Probe "adb" or "adb:{STANDARD_PORT}"',
            )
        return port
    return _number(os.environ.get("ANDROID_ADB_SERVER_PORT", "")) or STANDARD_PORT


def _number(text: str) -> int | None:
    is_port = re.fullmatch(r"[0-9]{1,5}", text) and 1 <= int(text) <= 65_535
    return int(text) if is_port else None


async def _listed(port: int) -> list[Listed] | None:
    """Return what a server lists that runs, ``None`` where none does.

    Raises TimeoutError; errors: Unavailable.
    """
    async with asyncio.timeout(LIMIT_S):
        try:
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
        except OSError:
            return None
        try:
            writer.write(_DEVICES)
            status = await reader.readexactly(4)
            length = int(await reader.readexactly(4), 16)
            text = (await reader.readexactly(length)).decode(errors="replace")
        except (OSError, EOFError, ValueError) as error:
            raise _no_server(port, "broke the protocol") from error
        finally:
            writer.transport.abort()
            with suppress(OSError):
                await writer.wait_closed()
    if status != b"OKAY":
        raise _no_server(port, f"refuses: {text[:200]!r}")
    return rows_in(text)


def _no_server(port: int, what: str) -> Unavailable:
    return Unavailable(
        f"what answers there as adb server {what}",
        target=f"127.0.0.1:{port}",
        remedy="Look at what listens there: ss -ltnp",
    )


async def _begun(program: str, port: int) -> list[Listed]:
    """Start a server and return what it lists. Raises Hung; errors: Unavailable."""
    server = AdbServer(Place(program, port))
    said = await server.call("devices", "-l", limit_s=LIMIT_S)
    if trouble := trouble_in(said.err):
        raise trouble.as_error(f"127.0.0.1:{port}")
    return devices_in(said.out)
