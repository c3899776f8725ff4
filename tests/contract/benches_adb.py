"""The bench of the `adb` gauge: a real adb server, and a device over loopback TCP."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from contract.entry import Entry, awaitable, fault
from support.adbd import Adbd, AdbServer, adb_server
from support.dumps import dump
from support.host import TestHost
from support.peers import need
from tidegate.errors import BackendError, Malformed, Refused, Unavailable, Unsupported
from tidegate.testing import Fault, GaugeBench, Stall
from tidegate_backends.gauges import adb


@asynccontextmanager
async def _bench(tmp_path: Path) -> AsyncIterator[GaugeBench]:
    with (
        adb_server(need("adb"), tmp_path / "home") as server,
        Adbd(dump(Charge_counter=4_270_000)) as device,
    ):
        await asyncio.to_thread(server.connect, device)
        program = tmp_path / "adb"
        program.symlink_to(server.program)
        settings = adb.AdbSettings(
            serial=device.serial,
            over="usb",
            server_port=server.port,
            program=str(program),
            home=str(server.home),
            limit="1.5s",
        )
        yield GaugeBench(
            make=lambda: adb.AdbGauge(settings, TestHost()),
            stall=_stall(device),
            faults=_faults(server, device, program),
        )


def _stall(device: Adbd) -> Stall:
    async def reached() -> None:
        await asyncio.to_thread(device.wait_until, lambda device: bool(device.heard))

    def begin() -> None:
        device.heard.clear()
        device.behave("hangs")

    return Stall(
        begin=awaitable(begin),
        reached=reached,
        end=awaitable(lambda: device.behave("fair")),
    )


def _faults(server: AdbServer, device: Adbd, program: Path) -> tuple[Fault, ...]:
    manners: tuple[tuple[str, type[BackendError]], ...] = (
        ("hangs", Unavailable),
        ("refuses", Unavailable),
        ("drops-before", Unavailable),
        ("drops-during", Malformed),
    )
    away = program.with_name("away")

    async def forgets_the_key() -> None:
        device.authorised = False
        device.drop()
        await asyncio.to_thread(server.until, device.serial, "unauthorized")

    return (
        *(
            _fault(
                server,
                device,
                manner,
                error,
                awaitable(lambda manner=manner: device.behave(manner)),
            )
            for manner, error in manners
        ),
        _fault(server, device, "not authorised", Refused, forgets_the_key),
        fault(
            "no adb program",
            "open",
            Unsupported,
            lambda: program.rename(away),
            lambda: away.rename(program),
        ),
    )


def _fault(
    server: AdbServer,
    device: Adbd,
    name: str,
    error: type[BackendError],
    provoke: Callable[[], Awaitable[None]],
) -> Fault:
    async def mended() -> None:
        device.behave("fair")
        if not device.authorised:
            device.authorised = True
            device.drop()
        await asyncio.to_thread(server.until, device.serial, "device")

    return Fault(name=name, during="read", error=error, provoke=provoke, mend=mended)


TABLE: Mapping[str, Any] = {"kind": "adb", "serial": "10.0.0.7:5555", "over": "tcp"}

ENTRIES: Mapping[str, Entry] = {
    "tidegate_backends.gauges.adb": Entry(
        table=TABLE,
        benches={"server": _bench},
    ),
}
