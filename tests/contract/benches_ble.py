"""Benches of the Bluetooth family: real bleak, a real D-Bus, a fake bluetoothd."""

from __future__ import annotations

import asyncio
import os
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from pathlib import Path
from typing import Any

from contract.entry import Entry, awaitable, fault
from support.bluez import (
    BATTERY,
    BATTERY_LEVEL,
    BATTERY_LEVEL_STATUS,
    FakeBluez,
    FakeCharacteristic,
    FakePeer,
    digital,
)
from support.host import TestHost
from tidegate.contract import Contact, Relay
from tidegate.core.reading import Supply
from tidegate.errors import Malformed, Refused, Unavailable, Unsupported
from tidegate.testing import Fault, GaugeBench, RelayBench, Stall
from tidegate_backends.gauges import ble_battery
from tidegate_backends.relays import ble

ADDRESS = "00:00:5E:00:53:20"
# A vendor's characteristic with frames of its own; the frames are invented.
VENDOR = 0xFFE1
ON, OFF = bytes.fromhex("A0 01 01 A2"), bytes.fromhex("A0 01 00 A1")


def _stall(bluez: FakeBluez, begin: Callable[[], object], call: str) -> Stall:
    async def reached() -> None:
        await asyncio.to_thread(
            bluez.wait_until,
            lambda: any(call in heard for heard in bluez.heard),
            f"{call} reaches the device",
        )

    def forget_and_begin() -> None:
        bluez.heard.clear()
        begin()

    def end() -> None:
        _calm(bluez)
        bluez.let_go()

    return Stall(begin=awaitable(forget_and_begin), reached=reached, end=awaitable(end))


def _calm(bluez: FakeBluez) -> None:
    for peer in bluez.peers:
        peer.connects = "sound"
        for one in peer.characteristics:
            one.mood = one.reads = "sound"


def _in_bluez(bluez: FakeBluez, during: str) -> list[Fault]:
    """What can be wrong before the device is even called."""
    (peer,) = bluez.peers

    def turn(thing: object, **to: Any) -> Callable[[], None]:
        return lambda: bluez.change(lambda: vars(thing).update(to))

    def bus(at: str) -> Callable[[], None]:
        return lambda: os.environ.update(DBUS_SYSTEM_BUS_ADDRESS=at)

    found = [
        fault(
            "bluetoothd is gone",
            during,
            Unavailable,
            bluez.vanish,
            bluez.come_back,
        ),
        fault(
            "the adapter is off",
            during,
            Unavailable,
            turn(bluez, powered=False),
            turn(bluez, powered=True),
        ),
        fault(
            "the bond was removed",
            during,
            Refused,
            turn(peer, bonded=False),
            turn(peer, bonded=True),
        ),
    ]
    if during == "open":
        found += [
            fault(
                "there is no D-Bus",
                during,
                Unsupported,
                bus(f"{bluez.at}-not-there"),
                bus(bluez.at),
            ),
            fault(
                "the adapter cannot do LE as a central",
                during,
                Unsupported,
                turn(bluez, roles=["peripheral"]),
                turn(bluez, roles=["central"]),
            ),
        ]
    return found


# ---- the relay


def _relay_bench(
    has: Callable[[], FakeCharacteristic],
    is_driven: Callable[[bytes], bool],
    **settings: Any,
) -> Callable[[Path], AbstractAsyncContextManager[RelayBench]]:
    @asynccontextmanager
    async def bench(tmp_path: Path) -> AsyncIterator[RelayBench]:
        made = has()
        peer = FakePeer(ADDRESS, characteristics=[made])
        with FakeBluez(tmp_path, peer).as_system_bus() as bluez:
            yield _relay(bluez, made, is_driven, settings)

    return bench


def _relay(
    bluez: FakeBluez,
    made: FakeCharacteristic,
    is_driven: Callable[[bytes], bool],
    settings: Mapping[str, Any],
) -> RelayBench:
    def make(contact: Contact) -> Relay:
        table = {"address": ADDRESS, "contact": contact, **settings}
        return ble.BleRelay(ble.Settings.model_validate(table), TestHost())

    async def supply_becomes(contact: Contact, supply: Supply) -> bool:
        # Normally-closed opens when driven; the two others close when driven.
        opens_when_driven = contact == "normally-closed"
        return is_driven(made.value) == ((supply is Supply.OFF) == opens_when_driven)

    (peer,) = bluez.peers
    faults = [
        *_in_bluez(bluez, "open"),
        *_in_bluez(bluez, "set"),
        fault(
            "the device refuses the write",
            "set",
            Refused,
            lambda: setattr(made, "mood", "att"),
            lambda: _calm(bluez),
        ),
        fault(
            "the connection is lost in the write",
            "set",
            Unavailable,
            lambda: setattr(made, "mood", "drop"),
            lambda: _calm(bluez),
        ),
        fault(
            "the device cannot be connected",
            "set",
            Unavailable,
            lambda: setattr(peer, "connects", "fail"),
            lambda: _calm(bluez),
        ),
    ]
    if "read" in made.flags:
        kept = made.value
        faults.append(
            fault(
                "what is read makes no sense",
                "get",
                Malformed,
                lambda: setattr(made, "value", b""),
                lambda: setattr(made, "value", kept),
            )
        )
    return RelayBench(
        make=make,
        supply_becomes=supply_becomes,
        stall=_stall(bluez, lambda: setattr(made, "mood", "hang"), "WriteValue"),
        faults=tuple(faults),
    )


def _vendor() -> FakeCharacteristic:
    return FakeCharacteristic(VENDOR, value=OFF, service=0xFFE0)


# ---- the gauge


def _gauge_bench(
    lacks: frozenset[str], *values: tuple[int, str], plugin_percent: int | None = None
) -> Callable[[Path], AbstractAsyncContextManager[GaugeBench]]:
    @asynccontextmanager
    async def bench(tmp_path: Path) -> AsyncIterator[GaugeBench]:
        made = [
            FakeCharacteristic(uuid, bytes.fromhex(value), ("read",), service=BATTERY)
            for uuid, value in values
        ]
        peer = FakePeer(
            ADDRESS,
            uuids=(BATTERY,),
            characteristics=made,
            battery_percent=plugin_percent,
        )
        with FakeBluez(tmp_path, peer).as_system_bus() as bluez:
            yield _gauge(bluez, lacks)

    return bench


def _gauge(bluez: FakeBluez, lacks: frozenset[str]) -> GaugeBench:
    (peer,) = bluez.peers
    settings = ble_battery.Settings(address=ADDRESS)
    kept, kept_percent = list(peer.characteristics), peer.battery_percent
    kept_uuids = peer.uuids

    def without() -> None:
        peer.characteristics.clear()
        peer.battery_percent = None
        peer.uuids = ()

    def with_it() -> None:
        peer.characteristics[:] = kept
        peer.battery_percent = kept_percent
        peer.uuids = kept_uuids

    faults = [
        *_in_bluez(bluez, "open"),
        *_in_bluez(bluez, "read"),
        fault(
            "the device has no battery to tell of",
            "read",
            Unsupported,
            lambda: bluez.change(without),
            lambda: bluez.change(with_it),
        ),
    ]
    if kept:
        level, value = kept[0], kept[0].value
        faults += [
            fault(
                "a level of two octets",
                "read",
                Malformed,
                lambda: setattr(level, "value", b"\x3d\x00"),
                lambda: setattr(level, "value", value),
            ),
            fault(
                "the device refuses the read",
                "read",
                Refused,
                lambda: setattr(level, "reads", "att"),
                lambda: _calm(bluez),
            ),
        ]
    stalled = (lambda: setattr(kept[0], "reads", "hang"), "ReadValue")
    connecting = (lambda: setattr(peer, "connects", "hang"), "Connect ")
    return GaugeBench(
        make=lambda: ble_battery.BleBatteryGauge(settings, TestHost()),
        lacks=lacks,
        faults=tuple(faults),
        stall=_stall(bluez, *(stalled if kept else connecting)),
    )


_NO_STATUS = frozenset({"battery_status", "external_power", "health"})

ENTRIES: Mapping[str, Entry] = {
    "tidegate_backends.relays.ble": Entry(
        table={"kind": "ble", "address": ADDRESS},
        benches={
            "digital": _relay_bench(
                lambda: digital(4), lambda value: value[0] >> 2 & 3 == 1, signal=1
            ),
            "bytes": _relay_bench(
                _vendor,
                lambda value: value == ON,
                characteristic="0xFFE1",
                on="A0 01 01 A2",
                off="A0 01 00 A1",
                reads_on="A0 01 01 A2",
                reads_off="A0 01 00 A1",
            ),
            "write-only": _relay_bench(
                lambda: digital(1, flags=("write",)), lambda value: value[0] & 3 == 1
            ),
        },
    ),
    "tidegate_backends.gauges.ble_battery": Entry(
        table={"kind": "ble-battery", "address": ADDRESS},
        benches={
            # Present, wired power, charging, 61 %, and one fault to tell of.
            "level-status": _gauge_bench(
                frozenset(),
                (BATTERY_LEVEL, "3D"),
                (BATTERY_LEVEL_STATUS, "02 A3 12 3D"),
            ),
            "level-only": _gauge_bench(_NO_STATUS, (BATTERY_LEVEL, "3D")),
            "plugin": _gauge_bench(_NO_STATUS, plugin_percent=61),
        },
    ),
}
