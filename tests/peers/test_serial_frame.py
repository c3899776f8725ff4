"""`serial-frame` against a four-byte board on a pseudo-terminal, as published.

A pseudo-terminal takes any baud rate and has no DTR line, so neither is shown here.
Faults named by number are those of a relay: 27 missing at start, 28 unplugged while
running, 30 somebody else's hand, 32 spoiled answers, 42 two masters.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import json
import os
import select
import sys
import termios
import threading
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import pytest
import serial
from pydantic import ValidationError

from support.relay_board import RelayBoard
from support.relay_board_process import BoardProcess
from tidegate.clock import SystemClock
from tidegate.contract import Readback, Target
from tidegate.core.reading import Supply
from tidegate.errors import (
    BackendError,
    Busy,
    Malformed,
    Refused,
    Unavailable,
    Unsupported,
)
from tidegate.host import Machine, StationHost
from tidegate_backends.relays.serial_frame import SerialFrameRelay, Settings
from tidegate_backends.tty import port as serial_port
from tidegate_backends.tty.port import SerialPort

QUERY = bytes.fromhex("A0 01 05 A6")
ON, OFF = bytes.fromhex("A0 01 01 A2"), bytes.fromhex("A0 01 00 A1")
ON_ANSWERED, OFF_ANSWERED = bytes.fromhex("A0 01 03 A4"), bytes.fromhex("A0 01 02 A3")


class Stations:
    """Relays of several stations in one process, each with its host."""

    def __init__(self, port: Path) -> None:
        self.port = port
        self.machine = Machine(SystemClock())
        self.hosts: list[StationHost] = []

    def relay(self, station: str = "lobby", **settings: Any) -> SerialFrameRelay:
        given = {"port": str(self.port), "pause": "0s", **settings}
        host = self.machine.host(station, hint=lambda: None)
        self.hosts.append(host)
        return SerialFrameRelay(Settings.model_validate(given), host)

    async def close(self) -> None:
        for host in self.hosts:
            await host.close()
        self.machine.workers.close()


@pytest.fixture
def board(tmp_path: Path) -> Iterator[RelayBoard]:
    with RelayBoard(tmp_path / "board", channels=2) as board:
        yield board


@pytest.fixture
async def stations(tmp_path: Path) -> AsyncIterator[Stations]:
    stations = Stations(tmp_path / "board")
    yield stations
    await stations.close()


# ---- what the board can


async def test_acknowledging_board_is_asked_and_believed(
    board: RelayBoard, stations: Stations
) -> None:
    async with stations.relay() as relay:
        assert relay.facts.readback is Readback.LATCH
        await relay.set(Supply.OFF)
        assert board.driven()
        assert await relay.get() is Supply.OFF
        await relay.set(Supply.ON)
        assert not board.driven()
        assert await relay.get() is Supply.ON
    assert board.heard() == [QUERY, ON_ANSWERED, QUERY, OFF_ANSWERED, QUERY]


async def test_older_firmware_is_written_to_blindly(
    board: RelayBoard, stations: Stations
) -> None:
    """It ignores 02 to 05: the grade is none, and get does not guess."""
    board.load("write-only")
    async with stations.relay(limit="0.1s") as relay:
        assert relay.facts.readback is Readback.NONE
        await relay.set(Supply.OFF)
        board.wait_until(lambda board: board.driven())
        assert await relay.get() is None
        await relay.set(Supply.ON)
        board.wait_until(lambda board: not board.driven())
    assert board.heard() == [QUERY, QUERY, ON, OFF]


async def test_a_board_that_answers_nobody_is_not_asked_by_each_of_its_stations(
    tmp_path: Path, stations: Stations
) -> None:
    """The last of eight must be told on within the 5 s of a `restore`."""
    every = range(1, 9)
    with RelayBoard(stations.port, channels=8, firmware="write-only") as board:
        relays = [stations.relay(f"hall-{n}", channel=n, limit="0.1s") for n in every]
        async with contextlib.AsyncExitStack() as opened:
            for relay in relays:
                await opened.enter_async_context(relay)
            for relay in relays:
                await relay.set(Supply.OFF)
            board.wait_until(lambda board: all(map(board.driven, every)))
        assert [f[1] for f in board.heard() if f[2] == QUERY[2]] == [1, 1, 2]
        # Opened anew it is asked anew: it may be another board.
        board.load("acknowledging")
        async with relays[7] as relay:
            assert relay.facts.readback is Readback.LATCH


async def test_echoing_board_is_believed_to_have_heard(
    board: RelayBoard, stations: Stations
) -> None:
    board.load("echo")
    async with stations.relay(limit="0.2s") as relay:
        assert relay.facts.readback is Readback.ECHO
        await relay.set(Supply.OFF)
        assert board.driven()
        assert await relay.get() is None
        board.spoil("bad-checksum", 1)
        await relay.set(Supply.ON)
        assert not board.driven()
        board.spoil("bad-checksum")
        with pytest.raises(Malformed):
            await relay.set(Supply.ON)
        board.spoil("silent")
        with pytest.raises(Unavailable, match="did not answer"):
            await relay.set(Supply.ON)


async def test_line_that_echoes_before_the_answer(
    board: RelayBoard, stations: Stations
) -> None:
    board.spoil("echo-first")
    async with stations.relay() as relay:
        assert relay.facts.readback is Readback.LATCH
        await relay.set(Supply.OFF)
        assert await relay.get() is Supply.OFF
    assert board.heard() == [QUERY, ON_ANSWERED, QUERY]


async def test_the_ask_all_byte_is_never_sent(
    board: RelayBoard, stations: Stations
) -> None:
    """A board that answers FF with text is asked in frames only."""
    board.load("text")
    async with stations.relay() as relay:
        await relay.set(Supply.OFF)
        assert await relay.get() is Supply.OFF
    assert b"\xff" not in board.heard()


@pytest.mark.parametrize(
    ("contact", "supply", "driven"),
    [
        ("normally-closed", "on", False),
        ("normally-closed", "off", True),
        ("normally-open", "on", True),
        ("normally-open", "off", False),
        ("latching", "on", True),
        ("latching", "off", False),
    ],
)
async def test_wiring_decides_the_coil(
    board: RelayBoard, stations: Stations, contact: str, supply: str, driven: bool
) -> None:
    async with stations.relay(contact=contact) as relay:
        assert relay.facts.fails_on is (contact == "normally-closed")
        await relay.set(Supply(supply).other)
        await relay.set(Supply(supply))
        assert board.driven() is driven
        assert await relay.get() is Supply(supply)


async def test_somebody_elses_hand_shows_in_the_latch(
    board: RelayBoard, stations: Stations
) -> None:
    """Fault 30: what the relay reports is asked each time, never remembered."""
    async with stations.relay() as relay:
        await relay.set(Supply.ON)
        board.hand(1, driven=True)
        assert await relay.get() is Supply.OFF


# ---- fault 32: spoiled answers

SPOILED = ["bad-checksum", "wrong-channel", "stale", "echo", "cut"]


@pytest.mark.parametrize("spoil", [*SPOILED, "other-state"])
async def test_one_spoiled_answer_is_asked_again(
    board: RelayBoard, stations: Stations, spoil: str
) -> None:
    async with stations.relay(limit="0.3s") as relay:
        board.forget()
        board.spoil(spoil, 1)
        await relay.set(Supply.OFF)
        assert board.heard() == [ON_ANSWERED, ON_ANSWERED]
        assert board.driven()


@pytest.mark.parametrize(
    ("spoil", "error"),
    [*((spoil, Malformed) for spoil in SPOILED), ("other-state", Refused)],
)
async def test_two_spoiled_answers_are_a_fault(
    board: RelayBoard, stations: Stations, spoil: str, error: type[BackendError]
) -> None:
    async with stations.relay(limit="0.3s") as relay:
        board.forget()
        board.spoil(spoil, 2)
        with pytest.raises(error):
            await relay.set(Supply.OFF)
        assert board.heard() == [ON_ANSWERED, ON_ANSWERED]


@pytest.mark.parametrize("spoil", SPOILED)
async def test_spoiled_query_never_tells_a_state(
    board: RelayBoard, stations: Stations, spoil: str
) -> None:
    async with stations.relay(limit="0.3s") as relay:
        board.spoil(spoil)
        with pytest.raises(Malformed):
            await relay.get()


async def test_silence_is_told_at_once(board: RelayBoard, stations: Stations) -> None:
    """Nothing came, so nothing was spoiled: the shell decides what next."""
    async with stations.relay(limit="0.2s") as relay:
        board.forget()
        board.spoil("silent")
        with pytest.raises(Unavailable, match=r"did not answer within 0\.2 s"):
            await relay.set(Supply.OFF)
        assert board.heard() == [ON_ANSWERED]


async def test_bytes_left_over_are_dropped_before_asking(
    board: RelayBoard, stations: Stations
) -> None:
    """A late answer to an older question must not answer the next one."""
    async with stations.relay(limit="0.2s") as relay:
        say_and_see(board, OFF)
        board.spoil("silent")
        with pytest.raises(Unavailable, match="did not answer"):
            await relay.get()


def say_and_see(board: RelayBoard, data: bytes) -> None:
    """Let the board speak unasked; returns once the bytes are there to be read."""
    onlooker = os.open(board.link, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)
    try:
        board.say(data)
        assert select.select([onlooker], [], [], 5.0)[0], "the bytes got lost"
    finally:
        os.close(onlooker)


async def test_fault_32_without_the_repeat(
    board: RelayBoard, stations: Stations, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With its handling switched off, one spoiled answer is a fault."""
    async with stations.relay() as relay:
        monkeypatch.setattr(relay, "_twice", lambda attempt: attempt())
        board.spoil("bad-checksum", 1)
        with pytest.raises(ValueError, match="sum"):
            await relay.set(Supply.OFF)


async def test_fault_32_without_the_dropping(
    board: RelayBoard, stations: Stations, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With its handling switched off, an old answer is believed."""
    async with stations.relay() as relay:
        await relay.set(Supply.OFF)
        monkeypatch.setattr(serial.Serial, "reset_input_buffer", lambda _: None)
        say_and_see(board, OFF)
        board.spoil("silent")
        assert await relay.get() is Supply.ON


@pytest.mark.parametrize("spoil", ["bad-checksum", "wrong-channel", "stale", "cut"])
async def test_board_that_is_hard_to_understand_can_still_be_told(
    board: RelayBoard, stations: Stations, spoil: str
) -> None:
    """Never dark: a spoiled probe means blind writing, not a relay out of use."""
    board.spoil(spoil)
    async with stations.relay(limit="0.3s") as relay:
        assert relay.facts.readback is Readback.NONE
        await relay.set(Supply.OFF)
        board.wait_until(lambda board: board.driven())


async def test_one_lost_probe_does_not_cost_the_readback(
    board: RelayBoard, stations: Stations
) -> None:
    board.spoil("silent", 1)
    async with stations.relay(limit="0.2s") as relay:
        assert relay.facts.readback is Readback.LATCH


# ---- the pace


async def test_frames_keep_their_distance(board: RelayBoard) -> None:
    """50 to 100 ms between frames is what public programs for these boards keep."""
    now_s, slept = 1000.0, []

    def sleep(duration_s: float) -> None:
        nonlocal now_s
        slept.append(round(duration_s, 6))
        now_s += duration_s

    machine = Machine(SystemClock())
    host = machine.host("lobby", hint=lambda: None)
    relay = SerialFrameRelay(
        Settings(port=str(board.link)), host, clock=lambda: now_s, sleep=sleep
    )
    async with relay:
        await relay.set(Supply.OFF)
        now_s += 0.02
        await relay.set(Supply.ON)
        now_s += 1.0
        await relay.set(Supply.OFF)
    assert slept == [0.06, 0.04]
    machine.workers.close()


async def test_default_pace_on_the_wire(board: RelayBoard, stations: Stations) -> None:
    async with stations.relay(pause="0.06s") as relay:
        for _ in range(3):
            await relay.get()
    # The lower half only: a busy machine may note the first frame late.
    first, last = board.frames[0].at_s, board.frames[-1].at_s
    assert last - first >= 0.5 * 3 * 0.06


# ---- several stations on one board


async def test_two_stations_share_one_port(
    board: RelayBoard, stations: Stations
) -> None:
    """The port is exclusive, so a second opening of it would be Busy."""
    lobby = stations.relay("lobby", channel=1)
    hall = stations.relay("hall", channel=2, contact="normally-open")
    await asyncio.gather(lobby.open(), hall.open())
    await asyncio.gather(lobby.set(Supply.OFF), hall.set(Supply.ON))
    assert (board.driven(1), board.driven(2)) == (True, True)
    await asyncio.gather(lobby.set(Supply.ON), hall.set(Supply.OFF))
    assert (board.driven(1), board.driven(2)) == (False, False)

    await lobby.close()
    await hall.set(Supply.ON)
    assert board.driven(2)
    assert (await lobby_after_reopening(lobby)) is Supply.ON
    await hall.close()
    await lobby.close()
    serial.Serial(str(board.link), exclusive=True).close()


async def lobby_after_reopening(relay: SerialFrameRelay) -> Supply | None:
    await relay.open()
    return await relay.get()


async def test_dead_channel_leaves_the_others_alone(
    board: RelayBoard, stations: Stations
) -> None:
    """Channel 9 of a board with two: silent, and the port stays open for channel 1."""
    lobby = stations.relay("lobby", channel=1)
    absent = stations.relay("absent", channel=9, limit="0.1s")
    await lobby.open()
    await absent.open()
    assert absent.facts.readback is Readback.NONE
    await asyncio.gather(
        absent.set(Supply.OFF), lobby.set(Supply.OFF), absent.set(Supply.ON)
    )
    assert await lobby.get() is Supply.OFF
    await absent.close()
    assert await lobby.get() is Supply.OFF
    await lobby.close()


async def test_poisoned_link_is_opened_anew_by_the_next(
    board: RelayBoard, stations: Stations
) -> None:
    """The shell closes a link under everybody; nobody takes the port back late."""
    lobby, hall = stations.relay("lobby"), stations.relay("hall", channel=2)
    await lobby.open()
    await hall.open()
    await stations.hosts[0].poison(f"serial:{board.link}")
    await lobby.close()
    await lobby.open()
    with pytest.raises(Unavailable, match="given up"):
        await hall.set(Supply.OFF)
    await hall.close()
    await hall.open()
    await hall.set(Supply.OFF)
    assert board.driven(2)
    await hall.close()
    await lobby.close()


async def test_stations_on_one_port_agree_on_its_baud(
    board: RelayBoard, stations: Stations
) -> None:
    async with stations.relay("lobby"):
        other = stations.relay("hall", channel=2, baud=115200)
        with pytest.raises(Unsupported, match="at 9600 baud, not 115200"):
            await other.open()


# ---- faults 27 and 28: not there, unplugged, back again


async def test_port_missing_at_start(stations: Stations) -> None:
    """Fault 27: it may come later, so it is no settings error."""
    relay = stations.relay()
    with pytest.raises(Unavailable, match="missing") as caught:
        await relay.open()
    assert "/dev/serial/by-path" in caught.value.remedy
    assert "brltty" in caught.value.remedy
    with RelayBoard(stations.port) as board:
        await relay.open()
        await relay.set(Supply.OFF)
        assert board.driven()
        await relay.close()


async def test_unplugged_while_idle_then_back(
    board: RelayBoard, stations: Stations
) -> None:
    """Fault 28: gone is told, and what comes back is a board with released coils."""
    relay = stations.relay()
    await relay.open()
    await relay.set(Supply.OFF)
    board.unplug()
    for call in (relay.set(Supply.OFF), relay.get(), relay.set(Supply.ON)):
        with pytest.raises(Unavailable):
            await call
    await relay.close()
    with pytest.raises(Unavailable, match="missing"):
        await relay.open()
    board.plug_in()
    await relay.open()
    assert await relay.get() is Supply.ON
    await relay.set(Supply.OFF)
    assert board.driven()
    await relay.close()


async def test_unplugged_in_the_middle_of_a_call(
    board: RelayBoard, stations: Stations
) -> None:
    relay = stations.relay(limit="1s")
    await relay.open()
    board.forget()
    board.hold()
    call = asyncio.create_task(relay.set(Supply.OFF))
    await asyncio.to_thread(board.wait_until, lambda board: bool(board.heard()))
    board.unplug()
    with pytest.raises(Unavailable, match="the port is gone") as caught:
        await call
    assert "brltty up to 6.4" in caught.value.remedy
    assert "ModemManager" in caught.value.remedy
    await relay.close()
    await relay.close()


async def test_port_that_lived_long_was_not_claimed(board: RelayBoard) -> None:
    """brltty takes a port within seconds; after an hour somebody pulled the plug."""
    now_s = 1000.0
    machine = Machine(SystemClock())
    relay = SerialFrameRelay(
        Settings(port=str(board.link)),
        machine.host("lobby", hint=lambda: None),
        clock=lambda: now_s,
        sleep=lambda _: None,
    )
    await relay.open()
    now_s += 3600
    board.unplug()
    with pytest.raises(Unavailable, match="3600 s after it was opened") as caught:
        await relay.get()
    assert "brltty" not in caught.value.remedy
    await relay.close()
    machine.workers.close()


async def test_pulled_and_back_between_two_calls(
    board: RelayBoard, stations: Stations
) -> None:
    """Opening again decides: the port is there, so somebody was at it."""
    relay = stations.relay()
    await relay.open()
    board.unplug()
    board.plug_in()
    with pytest.raises(Malformed, match="failed and opened again"):
        await relay.set(Supply.OFF)
    await relay.close()
    await relay.open()
    await relay.set(Supply.OFF)
    assert board.driven()
    await relay.close()


async def test_shared_port_heals_for_all(board: RelayBoard, stations: Stations) -> None:
    """One station meets the failure; the other goes on without opening anything."""
    lobby, hall = stations.relay("lobby"), stations.relay("hall", channel=2)
    await lobby.open()
    await hall.open()
    board.unplug()
    board.plug_in()
    with pytest.raises(Malformed):
        await lobby.get()
    await hall.set(Supply.OFF)
    assert board.driven(2)
    await lobby.close()
    await hall.close()


async def test_fault_28_with_its_handling_switched_off(
    board: RelayBoard, stations: Stations, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without the translation a bare termios.error would leave the backend."""
    relay = stations.relay()
    await relay.open()
    monkeypatch.setattr(SerialPort, "_failed", lambda _self, error, _target: error)
    board.unplug()
    with pytest.raises(termios.error):
        await relay.get()
    await relay.close()


def test_retired_port_is_never_opened_again(board: RelayBoard) -> None:
    """A call that hung comes back late: its port is a successor's by then."""
    port = SerialPort(str(board.link), baud=9600, pause_s=0)
    port.open()
    port.retire()
    with (
        pytest.raises(Unavailable, match="given up"),
        port.watched(limit_s=0.1, target="late"),
    ):
        pytest.fail("a retired port was lent")
    serial.Serial(str(board.link), exclusive=True).close()


# ---- fault 42 and other ports that do not open


async def test_port_held_by_another_program(
    board: RelayBoard, stations: Stations
) -> None:
    """Fault 42: two masters on one board."""
    relay = stations.relay()
    with serial.Serial(str(board.link), exclusive=True):
        with pytest.raises(Busy, match="another program holds the port") as caught:
            await relay.open()
        assert "fuser" in caught.value.remedy
    await relay.open()
    await relay.close()


async def test_we_hold_the_port_for_ourselves(
    board: RelayBoard, stations: Stations
) -> None:
    async with stations.relay():
        with pytest.raises(serial.SerialException) as caught:
            serial.Serial(str(board.link), exclusive=True)
        assert caught.value.errno == errno.EAGAIN


async def test_open_that_fails_lets_the_port_go(
    board: RelayBoard, stations: Stations, monkeypatch: pytest.MonkeyPatch
) -> None:
    relay = stations.relay()

    def fail(_: object) -> None:
        raise Unavailable("by order", target="x", remedy="None.")

    with monkeypatch.context() as patch:
        patch.setattr(relay, "_probe", fail)
        with pytest.raises(Unavailable, match="by order"):
            await relay.open()
    serial.Serial(str(board.link), exclusive=True).close()
    await relay.open()
    await relay.close()


async def test_open_that_is_cancelled_lets_the_port_go(
    board: RelayBoard, stations: Stations, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The thread goes on and opens the port; then it must not stay open."""
    opened: list[serial.Serial] = []
    begun, go_on = threading.Event(), threading.Event()
    real = serial.Serial

    def slow(*given: Any, **named: Any) -> serial.Serial:
        begun.set()
        assert go_on.wait(10)
        opened.append(real(*given, **named))
        return opened[-1]

    relay = stations.relay()
    monkeypatch.setattr(serial, "Serial", slow)
    call = asyncio.create_task(relay.open())
    assert await asyncio.to_thread(begun.wait, 10)
    call.cancel()
    go_on.set()
    with pytest.raises(asyncio.CancelledError):
        await call
    assert [port.is_open for port in opened] == [False]
    await relay.open()
    await relay.set(Supply.OFF)
    assert board.driven()
    await relay.close()


@pytest.mark.parametrize("what", ["file", "folder"])
async def test_something_that_is_no_port(
    stations: Stations, tmp_path: Path, what: str
) -> None:
    stations.port.touch() if what == "file" else stations.port.mkdir()
    with pytest.raises(Unsupported, match="not a serial port"):
        await stations.relay().open()


async def test_device_that_is_no_terminal(stations: Stations) -> None:
    with pytest.raises(Unavailable, match="does not open"):
        await stations.relay(port="/dev/null").open()


async def test_pyserial_missing(
    board: RelayBoard, stations: Stations, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "serial", None)
    with pytest.raises(Unsupported, match="extra `serial`") as caught:
        await stations.relay().open()
    assert "pip install 'tidegate[serial]'" in caught.value.remedy


@pytest.mark.parametrize(
    ("failure", "error", "said"),
    [
        (serial.SerialException(errno.EACCES, "denied"), Unavailable, "dialout"),
        (PermissionError(errno.EPERM, "denied"), Unavailable, "dialout"),
        (termios.error(22, "Invalid argument"), Unavailable, "does not open"),
        (ValueError("Failed to set custom baud rate"), Unsupported, "9600 baud"),
        (OSError(5, "Input/output error"), Unavailable, "does not open"),
    ],
)
async def test_fake_driver_failures(
    board: RelayBoard,
    stations: Stations,
    monkeypatch: pytest.MonkeyPatch,
    failure: Exception,
    error: type[BackendError],
    said: str,
) -> None:
    """What a driver may answer at open and a pseudo-terminal never does."""

    def fake_open(*_: object, **__: object) -> None:
        raise failure

    monkeypatch.setattr(serial, "Serial", fake_open)
    with pytest.raises(error) as caught:
        await stations.relay().open()
    assert said in str(caught.value)


# ---- names of ports


@pytest.fixture
def names(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    names = tmp_path / "names"
    (names / "by-id").mkdir(parents=True)
    (names / "by-path").mkdir()
    monkeypatch.setattr(serial_port, "NAMES", names)
    return names


async def test_missing_port_lists_the_places_there_are(
    stations: Stations, names: Path
) -> None:
    place = names / "by-path" / "platform-3f980000.usb-usb-0:1.2:1.0-port0"
    place.symlink_to("/dev/null")
    with pytest.raises(Unavailable) as caught:
        await stations.relay(port=str(names / "by-id" / "gone")).open()
    assert f"There now: {place}." in caught.value.remedy
    with pytest.raises(Unavailable) as caught:
        await stations.relay(port=str(names / "by-path" / "gone")).open()
    assert "the USB port that it had" in caught.value.remedy


class FakeUsb:
    """The folders in which the kernel and udev describe boards on USB."""

    def __init__(self, names: Path, sys: Path) -> None:
        self.names, self.sys = names, sys
        self.plugged = 0

    def plug(self, board: RelayBoard, by_id: str, *, serial: str | None) -> Path:
        """Describe a board; returns its by-path name."""
        self.plugged += 1
        place = self.names / "by-path" / f"pci-0-usb-0:{self.plugged}:1.0-port0"
        place.symlink_to(board.link.resolve())
        link = self.names / "by-id" / by_id
        link.unlink(missing_ok=True)  # one name, and the last one gets it
        link.symlink_to(board.link.resolve())
        device = self.sys / f"usb{self.plugged}"
        tty = device / f"{self.plugged}:1.0" / "tty"
        tty.mkdir(parents=True)
        (device / "idVendor").write_text("1a86\n")
        (device / "idProduct").write_text("7523\n")
        if serial is not None:
            (device / "serial").write_text(f"{serial}\n")
        entry = self.sys / "class" / board.link.resolve().name
        entry.mkdir(parents=True)
        (entry / "device").symlink_to(tty)
        return place


@pytest.fixture
def fake_usb(names: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> FakeUsb:
    monkeypatch.setattr(serial_port, "TTYS", tmp_path / "sys" / "class")
    return FakeUsb(names, tmp_path / "sys")


ALIKE = "usb-1a86_USB_Serial-if00-port0"


@pytest.mark.parametrize("serial_number", [None, "0001"])
async def test_by_id_name_of_two_boards_is_ambiguous(
    board: RelayBoard,
    stations: Stations,
    fake_usb: FakeUsb,
    tmp_path: Path,
    serial_number: str | None,
) -> None:
    """Two boards alike to the last digit: which one the name means is chance."""
    first = fake_usb.plug(board, ALIKE, serial=serial_number)
    by_id = fake_usb.names / "by-id" / ALIKE
    async with stations.relay(port=str(by_id)):
        pass
    with RelayBoard(tmp_path / "second") as second:
        other = fake_usb.plug(second, ALIKE, serial=serial_number)
        with pytest.raises(Unavailable, match="more than one board") as caught:
            await stations.relay(port=str(by_id)).open()
        assert str(other) in caught.value.remedy
        async with stations.relay(port=str(first)) as relay:
            await relay.set(Supply.OFF)
        assert board.driven()
        assert not second.driven()


async def test_by_id_name_with_a_number_of_its_own_is_not(
    board: RelayBoard, stations: Stations, fake_usb: FakeUsb, tmp_path: Path
) -> None:
    """Other boards may be as confusing as they like."""
    fake_usb.plug(board, "usb-1a86_USB_Serial_77-if00-port0", serial="77")
    with RelayBoard(tmp_path / "a") as one, RelayBoard(tmp_path / "b") as two:
        fake_usb.plug(one, ALIKE, serial=None)
        fake_usb.plug(two, ALIKE, serial=None)
        name = fake_usb.names / "by-id" / "usb-1a86_USB_Serial_77-if00-port0"
        async with stations.relay(port=str(name)) as relay:
            await relay.set(Supply.OFF)
        assert board.driven()


# ---- settings


def test_target_is_the_configured_name(tmp_path: Path) -> None:
    """Not what it points to: that changes with every re-plug."""
    (tmp_path / "by-path").symlink_to("/dev/null")
    settings = Settings(port=f"{tmp_path}/./by-path", channel=3)
    assert settings.target() == Target(f"{tmp_path}/by-path", "3")


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("port", "ttyUSB0"),
        ("channel", 0),
        ("channel", 255),
        ("baud", 0),
        ("limit", 0.5),
        ("limit", "0s"),
        ("limit", "3s"),
        ("pause", "soon"),
        ("contact", "closed"),
        ("chanel", 1),
    ],
)
def test_settings_refuse(key: str, value: object) -> None:
    with pytest.raises(ValidationError, match=key):
        Settings.model_validate({"port": "/dev/ttyUSB0", key: value})


def test_times_are_written_with_their_unit() -> None:
    given = {"port": "/dev/x", "limit": "0.25s", "pause": "0.1s"}
    settings = Settings.model_validate(given)
    assert (settings.limit, settings.pause) == (0.25, 0.1)
    assert json.loads(settings.model_dump_json())["limit"] == "0.25s"


# ---- the board as a process of its own


@pytest.fixture
def process(tmp_path: Path) -> Iterator[BoardProcess]:
    with BoardProcess(tmp_path / "board", "--channels", "2") as process:
        yield process


async def test_board_in_its_own_process(
    process: BoardProcess, stations: Stations
) -> None:
    """What a test of the whole daemon drives: contact changes out, commands in."""
    relay = stations.relay(channel=2)
    await relay.open()
    await relay.set(Supply.OFF)
    process.until("contact", channel=2, driven=True)
    process.command("unplug")
    with pytest.raises(Unavailable):
        await relay.get()
    await relay.close()
    process.command("plug-in")
    process.command("spoil bad-checksum 1")
    await relay.open()
    assert await relay.get() is Supply.ON
    await relay.close()
    frames = [told["bytes"] for told in process.told if told["event"] == "frame"]
    assert frames[:2] == ["A0 02 05 A7", "A0 02 03 A5"]
    process.say("what is this")
    assert "unknown command" in process.until("error")["what"]
