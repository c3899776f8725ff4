"""Benches for `modbus` and `hid`."""

from __future__ import annotations

import asyncio
import dataclasses
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from pathlib import Path
from typing import Any

from contract.entry import Entry, awaitable, fault
from support.fake_hid import FOUR_BYTE, FakeHidBoard, FakeHids, unplugging
from support.held_port import HeldPort
from support.lent_hosts import LentHosts
from support.modbus_device import ACTION, TIMED, WATCHDOG, ModbusDevice
from support.modbus_server import ModbusServer
from support.wire_pair import WirePair
from tidegate.contract import Contact, Relay
from tidegate.core.reading import Supply
from tidegate.errors import (
    BackendError,
    Busy,
    Malformed,
    Refused,
    Unavailable,
    Unsupported,
)
from tidegate.testing import CONTACTS, Fault, RelayBench, Stall
from tidegate_backends.relays import hid, modbus

MakeBench = Callable[[Path], AbstractAsyncContextManager[RelayBench]]


def _is_driven(contact: Contact, supply: Supply) -> bool:
    # Normally-closed opens when driven; the two others close when driven.
    return (supply is Supply.OFF) == (contact == "normally-closed")


# ---- modbus


def _units(
    door: str, *, contacts: tuple[Contact, ...] = CONTACTS, **more: Any
) -> MakeBench:
    """Units written from the standard; those of ordinary settings with all faults."""

    @asynccontextmanager
    async def bench(tmp_path: Path) -> AsyncIterator[RelayBench]:
        hosts = LentHosts()
        with ModbusDevice(tmp_path / "bus" if door == "rtu" else None) as device:
            table = {"host": "127.0.0.1", "tcp_port": device.port}
            if device.link is not None:
                table = {"port": str(device.link)}
            bench = RelayBench(
                make=_maker(hosts, {**table, "limit": "0.8s", **more}),
                supply_becomes=_seen_by(device.driven),
                contacts=contacts,
            )
            yield bench if more else _with_faults(bench, device)
        await hosts.close()

    return bench


def _served(door: str) -> MakeBench:
    """pymodbus's own server, which never does anything wrong."""

    @asynccontextmanager
    async def bench(tmp_path: Path) -> AsyncIterator[RelayBench]:
        hosts = LentHosts()
        if door == "tcp":
            with ModbusServer() as server:
                table = {"host": "127.0.0.1", "tcp_port": server.tcp_port}
                yield RelayBench(
                    make=_maker(hosts, {**table, "limit": "2s"}),
                    supply_becomes=_seen_by(server.driven),
                )
        else:
            with (
                WirePair(tmp_path / "ours", tmp_path / "theirs") as pair,
                ModbusServer(pair.theirs) as server,
            ):
                table = {"port": str(pair.ours), "limit": "2s"}
                yield RelayBench(
                    make=_maker(hosts, table),
                    supply_becomes=_seen_by(server.driven),
                )
        await hosts.close()

    return bench


def _maker(hosts: LentHosts, table: Mapping[str, Any]) -> Callable[[Contact], Relay]:
    def make(contact: Contact) -> Relay:
        given = {"coil": 0, **table, "contact": contact}
        settings = modbus.Settings.model_validate(given)
        return modbus.ModbusRelay(settings, hosts.host("lobby"))

    return make


def _seen_by(driven: Callable[[], bool]) -> Any:
    async def supply_becomes(contact: Contact, supply: Supply) -> bool:
        # The reply comes after the coil moved, so there is nothing to wait for.
        return driven() is _is_driven(contact, supply)

    return supply_becomes


def _with_faults(bench: RelayBench, device: ModbusDevice) -> RelayBench:
    stall = _stall(device)
    return dataclasses.replace(
        bench,
        stall=stall,
        get_stall=stall,
        open_stall=stall,
        faults=_faults(device),
    )


def _stall(device: ModbusDevice) -> Stall:
    async def reached() -> None:
        await asyncio.to_thread(device.wait_until, lambda device: bool(device.heard()))

    def begin() -> None:
        device.forget()
        device.hold()

    return Stall(begin=awaitable(begin), reached=reached, end=awaitable(device.let_go))


def _faults(device: ModbusDevice) -> tuple[Fault, ...]:
    spoiled: list[tuple[str, Any, type[BackendError]]] = [
        ("silent", "set", Unavailable),
        ("exception-2", "set", Refused),
        ("exception-6", "set", Unavailable),
        ("other-function", "set", Malformed),
    ]
    if device.link is None:
        spoiled += [("no-header", "set", Malformed), ("hang-up", "set", Unavailable)]
    else:
        spoiled += [("bad-check", "set", Malformed)]
    return (
        fault("unplugged", "open", Unavailable, device.unplug, device.plug_in),
        fault("unplugged", "set", Unavailable, device.unplug, device.plug_in),
        *(
            fault(
                name, during, error, lambda name=name: device.spoil(name), device.fair
            )
            for name, during, error in spoiled
        ),
        *(_faults_of_the_port(device.link) if device.link is not None else ()),
    )


def _faults_of_the_port(link: Path) -> tuple[Fault, ...]:
    away, held = link.with_name("away"), HeldPort(link)
    return (
        fault("in use by another program", "open", Busy, held.hold, held.let_go),
        fault(
            "a folder in the place of the port",
            "open",
            Unsupported,
            lambda: (link.rename(away), link.mkdir()),
            lambda: (link.rmdir(), away.rename(link)),
        ),
    )


_WATCHDOG: dict[str, Any] = {
    "style": "watchdog",
    "address": WATCHDOG,
    "time": "90s",
    "step": "0.1s",
}
_RELEASES = {**_WATCHDOG, "also": [{"address": ACTION, "value": 0}]}
_DRIVES = {
    **_WATCHDOG,
    "also": [{"address": ACTION, "value": 1}],
    "leaves_coil": "driven",
}
_TIMED = {"style": "timed", "address": TIMED, "time": "90s", "step": "0.1s"}


# ---- hid


def _board(**given: Any) -> MakeBench:
    """A fake: no HID device can be made here."""

    @asynccontextmanager
    async def bench(tmp_path: Path) -> AsyncIterator[RelayBench]:
        hosts = LentHosts()
        boards = FakeHids(tmp_path)
        form = given.get("report", "feature-mask")
        blind = form != "feature-mask"
        board = boards.plug(**{k: v for k, v in given.items() if k != "report"})

        def make(contact: Contact) -> Relay:
            settings = hid.Settings(report=form, channel=2, contact=contact)
            return hid.HidRelay(settings, hosts.host("lobby"), hid=boards.hid)

        async def supply_becomes(contact: Contact, supply: Supply) -> bool:
            return board.coils[2] is _is_driven(contact, supply)

        yield RelayBench(
            make=make,
            supply_becomes=supply_becomes,
            # The thread that hangs cannot close either: that takes its time, once.
            stall=None if blind else _held(board),
            faults=_faults_of_a_board(board, blind=blind),
        )
        await hosts.close()

    return bench


def _held(board: FakeHidBoard) -> Stall:
    async def reached() -> None:
        assert await asyncio.to_thread(board.reached.wait, 20)

    def begin() -> None:
        board.reached.clear()
        board.gate.clear()

    return Stall(begin=awaitable(begin), reached=reached, end=awaitable(board.gate.set))


def _faults_of_a_board(board: FakeHidBoard, *, blind: bool) -> tuple[Fault, ...]:
    pull, put = unplugging(board)

    def failing(how: str, during: Any, error: type[BackendError]) -> Fault:
        return fault(
            how,
            during,
            error,
            lambda: setattr(board, "failing", how),
            lambda: setattr(board, "failing", ""),
        )

    common = (
        fault("unplugged", "open", Unavailable, pull, put),
        fault("unplugged", "set", Unavailable, pull, put),
        failing("held", "open", Unavailable),
        failing("dead", "set", Unavailable),
    )
    if blind:
        return common
    return (
        *common,
        failing("stuck", "set", Refused),
        failing("garbled", "get", Malformed),
        fault(
            "a board with one relay in its place",
            "open",
            Unsupported,
            lambda: setattr(board, "product", "USBRelay1"),
            lambda: setattr(board, "product", "USBRelay4"),
        ),
    )


ENTRIES: Mapping[str, Entry] = {
    "tidegate_backends.relays.modbus": Entry(
        table={"kind": "modbus", "port": "/dev/serial/by-path/one", "coil": 0},
        benches={
            "rtu": _units("rtu"),
            "tcp": _units("tcp"),
            "tcp-blind": _units("tcp", readback=False),
            "rtu-watchdog": _units(
                "rtu", contacts=("normally-closed",), timer=_RELEASES
            ),
            "tcp-drives": _units("tcp", contacts=("normally-open",), timer=_DRIVES),
            "tcp-timed": _units("tcp", contacts=("normally-closed",), timer=_TIMED),
            "rtu-served": _served("rtu"),
            "tcp-served": _served("tcp"),
        },
    ),
    "tidegate_backends.relays.hid": Entry(
        table={"kind": "hid", "serial": "HALL1", "channel": 2},
        benches={
            "feature-mask": _board(),
            "one-byte": _board(report="one-byte", product="HIDRelay"),
            "four-byte": _board(report="four-byte", product="", ids=FOUR_BYTE),
        },
    ),
}
