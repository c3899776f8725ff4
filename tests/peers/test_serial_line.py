"""`serial-line`: a real pseudo-terminal, whose modem lines are fake for want of any.

What the kernel does with the lines when a port is closed cannot be seen here; that it
is told so (the port's HUPCL flag) can.
"""

from __future__ import annotations

import asyncio
import errno
import os
import termios
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import serial
from pydantic import ValidationError

from support.fake_lines import FakeModemLines
from support.relay_board import RelayBoard
from support.stations import Stations
from tidegate.contract import Readback, Target
from tidegate.core.reading import Supply
from tidegate.errors import Busy, Malformed, Unavailable, Unsupported
from tidegate_backends.relays import serial_frame, serial_line
from tidegate_backends.relays.serial_line import SerialLineRelay, Settings
from tidegate_backends.tty import modem_lines

WIRINGS = ["normally-closed", "normally-open", "latching"]


@pytest.fixture
def port(tmp_path: Path) -> Iterator[RelayBoard]:
    """Only the port of this board is of interest."""
    with RelayBoard(tmp_path / "port") as board:
        yield board


@pytest.fixture
def lines() -> FakeModemLines:
    return FakeModemLines()


@pytest.fixture
async def stations() -> AsyncIterator[Stations]:
    stations = Stations()
    yield stations
    await stations.close()


@pytest.fixture
def relay_of(port: RelayBoard, lines: FakeModemLines, stations: Stations) -> Any:
    def relay(station: str = "lobby", **table: Any) -> SerialLineRelay:
        given = {"port": str(port.link), "line": "dtr", **table}
        made = stations.relay(serial_line.BACKEND, station, given, drive=lines.drive)
        assert isinstance(made, SerialLineRelay)
        return made

    return relay


@contextmanager
def looked_at(port: RelayBoard) -> Iterator[int]:
    """Look at a port that somebody else has open, as a plain program may."""
    onlooker = os.open(port.link, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)
    try:
        yield onlooker
    finally:
        os.close(onlooker)


# ---- the lines


@pytest.mark.parametrize("line", ["dtr", "rts"])
async def test_the_line_follows(
    lines: FakeModemLines, relay_of: Any, line: str
) -> None:
    other = {"dtr": "rts", "rts": "dtr"}[line]
    async with relay_of(line=line) as relay:
        assert lines.moves == [(line, False)], "supply on, from the first moment"
        await relay.set(Supply.OFF)
        assert lines.raised == {line: True, other: False}
        await relay.set(Supply.ON)
        assert lines.raised == {line: False, other: False}
        assert await relay.get() is None
        assert relay.facts.readback is Readback.NONE


@pytest.mark.parametrize("contact", WIRINGS)
async def test_only_falling_lines_that_mean_on_fail_on(
    port: RelayBoard, relay_of: Any, contact: str
) -> None:
    """Closed by a crash or not, the lines fall just where that is supply on."""
    async with relay_of(contact=contact) as relay:
        assert relay.facts.reopen_disturbs
        assert relay.facts.fails_on is (contact == "normally-closed")
        with looked_at(port) as descriptor:
            falls = modem_lines.falls_at_close(descriptor)
        assert falls is relay.facts.fails_on


@pytest.mark.parametrize("was", [True, False])
async def test_what_others_left_is_put_right(
    port: RelayBoard, relay_of: Any, was: bool
) -> None:
    with looked_at(port) as descriptor:
        flags = termios.tcgetattr(descriptor)
        flags[2] = flags[2] | termios.HUPCL if was else flags[2] & ~termios.HUPCL
        termios.tcsetattr(descriptor, termios.TCSANOW, flags)
        async with relay_of() as relay:
            await relay.set(Supply.OFF)
            assert modem_lines.falls_at_close(descriptor)


@pytest.mark.parametrize("contact", WIRINGS)
async def test_lines_are_preset_before_the_port_is_opened(
    port: RelayBoard,
    relay_of: Any,
    monkeypatch: pytest.MonkeyPatch,
    contact: str,
) -> None:
    """What pyserial is to make of them is seen where it opens the port."""
    seen = []
    real = serial.Serial.open

    def watched(self: serial.Serial) -> None:
        seen.append((self.dtr, self.rts))
        real(self)

    monkeypatch.setattr(serial.Serial, "open", watched)
    async with relay_of(contact=contact):
        pass
    driven = contact != "normally-closed"
    assert seen == [(driven, driven)]


async def test_a_real_pseudo_terminal_has_no_lines(
    port: RelayBoard, stations: Stations
) -> None:
    """The adapter itself: the kernel answers ENOTTY."""
    table = {"port": str(port.link), "line": "rts"}
    relay = stations.relay(serial_line.BACKEND, "lobby", table)
    with pytest.raises(Unsupported, match="no RTS line") as caught:
        await relay.open()
    assert isinstance(caught.value.__cause__, OSError)
    assert caught.value.__cause__.errno == errno.ENOTTY
    serial.Serial(str(port.link), exclusive=True).close()


# ---- stations


async def test_a_station_for_each_line(lines: FakeModemLines, relay_of: Any) -> None:
    lobby, hall = relay_of("lobby"), relay_of("hall", line="rts")
    await lobby.open()
    await lobby.set(Supply.OFF)
    await hall.open()
    await hall.set(Supply.OFF)
    assert lines.raised == {"dtr": True, "rts": True}
    await lobby.close()
    await hall.set(Supply.ON)
    assert lines.raised == {"dtr": True, "rts": False}
    await hall.close()


async def test_stations_on_one_port_are_wired_alike(relay_of: Any) -> None:
    """The lines fall together: what is on for one would be off for the other."""
    async with relay_of("lobby"):
        with pytest.raises(Unsupported, match="lines that fall when it is closed"):
            await relay_of("hall", line="rts", contact="normally-open").open()


async def test_a_board_that_is_spoken_to_has_no_line_to_spare(
    port: RelayBoard, relay_of: Any, stations: Stations
) -> None:
    board = stations.relay(serial_frame.BACKEND, "hall", {"port": str(port.link)})
    async with board:
        with pytest.raises(Unsupported, match="four-byte frames"):
            await relay_of().open()


# ---- faults


async def test_unplugged_then_back(
    port: RelayBoard, lines: FakeModemLines, relay_of: Any
) -> None:
    relay = relay_of()
    await relay.open()
    await relay.set(Supply.OFF)
    port.unplug()
    with pytest.raises(Unavailable, match="the port is gone"):
        await relay.set(Supply.OFF)
    await relay.close()
    with pytest.raises(Unavailable, match="missing"):
        await relay.open()
    port.plug_in()
    await relay.open()
    assert lines.raised["dtr"] is False
    await relay.set(Supply.OFF)
    assert lines.raised["dtr"] is True
    await relay.close()


async def test_pulled_and_back_between_two_calls(
    port: RelayBoard, relay_of: Any
) -> None:
    """The lines are at rest again, and what was told is not what is: said so."""
    relay = relay_of()
    await relay.open()
    port.unplug()
    port.plug_in()
    with pytest.raises(Malformed, match="failed and opened again"):
        await relay.set(Supply.OFF)
    await relay.close()


async def test_a_port_in_use(port: RelayBoard, relay_of: Any) -> None:
    with serial.Serial(str(port.link), exclusive=True), pytest.raises(Busy):
        await relay_of().open()


async def test_a_port_whose_flags_cannot_be_set_is_closed_again(
    port: RelayBoard, relay_of: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fake_refusal(*_: object) -> None:
        raise termios.error(errno.EIO, "Input/output error")

    with monkeypatch.context() as patch:
        patch.setattr(modem_lines, "falls_at_close", fake_refusal)
        with pytest.raises(Unavailable, match="does not open"):
            await relay_of().open()
    serial.Serial(str(port.link), exclusive=True).close()


async def test_not_open_is_told(relay_of: Any) -> None:
    relay = relay_of()
    for call in (relay.get(), relay.set(Supply.ON)):
        with pytest.raises(Unavailable, match="not open"):
            await call


async def test_a_cancelled_open_lets_the_port_go(
    port: RelayBoard, lines: FakeModemLines, relay_of: Any
) -> None:
    relay = relay_of()
    lines.gate.shut()
    call = asyncio.create_task(relay.open())
    assert await asyncio.to_thread(lines.gate.reached.wait, 20)
    call.cancel()
    lines.gate.open()
    with pytest.raises(asyncio.CancelledError):
        await call
    serial.Serial(str(port.link), exclusive=True).close()


# ---- settings


def test_a_line_is_a_channel_of_its_port() -> None:
    settings = Settings(port="/dev/./x", line="rts")
    assert settings.target() == Target("/dev/x", "rts")


@pytest.mark.parametrize(
    ("key", "value"), [("line", "cts"), ("port", "ttyUSB0"), ("baud", 9600)]
)
def test_settings_refuse(key: str, value: object) -> None:
    given = {"port": "/dev/ttyUSB0", "line": "dtr", key: value}
    with pytest.raises(ValidationError, match=key):
        Settings.model_validate(given)
