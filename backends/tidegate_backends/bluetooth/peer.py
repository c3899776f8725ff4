"""One connection to one device, made for one purpose and given up after it.

bleak makes the connection; which device, on which adapter and with which bond is
looked up afresh before. Characteristics are told apart by their UUID, among equal ones
by the order of their handles; a handle itself may change with the device's firmware.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager, suppress
from typing import TYPE_CHECKING, Any, Final

from tidegate.errors import Unavailable
from tidegate_backends.bluetooth import bluez, failures
from tidegate_backends.bluetooth.radio import TIDY_S, Access, Call

if TYPE_CHECKING:
    from bleak import BleakClient
    from bleak.backends.characteristic import BleakGATTCharacteristic
    from bleak.backends.device import BLEDevice

# A bleak of its own would give up sooner or later; the radio's limit is the one that
# counts.
_NEVER_S: Final = 3_600.0


class Characteristic:
    """One characteristic of a connected device."""

    def __init__(
        self, peer: Peer, client: BleakClient, found: BleakGATTCharacteristic
    ) -> None:
        self._peer = peer
        self._client = client
        self._found = found

    def can(self, *what: str) -> bool:
        """Return whether it has any of these properties, ``read`` or ``write``."""
        return any(one in self._found.properties for one in what)

    async def read(self) -> bytes:
        """Return its value. Errors: Unavailable, Refused."""
        with self._peer.calling("read from the device"):
            return bytes(await self._client.read_gatt_char(self._found))

    async def write(self, value: bytes) -> None:
        """Write with response. Errors: Unavailable, Refused."""
        with self._peer.calling("write to the device"):
            await self._client.write_gatt_char(self._found, value, response=True)

    async def descriptor(self, uuid: str) -> bytes | None:
        """Return the value of a descriptor, ``None`` where there is none."""
        found = self._found.get_descriptor(uuid)
        if found is None:
            return None
        with self._peer.calling("read from the device"):
            return bytes(await self._client.read_gatt_descriptor(found))


class Peer:
    """A connected device."""

    def __init__(self, access: Access, call: Call[Any], client: BleakClient) -> None:
        self._access = access
        self._call = call
        self._client = client

    def characteristics(self, uuid: str) -> list[Characteristic]:
        """Return those of one UUID, in the order of their handles."""
        with self.calling("list the characteristics"):
            found = [
                one
                for one in self._client.services.characteristics.values()
                if one.uuid == uuid
            ]
        found.sort(key=lambda one: one.handle)
        return [Characteristic(self, self._client, one) for one in found]

    @contextmanager
    def calling(self, doing: str) -> Iterator[None]:
        """Translate what a call of bleak raises."""
        with _calling(self._access, self._call, doing):
            yield


@contextmanager
def _calling(access: Access, call: Call[Any], doing: str) -> Iterator[None]:
    call.doing = doing
    try:
        yield
    except Exception as error:
        # Besides its own errors, bleak lets out KeyError and AssertionError where a
        # device vanishes meanwhile.
        raise failures.translated(
            error, target=access.target, address=access.address, doing=doing
        ) from error


@asynccontextmanager
async def connected(
    access: Access, call: Call[Any], *, bonded: bool
) -> AsyncIterator[Peer]:
    """Yield the device, connected for this purpose. Errors: Unavailable, Refused.

    A connection that BlueZ already holds is ended first: it is left over from a
    crash, or its device lost power and BlueZ did not notice.
    """
    call.doing = "look for the device"
    adapter, device = await located(access, bonded=bonded)
    if device is not None and device.connected:
        await drop(access, device)
    async with bluez.bleak_memory():
        client = await _client(access, call, adapter, device)
        with _calling(access, call, "connect to the device"):
            await client.connect()  # on failure bleak itself lets go
        try:
            yield Peer(access, call, client)
        finally:
            await _let_go(client)


async def located(
    access: Access, *, bonded: bool
) -> tuple[bluez.Adapter, bluez.Device | None]:
    """Return adapter and device as they are now. Errors: Unavailable, Refused."""
    adapter = await bluez.look(
        access.adapter, target=access.target, address=access.address
    )
    access.check_adapter(adapter)
    if bonded:
        access.check_bond(adapter)
    return adapter, adapter.device(access.address)


async def drop(access: Access, device: bluez.Device) -> None:
    """End a connection that BlueZ holds. Errors: Unavailable."""
    try:
        async with (
            asyncio.timeout(TIDY_S),
            bluez.system_bus(target=access.target, address=access.address) as bus,
        ):
            await bus.disconnect(device)
    except TimeoutError as error:
        raise bluez.silent(access.target) from error


async def _client(
    access: Access, call: Call[Any], adapter: bluez.Adapter, device: bluez.Device | None
) -> BleakClient:
    from bleak import BleakClient
    from bleak.backends.bluezdbus.version import BlueZFeatures

    # bleak would run `bluetoothctl --version` once, and if that is cut short by a
    # limit it waits for the answer for ever after.
    BlueZFeatures.checked_bluez_version = True
    found = await _heard(access, call, adapter) if device is None else _as_found(device)
    return BleakClient(found, timeout=_NEVER_S, bluez={"adapter": adapter.name})


def _as_found(device: bluez.Device) -> BLEDevice:
    """Return a device that BlueZ knows, as if a scan had just found it."""
    from bleak.backends.device import BLEDevice

    details = {"path": device.path, "props": dict(device.properties)}
    return BLEDevice(device.address, device.name, details)


async def _heard(access: Access, call: Call[Any], adapter: bluez.Adapter) -> BLEDevice:
    """Return a device without bond, which BlueZ only knows while it is heard."""
    from bleak import BleakScanner

    with _calling(access, call, "hear the device"):
        found = await BleakScanner.find_device_by_address(
            access.address, timeout=_NEVER_S, bluez={"adapter": adapter.name}
        )
    if found is None:
        raise Unavailable(
            "the scan ended without the device",
            target=access.target,
            remedy=failures.CROWDED,
        )
    return found


async def _let_go(client: BleakClient) -> None:
    # What was asked for is done or has failed by now, and the next call begins by
    # ending whatever is left of this one.
    with suppress(Exception):
        async with asyncio.timeout(TIDY_S):
            await client.disconnect()
