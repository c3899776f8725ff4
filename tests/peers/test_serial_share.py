"""A share in a serial port that is given up half-way, on a real pseudo-terminal."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
import serial

from support.relay_board import RelayBoard
from support.stations import Stations
from tidegate.contract import Target
from tidegate_backends.tty.port import SerialPort
from tidegate_backends.tty.share import PortShare


class SlowPort(SerialPort):
    """A port whose device takes its time to open."""

    reached: threading.Event
    goes_on: threading.Event

    def _made(self, make: type[serial.Serial]) -> serial.Serial:
        self.reached.set()
        self.goes_on.wait(20)
        return super()._made(make)


@pytest.fixture
async def stations() -> AsyncIterator[Stations]:
    there = Stations()
    yield there
    await there.close()


async def test_a_port_that_opens_after_all_is_closed_again(
    tmp_path: Path, stations: Stations
) -> None:
    """Cancelled twice: the shell does not wait for the tidying up either."""
    with RelayBoard(tmp_path / "board") as board:
        port = slow_port(board)
        host = stations.machine.host("lobby", hint=lambda: None)
        stations.hosts.append(host)
        share = PortShare(host, Target(str(board.link), "1"), lambda: port)
        taking = asyncio.create_task(share.take(lambda _: None))
        assert await asyncio.to_thread(port.reached.wait, 20)
        for _ in range(2):
            taking.cancel()
            await asyncio.sleep(0)
        port.goes_on.set()
        with pytest.raises(asyncio.CancelledError):
            await taking
        assert not share.is_taken
        # What comes after it in the thread finds the port free.
        worker = host.worker(f"serial:{board.link}")
        await worker.call(
            lambda: serial.Serial(str(board.link), exclusive=True).close()
        )


def slow_port(board: RelayBoard) -> Any:
    port = SlowPort(str(board.link), baud=9600, pause_s=0.0)
    port.reached, port.goes_on = threading.Event(), threading.Event()
    return port
