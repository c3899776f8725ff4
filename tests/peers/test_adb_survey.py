"""What `tidegate find` sees of adb: a real server, and one that says what it is told.

Source of the server's words: AOSP packages/modules/adb, OVERVIEW.TXT and SERVICES.TXT;
of the rows: transport.cpp (``append_transport``). All devices are invented.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any

import pytest

from support.adbd import Adbd, AdbServer, adb_server
from support.dumps import dump
from support.host import TestHost
from support.peers import need
from tidegate.contract import Found
from tidegate.errors import BackendError, Refused, Unavailable, Unsupported
from tidegate_backends.adb import survey as module
from tidegate_backends.gauges.adb import BACKEND, AdbGauge, AdbSettings, survey

pytestmark = pytest.mark.peer


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[AdbServer]:
    with adb_server(need("adb"), tmp_path_factory.mktemp("adb")) as server:
        yield server


@pytest.fixture
def device(shared: AdbServer) -> Iterator[Adbd]:
    with Adbd(dump()) as device, shared.attached(device):
        yield device


@asynccontextmanager
async def looking(server: AdbServer, monkeypatch: Any) -> AsyncIterator[None]:
    for name, value in server.environment.items():
        monkeypatch.setenv(name, value)
    yield


async def seen(probe: str | None = None) -> list[Found]:
    return [found async for found in survey(TestHost(), probe)]


async def test_find_starts_no_server_by_itself(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with adb_server(need("adb"), tmp_path / "home", start=False) as server:
        async with looking(server, monkeypatch):
            for probe in (None, "/dev/ttyUSB0"):
                (found,) = await seen(probe)
                assert (found.table, found.why_not) == (None, "no adb server runs")
                assert "--probe adb" in found.remedy
                assert not server.listens()
            (found,) = await seen("adb")
            assert found.why_not == "no device is attached"
            assert "USB debugging" in found.remedy
            assert server.listens()


async def test_find_lists_devices_with_state_and_remedy(
    shared: AdbServer, device: Adbd, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Adbd(dump()) as locked, Adbd(dump()) as gone, shared.attached(locked, gone):
        locked.authorised = False
        locked.drop()
        gone.unplug()
        shared.until(locked.serial, "unauthorized")
        shared.until(gone.serial, "offline")
        async with looking(shared, monkeypatch):
            found = {each.where: each for each in await seen()}
        assert set(found) == {device.serial, locked.serial, gone.serial}
        table = found[device.serial].table
        assert table == {
            "kind": "adb",
            "serial": device.serial,
            "over": "tcp",
            "server_port": shared.port,
        }
        async with AdbGauge(
            AdbSettings.model_validate({**table, "home": str(shared.home)}), TestHost()
        ) as gauge:
            assert (await gauge.read()).soc_percent == 61.0
        assert "model:Guide_7" in found[device.serial].what
        assert found[locked.serial].table is None
        assert "authorised" in found[locked.serial].why_not
        assert "dialog" in found[locked.serial].remedy
        assert "offline" in found[gone.serial].why_not
        assert found[gone.serial].remedy


async def test_find_without_a_program(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "/nonexistent")
    with pytest.raises(Unsupported) as caught:
        await seen()
    assert "package `adb`" in caught.value.remedy


def test_the_backend_can_be_surveyed() -> None:
    assert BACKEND.survey is survey


# --- a server that says what it is told -----------------------------------------------


class FakeServer:
    """Takes one request a connection and says ``says``; ``None``: says nothing."""

    def __init__(self, says: bytes | None) -> None:
        self.says = says
        self.heard: list[bytes] = []
        self._served: list[asyncio.Task[Any] | None] = []

    async def serve(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter
    ) -> None:
        self._served.append(asyncio.current_task())
        length = int(await reader.readexactly(4), 16)
        self.heard.append(await reader.readexactly(length))
        if self.says is None:
            await reader.read()
        else:
            writer.write(self.says)
        writer.close()
        with suppress(OSError):  # the other side ended it first
            await writer.wait_closed()

    async def rest(self) -> None:
        """Wait until every connection is over."""
        tasks = [task for task in self._served if task is not None]
        _, left = await asyncio.wait(tasks, timeout=20)
        assert not left


@asynccontextmanager
async def faking(
    says: bytes | None, monkeypatch: pytest.MonkeyPatch
) -> AsyncIterator[FakeServer]:
    fake = FakeServer(says)
    server = await asyncio.start_server(fake.serve, "127.0.0.1", 0)
    async with server:
        port = server.sockets[0].getsockname()[1]
        monkeypatch.setenv("ANDROID_ADB_SERVER_PORT", str(port))
        yield fake
        await fake.rest()


def listing(*rows: str) -> bytes:
    text = "".join(f"{row}\n" for row in rows).encode()
    return b"OKAY%04x" % len(text) + text


async def test_how_each_device_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever cannot be told apart by its serial is named by its place."""
    rows = (
        "GUIDE0000017           device usb:1-1 product:g model:Guide_7 transport_id:1",
        "0123456789ABCDEF       device usb:1-2 product:g model:Guide_7 transport_id:2",
        "0123456789ABCDEF       device usb:1-3 product:g model:Guide_7 transport_id:3",
        "(no serial number)     device usb:1-4 product:g model:Guide_7 transport_id:4",
        "(no serial number)     device transport_id:5",
        "adb-GUIDE18-a._adb-tls-connect._tcp device product:g model:Guide_7",
        "192.0.2.17:5555        device product:g model:Guide_7 transport_id:7",
        "GUIDE0000019           connecting usb:1-5 transport_id:8",
    )
    async with faking(listing(*rows), monkeypatch) as server:
        found = await seen()
    assert server.heard == [b"host:devices-l"], "it was asked for more"
    named = [
        each.table and (each.table["serial"], each.table["over"]) for each in found
    ]
    assert named == [
        ("GUIDE0000017", "usb-switched"),
        ("usb:1-2", "usb-switched"),
        ("usb:1-3", "usb-switched"),
        ("usb:1-4", "usb-switched"),
        None,
        ("adb-GUIDE18-a._adb-tls-connect._tcp", "usb"),
        ("192.0.2.17:5555", "tcp"),
        None,
    ]
    for each in found:
        assert each.remedy or each.where == "192.0.2.17:5555"
        if each.table is not None:
            AdbSettings.model_validate(dict(each.table))


@pytest.mark.parametrize(
    ("says", "what"),
    [
        (b"FAIL0005go on", "refuses: 'go on'"),
        (b"HTTP/1.1 400 Bad Request\r\n", "broke the protocol"),
        (b"OKAY0040cut", "broke the protocol"),
        (b"", "broke the protocol"),
        (None, "does not answer"),
    ],
)
async def test_what_listens_is_no_adb_server(
    monkeypatch: pytest.MonkeyPatch, says: bytes | None, what: str
) -> None:
    if says is None:
        monkeypatch.setattr(module, "LIMIT_S", 0.1)
    async with faking(says, monkeypatch):
        with pytest.raises(Unavailable, match=what) as caught:
            await seen()
    assert caught.value.remedy


@pytest.mark.parametrize("probe", ["adb:guide", "adb:0", "adb:65536", "adb:-1"])
async def test_a_probe_that_names_no_port(probe: str) -> None:
    error: type[BackendError] = Refused
    with pytest.raises(error, match="is no port"):
        await seen(probe)
