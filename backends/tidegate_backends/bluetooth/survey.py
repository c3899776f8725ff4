"""What Bluetooth has in reach for a relay or a gauge, without connecting to any of it.

A scan of a few seconds, then what BlueZ knows and did not hear. Only the address that
a person names to probe is connected, to list what it really offers.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import AsyncGenerator, AsyncIterator
from contextlib import aclosing, suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from tidegate.contract import Found, Host
from tidegate_backends.bluetooth import bluez, failures
from tidegate_backends.bluetooth.peer import Peer, connected
from tidegate_backends.bluetooth.radio import Access, Call
from tidegate_backends.wire import automation_io, battery_service

if TYPE_CHECKING:
    from bleak import BleakScanner

# Devices that advertise as seldom as every 2.5 s are heard twice. Our own choice.
SCAN_S: Final = 6.0
_PROBE_LIMIT_S: Final = 15.0
_TARGET: Final = "bluetooth"
_ADDRESS: Final = re.compile(r"[0-9A-Fa-f]{2}(:[0-9A-Fa-f]{2}){5}")


_Offer = tuple[str, dict[str, object]]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seen:
    """A device as it was heard, or as BlueZ knows it."""

    address: str
    name: str
    services: frozenset[str]
    bonded: bool
    rssi_dbm: int | None
    has_battery: bool = False


async def survey(host: Host, probe: str | None, /) -> AsyncIterator[Found]:
    """Yield each device in reach, with the tables of both kinds that it fits."""
    adapter = await bluez.look(None, target=_TARGET)
    if probe is not None and _ADDRESS.fullmatch(probe):
        for found in await _probed(host, probe.upper(), adapter):
            yield found
        return
    known = {one.address: _known(one) for one in adapter.devices}
    heard: set[str] = set()
    async with aclosing(_heard(adapter, known)) as scan:
        async for seen in scan:
            heard.add(seen.address)
            for found in _told(seen):
                yield found
    for address, seen in known.items():
        if address not in heard:
            for found in _told(seen):
                yield found
    if not heard:
        yield Found(
            what="Bluetooth",
            where=adapter.name,
            why_not=f"nothing was heard in {SCAN_S:g} s",
            remedy="Bring a device nearer and wake it. BlueZ before 5.88 may believe "
            "that it scans and does not: bluetoothctl power off, then power on.",
        )


def _known(device: bluez.Device) -> _Seen:
    return _Seen(
        address=device.address,
        name=device.name,
        services=device.services,
        bonded=device.bonded,
        # What BlueZ knew before the scan is not what is in reach now.
        rssi_dbm=None,
        has_battery=device.battery_percent is not None,
    )


async def _heard(
    adapter: bluez.Adapter, known: dict[str, _Seen]
) -> AsyncGenerator[_Seen, None]:
    """Yield each device once, as the scan hears it."""
    try:
        from bleak import BleakScanner
    except ImportError as error:
        raise failures.no_library(_TARGET) from error
    queue: asyncio.Queue[_Seen] = asyncio.Queue()
    told: set[str] = set()

    def heard(device: Any, advertisement: Any) -> None:
        address = str(device.address).upper()
        if address in told:
            return
        told.add(address)
        before = known.get(address)
        services = {str(one).lower() for one in advertisement.service_uuids}
        queue.put_nowait(
            _Seen(
                address=address,
                name=device.name or address,
                services=frozenset(services) | (before.services if before else set()),
                bonded=before is not None and before.bonded,
                rssi_dbm=advertisement.rssi,
                has_battery=before is not None and before.has_battery,
            )
        )

    async with bluez.bleak_memory():
        scanner = BleakScanner(heard, bluez={"adapter": adapter.name})
        await _started(scanner)
        try:
            end_s = asyncio.get_running_loop().time() + SCAN_S
            while (seen := await _next(queue, end_s)) is not None:
                yield seen
        finally:
            # Closing the connection, below, ends the scan too.
            with suppress(Exception):
                async with asyncio.timeout(bluez.LOOK_LIMIT_S):
                    await scanner.stop()


async def _next(queue: asyncio.Queue[_Seen], end_s: float) -> _Seen | None:
    try:
        async with asyncio.timeout_at(end_s):
            return await queue.get()
    except TimeoutError:
        return None


async def _started(scanner: BleakScanner) -> None:
    """Start a scan. Errors: Unavailable, Refused."""
    try:
        async with asyncio.timeout(bluez.LOOK_LIMIT_S):
            await scanner.start()
    except TimeoutError as error:
        raise bluez.silent(_TARGET) from error
    except Exception as error:  # as in ``peer``
        raise failures.translated(
            error, target=_TARGET, address="ADDRESS", doing="scan"
        ) from error


def _told(seen: _Seen) -> list[Found]:
    """Return what a device offers, as far as it says so without being connected."""
    state = ", ".join(
        (
            seen.name,
            "paired" if seen.bonded else "not paired",
            f"{seen.rssi_dbm} dBm" if seen.rssi_dbm is not None else "not heard now",
        )
    )
    remedy = "" if seen.bonded else failures.how_to_pair(seen.address)
    has_battery = seen.has_battery or battery_service.SERVICE in seen.services
    found = [
        Found(
            what=f"{what} ({state})",
            where=seen.address,
            table={"kind": kind, "address": seen.address},
            remedy=remedy,
        )
        for kind, what, is_there in (
            (
                "ble",
                "signals of Automation IO",
                automation_io.SERVICE in seen.services,
            ),
            ("ble-battery", "a battery that tells its level", has_battery),
        )
        if is_there
    ]
    if found:
        return found
    return [
        Found(
            what=f"a Bluetooth device ({state})",
            where=seen.address,
            why_not="it names neither Automation IO nor a Battery service",
            remedy=f"Probe it to see more: --probe {seen.address}. A relay with a "
            "protocol of its own needs `characteristic`, `on` and `off`, as its own "
            "description has them.",
        )
    ]


async def _probed(host: Host, address: str, adapter: bluez.Adapter) -> list[Found]:
    """Connect to one device and return what it offers. Errors: Unavailable, Refused."""
    access = Access(host, adapter=adapter.name, address=address, limit_s=_PROBE_LIMIT_S)
    device = adapter.device(address)
    remedy = "" if device and device.bonded else failures.how_to_pair(address)

    async def asked(call: Call[list[_Offer]]) -> None:
        async with connected(access, call, bonded=False) as peer:
            call.answer([*await _signals(peer), *_batteries(peer, device)])

    await access.open(bonded=False)
    try:
        offers = await access.carry(asked)
    finally:
        await access.close()
    return [
        Found(
            what=what,
            where=address,
            table={**table, "address": address},
            remedy=remedy,
        )
        for what, table in offers
    ] or [
        Found(
            what="a device with other services",
            where=address,
            why_not="it has neither Automation IO nor a Battery service",
            remedy="A relay with a protocol of its own needs `characteristic`, `on` and "
            "`off`, as its own description has them.",
        )
    ]


async def _signals(peer: Peer) -> list[_Offer]:
    """Return a table for each signal that can be written."""
    found: list[_Offer] = []
    digitals = peer.characteristics(automation_io.DIGITAL)
    able = [one for one in digitals if one.can("write")]
    for number, digital in enumerate(able, start=1):
        said = await digital.descriptor(automation_io.NUMBER_OF_DIGITALS)
        for signal in range(said[0] if said else 1):
            table: dict[str, object] = {"kind": "ble"}
            if number > 1:
                table["number"] = number
            if signal:
                table["signal"] = signal
            found.append((f"signal {signal} of Digital {number}", table))
    return found


def _batteries(peer: Peer, device: bluez.Device | None) -> list[_Offer]:
    """Return a table where the device tells its battery, itself or through BlueZ."""
    there = peer.characteristics(battery_service.LEVEL)
    status = peer.characteristics(battery_service.LEVEL_STATUS)
    plugin = device is not None and device.battery_percent is not None
    if not there and not status and not plugin:
        return []
    power = "with its source of power" if status else "the level alone"
    return [(f"a battery, {power}", {"kind": "ble-battery"})]
