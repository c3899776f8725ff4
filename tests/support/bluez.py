"""A bluetoothd that is none: ``org.bluez`` on a private D-Bus, with devices behind it.

Written from BlueZ's own documents (doc/org.bluez.Adapter.rst, .Device.rst,
.GattCharacteristic.rst, .Battery.rst) and D-Bus' ObjectManager, by plain messages, so
that it can also stay silent, answer wrongly and vanish. It shares no code with ours.
The dbus-daemon is a real one. It lives in a thread of its own, as a program would.

A device keeps its contacts (``signals``) whatever becomes of bluetoothd.
"""

from __future__ import annotations

import asyncio
import gc
import os
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, Self
from unittest import mock

from dbus_fast import Message, MessageType, Variant
from dbus_fast.aio import MessageBus

from support.peers import need

_ADAPTER = "org.bluez.Adapter1"
_DEVICE = "org.bluez.Device1"
_BATTERY = "org.bluez.Battery1"
_SERVICE = "org.bluez.GattService1"
_CHARACTERISTIC = "org.bluez.GattCharacteristic1"
_DESCRIPTOR = "org.bluez.GattDescriptor1"
_PROPERTIES = "org.freedesktop.DBus.Properties"
_MANAGER = "org.freedesktop.DBus.ObjectManager"

HCI0: Final = "/org/bluez/hci0"
WITHIN_S: Final = 20.0
ADVERTISES_EVERY_S: Final = 0.02

# Assigned numbers, re-typed from the Bluetooth SIG's list.
AUTOMATION_IO = 0x1815
DIGITAL = 0x2A56
NUMBER_OF_DIGITALS = 0x2909
BATTERY = 0x180F
BATTERY_LEVEL = 0x2A19
BATTERY_LEVEL_STATUS = 0x2BED

_CONFIG = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig>
  <type>system</type>
  <listen>unix:path={socket}</listen>
  <auth>EXTERNAL</auth>
  <policy context="default">
    <allow send_destination="*" eavesdrop="true"/>
    <allow eavesdrop="true"/>
    <allow own="*"/>
  </policy>
</busconfig>
"""


def long_uuid(short: int) -> str:
    return f"{short:08x}-0000-1000-8000-00805f9b34fb"


class Error(Exception):
    """An answer that is a D-Bus error."""

    def __init__(self, name: str, text: str = "") -> None:
        super().__init__(text)
        self.name, self.text = name, text


class Silence(Exception):
    """No answer at all, until something else ends the call."""


def failed(text: str) -> Error:
    return Error("org.bluez.Error.Failed", text)


@dataclass(eq=False)
class FakeCharacteristic:
    """An attribute with a value; ``taken`` are the writes that it carried out.

    ``mood``: sound, att (``code``), hang, in-progress, drop, not-paired,
    not-permitted. ``number_of_digitals`` adds that descriptor. ``obeys`` is what a
    write makes of the value.
    """

    uuid: int | str
    value: bytes = b"\x00"
    flags: tuple[str, ...] = ("read", "write")
    service: int = AUTOMATION_IO
    number_of_digitals: int | None = None
    mood: str = "sound"
    reads: str = "sound"
    code: int = 0x80
    taken: list[bytes] = field(default_factory=list)
    obeys: Callable[[bytes, bytes], bytes] = lambda before, written: written

    @property
    def full_uuid(self) -> str:
        return long_uuid(self.uuid) if isinstance(self.uuid, int) else self.uuid


def digital(signals: int = 1, **more: Any) -> FakeCharacteristic:
    """A Digital as the Automation IO service has it: 11 in a write changes nothing."""

    def obeys(before: bytes, written: bytes) -> bytes:
        after = bytearray(before)
        for place in range(signals):
            octet, shift = divmod(place, 4)
            if octet >= len(written):
                break
            wanted = written[octet] >> 2 * shift & 3
            if wanted in (0, 1):
                after[octet] &= ~(3 << 2 * shift) & 0xFF
                after[octet] |= wanted << 2 * shift
        return bytes(after)

    return FakeCharacteristic(
        DIGITAL,
        value=bytes((signals + 3) // 4),
        obeys=obeys,
        **({"number_of_digitals": signals} | more),
    )


@dataclass(eq=False)
class FakePeer:
    """A device. ``connects``: sound, fail, hang, abort, in-progress, unresolved.

    ``advertises``: heard by a scan. ``known``: bluetoothd has it without a scan.
    ``stale``: bluetoothd believes in a connection that is none any more, until it ends
    it: nothing is answered. ``disconnect_hangs``: so many times.
    """

    address: str
    name: str = "hall relay"
    bonded: bool = True
    known: bool = True
    advertises: bool = True
    rssi: int = -61
    uuids: tuple[int, ...] = (AUTOMATION_IO,)
    characteristics: list[FakeCharacteristic] = field(default_factory=list)
    battery_percent: int | None = None
    first_handle: int = 0x0010
    adapter: str = HCI0
    connects: str = "sound"
    connected: bool = False
    stale: bool = False
    disconnect_hangs: int = 0
    connections: int = 0
    disconnections: int = 0

    @property
    def path(self) -> str:
        return f"{self.adapter}/dev_{self.address.replace(':', '_')}"


class FakeBluez:
    """The daemon and its bus; use it as a context manager.

    ``at``: what ``DBUS_SYSTEM_BUS_ADDRESS`` must say.
    """

    def __init__(self, folder: Path, *peers: FakePeer) -> None:
        self.at = f"unix:path={folder / 'bus'}"
        self.peers = list(peers)
        self.powered = True
        self.roles = ["central", "peripheral"]
        self.has_adapter = True
        self.adapter = HCI0
        self.frozen = False
        self.scans = 0
        self.denies = False
        self.heard: list[str] = []
        self._folder = folder
        self._tree: dict[str, dict[str, dict[str, Variant]]] = {}
        self._pending: list[tuple[Message, FakePeer | None]] = []
        self._places: dict[str, tuple[FakePeer, FakeCharacteristic]] = {}
        self._changed = threading.Condition(threading.RLock())
        self._bus: MessageBus | None = None
        self._daemon: subprocess.Popen[str] | None = None
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)

    # --- life -------------------------------------------------------------------------

    def __enter__(self) -> Self:
        program = need("dbus-daemon")
        config = self._folder / "bus.conf"
        config.write_text(_CONFIG.format(socket=self._folder / "bus"))
        self._daemon = subprocess.Popen(
            [program, f"--config-file={config}", "--nofork", "--print-address"],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        assert self._daemon.stdout is not None
        assert self._daemon.stdout.readline(), "dbus-daemon did not start"
        self._thread.start()
        self._do(self._appear())
        return self

    def __exit__(self, *_: object) -> None:
        self._do(self._vanish())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(WITHIN_S)
        self._loop.close()
        assert self._daemon is not None
        self._daemon.terminate()
        self._daemon.wait(WITHIN_S)
        assert self._daemon.stdout is not None
        self._daemon.stdout.close()

    @contextmanager
    def as_system_bus(self) -> Iterator[Self]:
        """Let this process take the private bus for the system's."""
        with self, mock.patch.dict(os.environ, {"DBUS_SYSTEM_BUS_ADDRESS": self.at}):
            yield self

    def vanish(self) -> None:
        """Let bluetoothd die: its name is free, calls under way get no answer."""
        self._do(self._vanish())

    def come_back(self) -> None:
        """Let it start again; connections are gone, bonds are not."""
        self._do(self._appear())

    def plug_in_anew(self, name: str) -> None:
        """Let the adapter come back under another name, as one on USB may."""

        def renamed() -> None:
            self.adapter = f"/org/bluez/{name}"
            for peer in self.peers:
                peer.adapter, peer.connected = self.adapter, False

        self.change(renamed)

    def change(self, act: Callable[[], object]) -> None:
        """Change something of adapter or devices, and say so on the bus."""

        async def changed() -> None:
            act()
            self._show()

        self._do(changed())

    def kill_bus(self) -> None:
        """Let the whole D-Bus die."""
        assert self._daemon is not None
        self._daemon.kill()
        self._daemon.wait(WITHIN_S)

    def let_go(self) -> None:
        """Give up what was kept waiting; it is not carried out."""

        async def given_up() -> None:
            self._end_pending(None)

        self._do(given_up())

    def wait_until(self, holds: Callable[[], bool], what: str) -> None:
        """Wait until something holds that a message of the other side brings about."""
        end_s = time.monotonic() + WITHIN_S
        with self._changed:
            while not holds():
                left_s = end_s - time.monotonic()
                assert left_s > 0, f"not within {WITHIN_S} s: {what}; {self.heard}"
                self._changed.wait(left_s)

    def _do(self, work: Any) -> None:
        asyncio.run_coroutine_threadsafe(work, self._loop).result(WITHIN_S)

    async def _appear(self) -> None:
        self._bus = MessageBus(bus_address=self.at)
        await self._bus.connect()
        self._bus.add_message_handler(self._handle)
        self._tree.clear()
        await self._bus.request_name("org.bluez")
        for peer in self.peers:
            peer.connected = False
        self._show()

    async def _vanish(self) -> None:
        bus, self._bus = self._bus, None
        self._pending.clear()
        self.scans = 0
        for peer in self.peers:
            peer.connected = False
        if bus is not None:
            bus.disconnect()
            with suppress(Exception):  # a bus that was killed says how it ended
                await bus.wait_for_disconnect()

    # --- the tree of objects ----------------------------------------------------------

    def _show(self) -> None:
        """Make the bus agree with adapter and devices, and say what changed."""
        wanted = self._wanted()
        for path in sorted(self._tree.keys() - wanted.keys(), reverse=True):
            gone = self._tree.pop(path)
            self._signal("/", _MANAGER, "InterfacesRemoved", "oas", path, list(gone))
        for path, interfaces in sorted(wanted.items()):
            before = self._tree.get(path)
            self._tree[path] = interfaces
            if before is None:
                self._signal(
                    "/", _MANAGER, "InterfacesAdded", "oa{sa{sv}}", path, interfaces
                )
                continue
            for interface in interfaces.keys() - before.keys():
                added = {interface: interfaces[interface]}
                self._signal(
                    "/", _MANAGER, "InterfacesAdded", "oa{sa{sv}}", path, added
                )
            for interface, has in interfaces.items():
                had = before.get(interface, has)
                changed = {
                    key: one
                    for key, one in has.items()
                    if key not in had or had[key].value != one.value
                }
                lost = sorted(had.keys() - has.keys())
                if changed or lost:
                    self._signal(
                        path,
                        _PROPERTIES,
                        "PropertiesChanged",
                        "sa{sv}as",
                        interface,
                        changed,
                        lost,
                    )
        with self._changed:
            self._changed.notify_all()

    def _wanted(self) -> dict[str, dict[str, dict[str, Variant]]]:
        tree: dict[str, dict[str, dict[str, Variant]]] = {"/org/bluez": {}}
        self._places.clear()
        if not self.has_adapter:
            return tree
        tree[self.adapter] = {
            _ADAPTER: {
                "Address": Variant("s", "00:00:5E:00:53:01"),
                "Name": Variant("s", "synthetic host"),
                "Roles": Variant("as", self.roles),
                "Powered": Variant("b", self.powered),
                "Discovering": Variant("b", bool(self.scans)),
            }
        }
        for peer in self.peers:
            if peer.known:
                tree[peer.path] = self._device(peer)
            if peer.known and peer.connected and peer.connects != "unresolved":
                self._services(peer, tree)
        return tree

    def _device(self, peer: FakePeer) -> dict[str, dict[str, Variant]]:
        resolved = peer.connected and peer.connects != "unresolved"
        device = {
            "Address": Variant("s", peer.address),
            "AddressType": Variant("s", "public"),
            "Alias": Variant("s", peer.name),
            "Name": Variant("s", peer.name),
            "Adapter": Variant("o", self.adapter),
            "UUIDs": Variant("as", [long_uuid(one) for one in peer.uuids]),
            "Paired": Variant("b", peer.bonded),
            "Bonded": Variant("b", peer.bonded),
            "Trusted": Variant("b", peer.bonded),
            "Connected": Variant("b", peer.connected),
            "ServicesResolved": Variant("b", resolved),
        }
        if self.scans and peer.advertises:
            device["RSSI"] = Variant("n", peer.rssi)
        interfaces = {_DEVICE: device}
        if peer.battery_percent is not None:
            interfaces[_BATTERY] = {"Percentage": Variant("y", peer.battery_percent)}
        return interfaces

    def _services(
        self, peer: FakePeer, tree: dict[str, dict[str, dict[str, Variant]]]
    ) -> None:
        handle = peer.first_handle
        services: dict[int, str] = {}
        for one in peer.characteristics:
            if one.service not in services:
                services[one.service] = f"{peer.path}/service{handle:04x}"
                tree[services[one.service]] = {
                    _SERVICE: {
                        "UUID": Variant("s", long_uuid(one.service)),
                        "Primary": Variant("b", bool(one.service)),
                        "Device": Variant("o", peer.path),
                        "Includes": Variant("ao", []),
                    }
                }
            handle += 0x10
            path = f"{services[one.service]}/char{handle:04x}"
            self._places[path] = (peer, one)
            tree[path] = {
                _CHARACTERISTIC: {
                    "UUID": Variant("s", one.full_uuid),
                    "Service": Variant("o", services[one.service]),
                    "Flags": Variant("as", list(one.flags)),
                    "MTU": Variant("q", 23),
                }
            }
            if one.number_of_digitals is not None:
                tree[f"{path}/desc{handle + 2:04x}"] = {
                    _DESCRIPTOR: {
                        "UUID": Variant("s", long_uuid(NUMBER_OF_DIGITALS)),
                        "Characteristic": Variant("o", path),
                        "Flags": Variant("as", ["read"]),
                    }
                }

    def _signal(
        self, path: str, interface: str, member: str, signature: str, *body: Any
    ) -> None:
        if self._bus is not None:
            self._bus.send(
                Message.new_signal(path, interface, member, signature, list(body))
            )

    # --- calls ------------------------------------------------------------------------

    def _handle(self, message: Message) -> Message | bool | None:
        if message.message_type is not MessageType.METHOD_CALL:
            return None
        if not (message.path or "").startswith("/org/bluez") and message.path != "/":
            return None
        if self._bus is None:
            return True  # heard after the end
        self.heard.append(f"{message.member} {(message.path or '')[-12:]}")
        try:
            if self.frozen:
                raise Silence
            return self._answer(message)
        except Error as error:
            return Message.new_error(message, error.name, error.text)
        except Silence:
            self._pending.append((message, self._peer_of(message.path or "")))
            return True
        finally:
            with self._changed:
                self._changed.notify_all()

    def _answer(self, message: Message) -> Message:
        if self.denies:
            raise Error(
                "org.freedesktop.DBus.Error.AccessDenied",
                "Rejected send message, 2 matched rules",
            )
        if message.member == "GetManagedObjects":
            return Message.new_method_return(
                message, "a{oa{sa{sv}}}", [dict(self._tree)]
            )
        path = message.path or ""
        if path not in self._tree and path.rpartition("/")[0] not in self._tree:
            raise Error(
                "org.freedesktop.DBus.Error.UnknownObject",
                f'Method "{message.member}" doesn\'t exist',
            )
        call = getattr(self, f"_on_{message.member}")
        signature, body = call(message) or ("", [])
        return Message.new_method_return(message, signature, body)

    def _peer_of(self, path: str) -> FakePeer | None:
        return next((one for one in self.peers if path.startswith(one.path)), None)

    def _on_SetDiscoveryFilter(self, message: Message) -> None:
        del message

    def _on_StartDiscovery(self, message: Message) -> None:
        del message
        if not self.powered:
            raise Error("org.bluez.Error.NotReady", "Resource Not Ready")
        self.scans += 1
        if self.scans == 1:
            self._loop.call_later(ADVERTISES_EVERY_S, self._advertise)

    def _advertise(self) -> None:
        """Let each device be heard, a little louder or softer each time."""
        if not self.scans or self._bus is None:
            return
        for peer in self.peers:
            peer.known = peer.known or peer.advertises
            peer.rssi ^= 1
        self._show()
        self._loop.call_later(ADVERTISES_EVERY_S, self._advertise)

    def _on_StopDiscovery(self, message: Message) -> None:
        del message
        self.scans = max(0, self.scans - 1)
        self._show()

    def _on_Connect(self, message: Message) -> None:
        peer = self._peer_of(message.path or "")
        assert peer is not None
        if not self.powered:
            raise Error("org.bluez.Error.NotReady", "Resource Not Ready")
        match peer.connects:
            case "hang":
                raise Silence
            case "fail":
                raise failed("le-connection-abort-by-remote")
            case "abort":
                raise failed("Software caused connection abort")
            case "in-progress":
                raise Error(
                    "org.bluez.Error.InProgress", "Operation already in progress"
                )
        peer.connected = True
        peer.connections += 1
        self._show()

    def _on_Disconnect(self, message: Message) -> None:
        peer = self._peer_of(message.path or "")
        assert peer is not None
        peer.disconnections += 1
        if peer.disconnect_hangs:
            peer.disconnect_hangs -= 1
            raise Silence
        self._disconnect(peer)

    def _disconnect(self, peer: FakePeer) -> None:
        peer.connected = peer.stale = False
        self._end_pending(peer)
        self._show()

    def _end_pending(self, peer: FakePeer | None) -> None:
        """End what waits, for one device or all, as a lost connection does."""
        left = []
        for message, waits_for in self._pending:
            if peer is not None and waits_for is not peer:
                left.append((message, waits_for))
            elif self._bus is not None:
                self._bus.send(
                    Message.new_error(
                        message, "org.bluez.Error.Failed", "Not connected"
                    )
                )
        self._pending = left

    def _on_ReadValue(self, message: Message) -> tuple[str, list[bytes]]:
        path = message.path or ""
        if "/desc" in path:
            _, one = self._at(path.rpartition("/")[0])
            assert one.number_of_digitals is not None
            return "ay", [bytes([one.number_of_digitals])]
        peer, one = self._at(path)
        if "read" not in one.flags:
            raise Error("org.bluez.Error.NotPermitted", "Read not permitted")
        self._mood(peer, one, one.reads)
        return "ay", [one.value]

    def _on_WriteValue(self, message: Message) -> None:
        peer, one = self._at(message.path or "")
        written, options = message.body
        kind = options["type"].value if "type" in options else "request"
        if kind != "request":
            raise failed("a write without response is not what was wanted")
        if "write" not in one.flags:
            raise Error("org.bluez.Error.NotPermitted", "Write not permitted")
        self._mood(peer, one, one.mood)
        one.taken.append(bytes(written))
        one.value = one.obeys(one.value, bytes(written))

    def _at(self, path: str) -> tuple[FakePeer, FakeCharacteristic]:
        peer, one = self._places[path]
        if not peer.connected:
            raise Error("org.bluez.Error.NotConnected", "Not Connected")
        if peer.stale:
            raise Silence
        return peer, one

    def _mood(self, peer: FakePeer, one: FakeCharacteristic, mood: str) -> None:
        match mood:
            case "hang":
                raise Silence
            case "att":
                raise failed(f"Operation failed with ATT error: 0x{one.code:02x}")
            case "in-progress":
                raise Error("org.bluez.Error.InProgress", "In Progress")
            case "not-paired":
                raise Error("org.bluez.Error.NotPermitted", "Not paired")
            case "drop":
                self._disconnect(peer)
                raise failed("Not connected")


@contextmanager
def nothing_unhandled() -> Iterator[None]:
    """Fail where an exception is left to the event loop: it would end the daemon."""
    seen: list[dict[str, Any]] = []
    loop = asyncio.get_running_loop()
    loop.set_exception_handler(lambda _, context: seen.append(context))
    gc.freeze()  # only what is made from here on is looked through, which is quick
    try:
        yield
    finally:
        gc.collect()
        gc.unfreeze()
        loop.set_exception_handler(None)
    assert seen == []
