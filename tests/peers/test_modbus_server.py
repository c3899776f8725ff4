"""`modbus` against pymodbus's own server, on a bus and over TCP."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from support.lent_hosts import LentHosts
from support.modbus_server import WATCHDOG, ModbusServer
from support.wire_pair import WirePair
from tidegate.contract import Readback
from tidegate.core.reading import Supply
from tidegate.errors import Refused
from tidegate_backends.relays.modbus import ModbusRelay, Settings


class Bench(LentHosts):
    def __init__(self, server: ModbusServer, port: Path | None) -> None:
        super().__init__()
        self.server = server
        self._port = port

    def relay(self, station: str = "lobby", **more: Any) -> ModbusRelay:
        door: dict[str, Any] = {"host": "127.0.0.1", "tcp_port": self.server.tcp_port}
        if self._port is not None:
            door = {"port": str(self._port)}
        given = {"coil": 0, "limit": "2s", **door, **more}
        return ModbusRelay(Settings.model_validate(given), self.host(station))


@pytest.fixture(params=["rtu", "tcp"])
async def bench(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[Bench]:
    if request.param == "tcp":
        with ModbusServer(units=(1, 2)) as server:
            bench = Bench(server, None)
            yield bench
            await bench.close()
        return
    with (
        WirePair(tmp_path / "ours", tmp_path / "theirs") as pair,
        ModbusServer(pair.theirs, units=(1, 2)) as server,
    ):
        bench = Bench(server, pair.ours)
        yield bench
        await bench.close()


async def test_it_obeys_and_tells(bench: Bench) -> None:
    async with bench.relay(unit=2, coil=3) as relay:
        assert relay.facts.readback is Readback.LATCH
        for supply in (Supply.OFF, Supply.ON, Supply.OFF):
            await relay.set(supply)
            assert bench.server.driven(3, unit=2) is (supply is Supply.OFF)
            assert await relay.get() is supply
        assert not any(bench.server.driven(coil) for coil in range(8))


async def test_bytes_on_the_wire_are_those_of_the_boards(bench: Bench) -> None:
    """The same published frames, as pymodbus's server receives them."""
    async with bench.relay() as relay:
        await relay.set(Supply.OFF)
        await relay.set(Supply.ON)
    heard = b"".join(bench.server.heard())
    on_a_bus = bench.server.tcp_port == 0
    for frame in ("01 05 00 00 FF 00 8C 3A", "01 05 00 00 00 00 CD CA"):
        data = bytes.fromhex(frame)
        assert (data if on_a_bus else b"\0\0\0\6" + data[:-2]) in heard


async def test_coil_that_is_not_there(bench: Bench) -> None:
    async with bench.relay(coil=4711) as relay:
        with pytest.raises(Refused, match="illegal data address"):
            await relay.set(Supply.OFF)
        with pytest.raises(Refused, match="illegal data address"):
            await relay.get()


async def test_unit_that_is_not_there(bench: Bench) -> None:
    """pymodbus replies for it, with an exception."""
    async with bench.relay(unit=77) as relay:
        with pytest.raises(Refused, match="server device failure"):
            await relay.set(Supply.OFF)
    async with bench.relay() as relay:
        await relay.set(Supply.OFF)


async def test_watchdog_gives_the_supply_back_by_itself(bench: Bench) -> None:
    """In real time, at pymodbus's own pace."""
    timer = {"style": "watchdog", "address": WATCHDOG, "time": "0.6s", "step": "0.1s"}
    async with bench.relay(timer=timer) as relay:
        assert relay.facts.dead_man_s == 0.6
        await relay.set(Supply.OFF)
        assert bench.server.driven()
        await asyncio.to_thread(bench.server.wait_until, lambda s: not s.driven())
        assert await relay.get() is Supply.ON
