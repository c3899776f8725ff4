"""What bluetoothd has on the system bus at this moment: adapters, devices, batteries.

Each look is a D-Bus connection of its own. bleak keeps one for good and believes what
it heard on it last: after bluetoothd was killed it goes on to say "connected". So what
decides is looked at afresh, and ``bleak_memory`` ends with its last user.

Source: BlueZ doc/org.bluez.Adapter.rst, .Device.rst, .Battery.rst,
.GattCharacteristic.rst; bleak 3.1.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final
from weakref import WeakKeyDictionary

from tidegate.errors import Unavailable, Unsupported
from tidegate_backends.bluetooth import failures

if TYPE_CHECKING:
    from dbus_fast.aio import MessageBus

SERVICE: Final = "org.bluez"
_ADAPTER: Final = "org.bluez.Adapter1"
_DEVICE: Final = "org.bluez.Device1"
_BATTERY: Final = "org.bluez.Battery1"
_CHARACTERISTIC: Final = "org.bluez.GattCharacteristic1"

# A look is a few messages within this machine; bluetoothd takes them in between.
LOOK_LIMIT_S: Final = 3.0
_CLOSE_LIMIT_S: Final = 1.0
_MANAGED: Final = "GetManagedObjects"

# bleak keeps one memory for each event loop, whoever uses it.
_users: WeakKeyDictionary[asyncio.AbstractEventLoop, int] = WeakKeyDictionary()


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """A device that BlueZ knows. ``bonded``: keys are stored on this machine."""

    path: str
    address: str
    name: str
    bonded: bool
    connected: bool
    services: frozenset[str]
    rssi_dbm: int | None
    battery_percent: int | None
    characteristics: tuple[tuple[str, str], ...]
    properties: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Adapter:
    """A radio of this machine and what it knows."""

    name: str
    path: str
    powered: bool
    central: bool
    devices: tuple[Device, ...]

    def device(self, address: str) -> Device | None:
        """Return the device of this address, if BlueZ knows it."""
        found = (one for one in self.devices if one.address == address)
        return next(found, None)


class Bus:
    """An open connection to the system bus. Errors of every call: Unavailable,
    Unsupported, Refused; the caller bounds it.
    """

    def __init__(self, bus: MessageBus, *, target: str, address: str) -> None:
        self._bus = bus
        self._target = target
        self._address = address

    async def adapters(self) -> tuple[Adapter, ...]:
        """Return the adapters in the order of their names."""
        tree = await self._call("/", "org.freedesktop.DBus.ObjectManager", _MANAGED)
        return _adapters(tree)

    async def disconnect(self, device: Device) -> None:
        """End a connection that BlueZ holds."""
        await self._call(device.path, _DEVICE, "Disconnect")

    async def read(self, path: str) -> bytes:
        """Return the value of a characteristic of a connected device."""
        return bytes(await self._call(path, _CHARACTERISTIC, "ReadValue", "a{sv}", {}))

    async def _call(
        self, path: str, interface: str, member: str, signature: str = "", *body: Any
    ) -> Any:
        from dbus_fast import Message, MessageType, unpack_variants

        message = Message(
            destination=SERVICE,
            path=path,
            interface=interface,
            member=member,
            signature=signature,
            body=list(body),
        )
        try:
            reply = await self._bus.call(message)
        except Exception as error:
            # dbus-fast hands on what ended the connection, whatever that is.
            raise failures.no_daemon(self._target, str(error)) from error
        if reply.message_type is MessageType.ERROR:
            raise failures.of_bluez(
                reply.error_name or "",
                str(reply.body[0]) if reply.body else "",
                target=self._target,
                address=self._address,
                doing=f"have BlueZ answer {member}",
            )
        return unpack_variants(reply.body[0]) if reply.body else None


@asynccontextmanager
async def system_bus(*, target: str, address: str = "") -> AsyncIterator[Bus]:
    """Yield a connection of its own. Errors: Unavailable, Unsupported."""
    try:
        from dbus_fast import BusType
        from dbus_fast.aio import MessageBus
    except ImportError as error:
        raise failures.no_library(target) from error
    try:
        bus = MessageBus(bus_type=BusType.SYSTEM)
        await bus.connect()
    except Exception as error:
        # No socket, refused, not let in, an address that is none: all of them say
        # that there is no bus for us.
        raise failures.no_bus(target, error) from error
    try:
        yield Bus(bus, target=target, address=address)
    finally:
        await _closed(bus)


async def _closed(bus: MessageBus) -> None:
    """Close a connection, and wait until its socket is gone."""
    bus.disconnect()
    # Whatever ended it before us is of no interest any more.
    with suppress(Exception):
        async with asyncio.timeout(_CLOSE_LIMIT_S):
            await bus.wait_for_disconnect()  # type: ignore[no-untyped-call]


async def look(name: str | None, *, target: str, address: str = "") -> Adapter:
    """Return the adapter of this name, or the first that is of use, as it is now.

    Errors: Unavailable, Unsupported; bounded.
    """
    try:
        async with (
            asyncio.timeout(LOOK_LIMIT_S),
            system_bus(target=target, address=address) as bus,
        ):
            return chosen(await bus.adapters(), name, target=target)
    except TimeoutError as error:
        raise silent(target) from error


def silent(target: str) -> Unavailable:
    """Return the error for a bluetoothd that is there and does not answer."""
    return Unavailable(
        f"bluetoothd did not answer within {LOOK_LIMIT_S:g} s",
        target=target,
        remedy="Restart it: systemctl restart bluetooth.",
    )


def chosen(adapters: tuple[Adapter, ...], name: str | None, *, target: str) -> Adapter:
    """Return the adapter to use. Errors: Unavailable, Unsupported."""
    wanted = [one for one in adapters if name in (None, one.name)]
    if not wanted:
        there = ", ".join(one.name for one in adapters) or "none at all"
        raise Unavailable(
            "there is no Bluetooth adapter" + (f" {name}" if name else ""),
            target=target,
            remedy=f"There now: {there}. Plug it in; see rfkill list bluetooth and "
            "journalctl -k.",
        )
    able = [one for one in wanted if one.central]
    if not able:
        raise Unsupported(
            f"the adapter {wanted[0].name} cannot do Bluetooth LE as a central",
            target=target,
            remedy="Use an adapter of Bluetooth 4.0 or later.",
        )
    on = [one for one in able if one.powered]
    if not on:
        raise failures.adapter_off(target, able[0].name)
    return on[0]


@asynccontextmanager
async def bleak_memory() -> AsyncIterator[None]:
    """Let bleak keep what it hears, as long as somebody in this loop uses it.

    There is no public way to end its connection; under a bleak without these two names
    it just stays.
    """
    from bleak.backends.bluezdbus import manager

    loop = asyncio.get_running_loop()
    _users[loop] = _users.get(loop, 0) + 1
    try:
        yield
    finally:
        _users[loop] -= 1
        if _users[loop] == 0:
            kept = getattr(manager, "_global_instances", {}).get(loop)
            bus = getattr(kept, "_bus", None)
            if bus is not None and bus.connected:
                await _closed(bus)


def _adapters(tree: Mapping[str, Mapping[str, Any]]) -> tuple[Adapter, ...]:
    found = []
    for path, interfaces in sorted(tree.items()):
        if (has := interfaces.get(_ADAPTER)) is not None:
            found.append(
                Adapter(
                    name=path.rpartition("/")[2],
                    path=path,
                    powered=bool(has.get("Powered")),
                    # Before BlueZ 5.5x there was no such property.
                    central="central" in has.get("Roles", ["central"]),
                    devices=_devices(tree, path),
                )
            )
    return tuple(found)


def _devices(tree: Mapping[str, Mapping[str, Any]], adapter: str) -> tuple[Device, ...]:
    found = []
    for path, interfaces in sorted(tree.items()):
        has = interfaces.get(_DEVICE)
        if has is None or not path.startswith(f"{adapter}/"):
            continue
        address = str(has.get("Address", "")).upper()
        found.append(
            Device(
                path=path,
                address=address,
                name=str(has.get("Alias") or has.get("Name") or address),
                # `Bonded` came with BlueZ 5.65; before, a pairing always left keys.
                bonded=bool(has.get("Bonded", has.get("Paired"))),
                connected=bool(has.get("Connected")),
                services=frozenset(str(one).lower() for one in has.get("UUIDs", [])),
                rssi_dbm=has.get("RSSI"),
                battery_percent=interfaces.get(_BATTERY, {}).get("Percentage"),
                characteristics=_characteristics(tree, path),
                properties=has,
            )
        )
    return tuple(found)


def _characteristics(
    tree: Mapping[str, Mapping[str, Any]], device: str
) -> tuple[tuple[str, str], ...]:
    """Return UUID and path of what is on the bus, in the order of the handles."""
    return tuple(
        (str(has.get("UUID", "")).lower(), path)
        for path, interfaces in sorted(tree.items())
        if path.startswith(f"{device}/")
        and (has := interfaces.get(_CHARACTERISTIC)) is not None
    )
