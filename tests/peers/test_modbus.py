"""`modbus` against units written from the standard, on a pseudo-terminal and over TCP.

A pseudo-terminal takes any baud rate and no parity bit, so neither is shown here.
Faults named by number are those of a relay: 27 missing at start, 28 unplugged while
running, 30 somebody else's hand, 32 spoiled answers, 42 two masters.
"""

from __future__ import annotations

import asyncio
import builtins
import socket
import sys
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import serial

from support.lent_hosts import LentHosts
from support.modbus_device import ModbusDevice, check_of
from tidegate.contract import Readback
from tidegate.core.reading import Supply
from tidegate.errors import (
    BackendError,
    Busy,
    Malformed,
    Refused,
    Unavailable,
    Unsupported,
)
from tidegate_backends.modbus import rtu
from tidegate_backends.modbus.tcp import TcpLink
from tidegate_backends.relays.modbus import ModbusRelay, Settings
from tidegate_backends.wire import modbus as wire

READ = bytes.fromhex("01 01 00 00 00 01 FD CA")
ON = bytes.fromhex("01 05 00 00 00 00 CD CA")  # normally-closed: released
OFF = bytes.fromhex("01 05 00 00 FF 00 8C 3A")


class Bench(LentHosts):
    """LentHosts on one device, whichever its door."""

    def __init__(self, device: ModbusDevice) -> None:
        super().__init__()
        self.device = device

    def relay(self, station: str = "lobby", **settings: Any) -> ModbusRelay:
        device = self.device
        door = (
            {"host": "127.0.0.1", "tcp_port": device.port}
            if device.link is None
            else {"port": str(device.link)}
        )
        given = {"coil": 0, "limit": "2s", **door, **settings}
        return ModbusRelay(Settings.model_validate(given), self.host(station))


@contextmanager
def device_at(door: str, folder: Path, **given: Any) -> Iterator[ModbusDevice]:
    link = folder / "bus" if door == "rtu" else None
    with ModbusDevice(link, **given) as device:
        yield device


@pytest.fixture(params=["rtu", "tcp"])
async def bench(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[Bench]:
    with device_at(request.param, tmp_path, units=(1, 2)) as device:
        bench = Bench(device)
        yield bench
        await bench.close()


@pytest.fixture
async def bus(tmp_path: Path) -> AsyncIterator[Bench]:
    with device_at("rtu", tmp_path, units=(1, 2, 17)) as device:
        bench = Bench(device)
        yield bench
        await bench.close()


@pytest.fixture
async def tcp(tmp_path: Path) -> AsyncIterator[Bench]:
    with device_at("tcp", tmp_path, units=(1, 2)) as device:
        bench = Bench(device)
        yield bench
        await bench.close()


# ---- what is on the wire


async def test_frames_on_the_wire(bus: Bench) -> None:
    """The frames that makers of relay boards print."""
    async with bus.relay() as relay:
        await relay.set(Supply.OFF)
        assert await relay.get() is Supply.OFF
        await relay.set(Supply.ON)
    assert bus.device.heard() == [READ, OFF, READ, ON]


async def test_more_frames_on_the_wire(bus: Bench) -> None:
    bus.device.units[17].coils[0xAC] = False
    async with bus.relay(unit=17, coil=0xAC) as relay:
        await relay.set(Supply.OFF)
    async with bus.relay(coil=1) as relay:
        await relay.set(Supply.OFF)
    heard = bus.device.heard()
    assert bytes.fromhex("11 05 00 AC FF 00 4E 8B") in heard
    assert bytes.fromhex("01 05 00 01 FF 00 DD FA") in heard


async def test_header_on_the_wire(tcp: Bench) -> None:
    async with tcp.relay() as relay:
        await relay.set(Supply.OFF)
    assert tcp.device.heard() == [
        bytes.fromhex("00 01 00 00 00 06 01 01 00 00 00 01"),
        bytes.fromhex("00 02 00 00 00 06 01 05 00 00 FF 00"),
    ]


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
    bus: Bench, contact: str, supply: str, driven: bool
) -> None:
    async with bus.relay(contact=contact) as relay:
        await relay.set(Supply(supply).other)
        await relay.set(Supply(supply))
        assert bus.device.driven() is driven
        assert await relay.get() is Supply(supply)


@pytest.mark.parametrize("contact", ["normally-closed", "normally-open", "latching"])
@pytest.mark.parametrize("powered_by_host", [True, False])
async def test_unit_with_its_own_power_does_not_fail_to_on(
    bus: Bench, contact: str, powered_by_host: bool
) -> None:
    """It holds its coil when the host dies, and a driven coil is supply off."""
    table = {"contact": contact, "powered_by_host": powered_by_host}
    async with bus.relay(**table) as relay:
        falls_back = powered_by_host and contact == "normally-closed"
        assert relay.facts.fails_on is falls_back


async def test_somebody_elses_hand_shows(bench: Bench) -> None:
    """Fault 30: what the unit reports is asked each time, never remembered."""
    async with bench.relay() as relay:
        await relay.set(Supply.ON)
        bench.device.hand(0, driven=True)
        assert await relay.get() is Supply.OFF


# ---- boards that can do less


async def test_without_readback_the_grade_is_an_echo(bench: Bench) -> None:
    async with bench.relay(readback=False) as relay:
        assert relay.facts.readback is Readback.ECHO
        await relay.set(Supply.OFF)
        assert bench.device.driven()
        assert await relay.get() is None


async def test_unit_that_cannot_read_its_coils_says_so_itself(bench: Bench) -> None:
    bench.device.units[1].declines.add(1)
    async with bench.relay() as relay:
        assert relay.facts.readback is Readback.ECHO
        await relay.set(Supply.OFF)
        assert bench.device.driven()
        assert await relay.get() is None
    bench.device.units[1].declines.clear()
    async with bench.relay() as relay:
        assert relay.facts.readback is Readback.LATCH


async def test_unit_that_hears_and_cannot_speak_is_still_told(bench: Bench) -> None:
    """Never dark: opening does not fail for the unit's sake, and the frame is sent."""
    bench.device.hand(0, driven=True)
    bench.device.units[1].mute = True
    async with bench.relay(limit="0.3s") as relay:
        with pytest.raises(Unavailable, match="did not reply"):
            await relay.set(Supply.ON)
        assert not bench.device.driven()


# ---- two-wire adapters


async def test_line_that_echoes_is_noticed(tmp_path: Path) -> None:
    with device_at("rtu", tmp_path, echoes=True) as device:
        bench = Bench(device)
        async with bench.relay() as relay:
            await relay.set(Supply.OFF)
            assert device.driven()
            assert await relay.get() is Supply.OFF
        assert device.heard() == [READ, OFF, READ]
        await bench.close()


@pytest.mark.parametrize("readback", [True, False])
async def test_own_bytes_are_no_reply(tmp_path: Path, readback: bool) -> None:
    """The echo of a write looks like its reply, but the unit said nothing."""
    with device_at("rtu", tmp_path, echoes=True) as device:
        device.units[1].mute = True
        bench = Bench(device)
        async with bench.relay(limit="0.3s", readback=readback) as relay:
            with pytest.raises(Unavailable, match="did not reply"):
                await relay.set(Supply.OFF)
        await bench.close()


async def test_own_bytes_without_learning_the_echo(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With the handling switched off, a dead unit seems to obey."""
    with device_at("rtu", tmp_path, echoes=True) as device:
        device.units[1].mute = True
        bench = Bench(device)
        async with bench.relay(limit="0.3s") as relay:
            link = relay._share.check()
            assert isinstance(link, rtu.RtuLink)
            monkeypatch.setattr(link, "_echoes", False)
            await relay.set(Supply.OFF)
        await bench.close()


async def test_echo_that_was_spoiled_does_not_unlearn_the_echo(tmp_path: Path) -> None:
    with device_at("rtu", tmp_path, echoes=True) as device:
        bench = Bench(device)
        async with bench.relay() as relay, bench.relay(limit="0.5s") as hasty:
            device.echoes = False
            device.spoil("noise-first", 1)  # where the echo would be
            await relay.get()
            device.echoes = device.units[1].mute = True
            with pytest.raises(Unavailable, match="did not reply"):
                await hasty.set(Supply.ON)
        await bench.close()


# ---- what units say instead


@pytest.mark.parametrize(
    ("spoil", "error", "said"),
    [
        ("silent", Unavailable, "did not reply within 0.3 s"),
        ("exception-1", Refused, "illegal function"),
        ("exception-2", Refused, "illegal data address"),
        ("exception-6", Unavailable, "server device busy"),
        ("exception-11", Unavailable, "gateway target device failed"),
        ("other-unit", Malformed, "unit 3 replied, 1 was asked"),
        ("other-function", Malformed, "another request|not a reply to function"),
    ],
)
async def test_replies_that_are_none(
    bench: Bench, spoil: str, error: type[BackendError], said: str
) -> None:
    async with bench.relay() as relay, bench.relay(limit="0.3s") as hasty:
        bench.device.spoil(spoil)
        with pytest.raises(error, match=said):
            await hasty.get()
        bench.device.fair()
        await relay.set(Supply.OFF)
        assert bench.device.driven()


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        ("other-transaction", "transaction"),
        ("no-header", "not the header"),
        ("other-coil", "not a reply to function 05"),
    ],
)
async def test_replies_over_tcp_that_are_none(
    tcp: Bench, spoil: str, said: str
) -> None:
    """The connection is dropped, so nothing of it can be taken for a later reply."""
    async with tcp.relay() as relay:
        tcp.device.spoil(spoil, 1)
        with pytest.raises(Malformed, match=said):
            await relay.set(Supply.OFF)
        await relay.set(Supply.ON)
        assert tcp.device.connections_taken == 2


async def test_reply_that_is_cut_over_tcp(tcp: Bench) -> None:
    async with tcp.relay() as relay, tcp.relay(limit="0.5s") as hasty:
        tcp.device.spoil("cut", 1)
        with pytest.raises(Unavailable, match="did not reply"):
            await hasty.set(Supply.OFF)
        await relay.set(Supply.ON)
        assert tcp.device.connections_taken == 2


@pytest.mark.parametrize("spoil", ["bad-check", "cut", "babble"])
async def test_one_spoiled_reply_on_a_bus_is_asked_again(
    bus: Bench, spoil: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Fault 32."""
    monkeypatch.setattr(rtu, "_GAP_S", 0.05)  # the peer sends a frame in one piece
    async with bus.relay() as relay:
        bus.device.forget()
        bus.device.spoil(spoil, 1)
        await relay.set(Supply.OFF)
        assert bus.device.heard() == [OFF, OFF]
        bus.device.spoil(spoil, 2)
        with pytest.raises(Malformed):
            await relay.get()


async def test_fault_32_without_the_repeat(
    bus: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With its handling switched off, one spoiled reply is a fault."""
    async with bus.relay() as relay:
        monkeypatch.setattr(rtu, "_GAP_S", 0.05)
        monkeypatch.setattr(rtu.RtuLink, "_twice", lambda _, attempt, **__: attempt())
        bus.device.spoil("bad-check", 1)
        with pytest.raises(Malformed):
            await relay.set(Supply.OFF)


async def test_noise_before_a_reply_does_no_harm(bus: Bench) -> None:
    async with bus.relay() as relay:
        bus.device.forget()
        bus.device.spoil("noise-first")
        await relay.set(Supply.OFF)
        assert await relay.get() is Supply.OFF
    assert bus.device.heard() == [OFF, READ]


# ---- late replies, cancelled calls


async def test_reply_to_a_cancelled_call_is_not_taken_for_the_next(
    bench: Bench,
) -> None:
    async with bench.relay(limit="2s") as relay:
        await relay.set(Supply.ON)
        bench.device.forget()
        bench.device.hold()
        call = asyncio.create_task(relay.get())
        await asyncio.to_thread(bench.device.wait_until, lambda d: bool(d.heard()))
        call.cancel()
        with pytest.raises(asyncio.CancelledError):
            await call
        bench.device.hand(0, driven=True)
        bench.device.let_go()  # the reply of before the hand
        assert await relay.get() is Supply.OFF


async def test_late_reply_is_waited_for_and_dropped(bus: Bench) -> None:
    """A read does not say which coil it is about, so a late one could be believed."""
    async with bus.relay(limit="0.5s") as relay, bus.relay("hall", coil=1) as other:
        bus.device.hold()
        with pytest.raises(Unavailable, match="did not reply"):
            await relay.get()
        bus.device.hand(1, driven=True)
        asking = asyncio.create_task(other.get())
        bus.device.let_go()  # coil 0 is released
        assert await asking is Supply.OFF


async def test_late_reply_without_the_wait(
    bus: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With the handling switched off, the late reply of another coil is believed."""
    monkeypatch.setattr(rtu.RtuLink, "late_s", lambda *_: 0.0)
    async with bus.relay(limit="0.5s") as relay, bus.relay("hall", coil=1) as other:
        bus.device.hold()
        with pytest.raises(Unavailable, match="did not reply"):
            await relay.get()
        bus.device.hand(1, driven=True)
        bus.device.forget()
        asking = asyncio.create_task(other.get())
        await asyncio.to_thread(bus.device.wait_until, lambda d: bool(d.heard()))
        bus.device.let_go()
        assert await asking is Supply.ON


async def test_late_reply_to_the_call_before_in_the_queue(bus: Bench) -> None:
    """Whether one is late shows only after the second call began to wait its turn."""
    async with bus.relay(limit="0.4s") as relay, bus.relay("hall", coil=1) as other:
        bus.device.forget()
        bus.device.hold()
        bus.device.hand(1, driven=True)
        lost = asyncio.create_task(relay.get())
        asking = asyncio.create_task(other.get())
        with pytest.raises(Unavailable, match="did not reply"):
            await lost
        with pytest.raises(AssertionError, match=r"not within 0\.1 s"):
            await asyncio.to_thread(
                bus.device.wait_until, lambda d: len(d.heard()) > 1, 0.1
            )
        bus.device.let_go()  # coil 0 is released
        assert await asking is Supply.OFF


async def test_on_does_not_wait_for_a_read_that_was_lost(bus: Bench) -> None:
    """Its reply cannot be mistaken, and a unit that cannot speak may yet hear."""
    async with bus.relay(limit="0.5s") as relay:
        link = relay._share.check()
        assert isinstance(link, rtu.RtuLink)
        bus.device.spoil("silent", 1)
        with pytest.raises(Unavailable, match="did not reply"):
            await relay.get()
        assert link.late_s(1, wire.write_coil(0, driven=False)) == 0
        assert link.late_s(1, wire.read_coil(5)) > 0
        assert link.late_s(2, wire.read_coil(0)) == 0


async def test_after_a_repeat_a_second_reply_is_waited_for(
    bus: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first may have been on its way behind the noise."""
    monkeypatch.setattr(rtu, "_GAP_S", 0.05)
    async with bus.relay() as relay:
        link = relay._share.check()
        assert isinstance(link, rtu.RtuLink)
        bus.device.spoil("bad-check", 1)
        await relay.get()
        assert link.late_s(1, wire.read_coil(1)) > 0


async def test_late_reply_of_another_unit_is_passed_over(bus: Bench) -> None:
    async with bus.relay(unit=2, limit="2s") as relay:
        bus.device.forget()
        bus.device.hold()
        asking = asyncio.create_task(relay.set(Supply.OFF))
        await asyncio.to_thread(bus.device.wait_until, lambda d: bool(d.heard()))
        late = bytes.fromhex("01 01 01 00 51 88")
        assert check_of(late[:-2]) == late[-2:]
        bus.device.say(late)
        bus.device.let_go()
        await asking
        assert len(bus.device.heard()) == 1


# ---- several stations on one link


async def test_stations_share_one_link(bench: Bench) -> None:
    """A serial port is exclusive, so a second opening of it would be Busy."""
    lobby = bench.relay("lobby", coil=0)
    hall = bench.relay("hall", unit=2, coil=3, contact="normally-open")
    await asyncio.gather(lobby.open(), hall.open())
    await asyncio.gather(lobby.set(Supply.OFF), hall.set(Supply.ON))
    assert (bench.device.driven(0), bench.device.driven(3, unit=2)) == (True, True)
    await lobby.close()
    await hall.set(Supply.OFF)
    assert not bench.device.driven(3, unit=2)
    await lobby.open()
    assert await lobby.get() is Supply.OFF
    await hall.close()
    await lobby.close()
    assert bench.device.connections_taken <= 1


async def test_dead_unit_leaves_the_others_alone(bench: Bench) -> None:
    """Each call has its own limit, and the link goes on for the others."""
    lobby = bench.relay("lobby")
    dead = bench.relay("cellar", unit=9, limit="0.3s")
    await lobby.open()
    await dead.open()
    calls = [dead.set(Supply.OFF), lobby.set(Supply.OFF), dead.get(), lobby.get()]
    given_up, done, also_given_up, told = await asyncio.gather(
        *calls, return_exceptions=True
    )
    assert isinstance(given_up, Unavailable)
    assert isinstance(also_given_up, Unavailable)
    assert (done, told) == (None, Supply.OFF)
    await dead.close()
    assert await lobby.get() is Supply.OFF
    await lobby.close()


async def test_limit_of_a_call_counts_the_others_on_the_link(bench: Bench) -> None:
    """A call that waits its turn has not lost its link."""
    relays = [bench.relay(f"hall-{n}", coil=n, limit="1s") for n in range(4)]
    for relay in relays:
        await relay.open()
    # A request, asked twice at worst, after a late reply was waited for.
    assert relays[0].facts.answers_within_s == 4 * 3 * 1.0
    for relay in relays[1:]:
        await relay.close()
    assert relays[0].facts.answers_within_s == 5.0, "what the shell allows anyone"
    await relays[0].close()


async def test_stations_on_one_bus_agree_on_its_form(bus: Bench) -> None:
    async with bus.relay("lobby"):
        with pytest.raises(Unsupported, match="9600 baud, parity none"):
            await bus.relay("hall", coil=1, baud=19200).open()


async def test_poisoned_link_is_opened_anew(bench: Bench) -> None:
    lobby, hall = bench.relay("lobby"), bench.relay("hall", coil=1)
    await lobby.open()
    await hall.open()
    await bench.hosts[0].poison(f"modbus:{lobby._settings.link()}")
    await lobby.close()
    await lobby.open()
    with pytest.raises(Unavailable, match="given up"):
        await hall.set(Supply.OFF)
    await hall.close()
    await hall.open()
    await hall.set(Supply.OFF)
    assert bench.device.driven(1)
    await hall.close()
    await lobby.close()


# ---- not there, gone, back again


async def test_missing_at_start_then_there(bench: Bench) -> None:
    """Fault 27: it may come later, so it is no settings error."""
    bench.device.unplug()
    relay = bench.relay()
    with pytest.raises(Unavailable, match=r"missing|no connection") as caught:
        await relay.open()
    assert caught.value.remedy
    bench.device.plug_in()
    async with relay:
        await relay.set(Supply.OFF)
        assert bench.device.driven()


async def test_unplugged_while_idle_then_back(bench: Bench) -> None:
    """Fault 28."""
    relay = bench.relay()
    await relay.open()
    await relay.set(Supply.OFF)
    bench.device.unplug()
    for call in (relay.set(Supply.OFF), relay.get(), relay.set(Supply.ON)):
        with pytest.raises(Unavailable):
            await call
    await relay.close()
    with pytest.raises(Unavailable):
        await relay.open()
    bench.device.plug_in()
    async with relay:
        await relay.set(Supply.ON)
        assert not bench.device.driven()


async def test_plugged_in_again_at_rest_does_not_fail_an_on(bench: Bench) -> None:
    """At the end of the daemon there is one on, and nobody to repeat it."""
    async with bench.relay() as relay:
        await relay.set(Supply.OFF)
        await asyncio.to_thread(bench.device.unplug)
        bench.device.plug_in()
        await relay.set(Supply.ON)
        assert not bench.device.driven()


async def test_unplugged_in_the_middle_of_a_call(bench: Bench) -> None:
    relay = bench.relay(limit="2s")
    await relay.open()
    bench.device.forget()
    bench.device.hold()
    call = asyncio.create_task(relay.set(Supply.OFF))
    await asyncio.to_thread(bench.device.wait_until, lambda d: bool(d.heard()))
    await asyncio.to_thread(bench.device.unplug)
    with pytest.raises(Unavailable, match=r"the port is gone|the connection broke"):
        await call
    await relay.close()
    await relay.close()


async def test_connection_that_was_closed_while_idle_is_made_anew(tcp: Bench) -> None:
    """Many devices close a connection that rests; that is no fault."""
    async with tcp.relay() as relay:
        tcp.device.hang_up()
        await relay.set(Supply.OFF)
        assert tcp.device.driven()
        assert tcp.device.connections_taken == 2


async def test_bytes_that_nobody_asked_for_over_tcp(tcp: Bench) -> None:
    async with tcp.relay() as relay:
        tcp.device.say(b"\0\2\0\0\0\4\1\1\1\1")  # as a reply to what comes next
        await asyncio.to_thread(
            tcp.device.wait_until, lambda d: d.connections_taken == 1
        )
        assert await relay.get() is Supply.ON


async def test_connection_closed_on_a_request(tcp: Bench) -> None:
    async with tcp.relay() as relay:
        tcp.device.spoil("hang-up", 1)
        with pytest.raises(Unavailable, match="the connection broke"):
            await relay.set(Supply.OFF)
        await relay.set(Supply.OFF)


async def test_half_open_connection_costs_one_limit(tcp: Bench) -> None:
    """The other end is gone without a word: the next call makes a connection."""
    async with tcp.relay() as relay, tcp.relay(limit="0.5s") as hasty:
        tcp.device.spoil("silent", 1)
        with pytest.raises(Unavailable, match=r"did not reply within 0\.5 s"):
            await hasty.get()
        assert await relay.get() is Supply.ON
        assert tcp.device.connections_taken == 2


@pytest.mark.parametrize("spoil", ["silent", "hang-up"])
async def test_connection_that_died_at_rest_does_not_fail_an_on(
    tcp: Bench, spoil: str
) -> None:
    """At the end of the daemon there is one on, and nobody to repeat it."""
    tcp.device.hand(0, driven=True)
    async with tcp.relay() as relay, tcp.relay("hall", limit="0.5s") as hasty:
        link = relay._share.check()
        assert isinstance(link, TcpLink)
        link._used_at_s -= 60  # what a poll is apart
        tcp.device.spoil(spoil, 1)
        await hasty.set(Supply.ON)
        assert not tcp.device.driven()
        assert tcp.device.connections_taken == 2


async def test_what_was_not_delivered_is_taken_back() -> None:
    """Else the system goes on sending an off after the on of the next connection.

    A connection that is closed with a reset drops what its end still holds
    (man 7 socket, SO_LINGER; RFC 9293, 3.10.7.4).
    """
    hosts = LentHosts()
    with socket.create_server(("127.0.0.1", 0)) as server:
        table = {"host": "127.0.0.1", "tcp_port": server.getsockname()[1], "coil": 0}
        settings = Settings.model_validate({**table, "limit": "0.5s"})
        relay = ModbusRelay(settings, hosts.host("lobby"))
        async with relay:
            connection, _ = server.accept()
            with connection:
                connection.settimeout(20)
                assert len(connection.recv(12)) == 12
                with pytest.raises(ConnectionResetError):
                    connection.recv(1)
    await hosts.close()


async def test_name_that_nobody_knows(tcp: Bench) -> None:
    with pytest.raises(Unavailable, match="no connection") as caught:
        await tcp.relay(host="no-such-unit.invalid").open()
    assert "address" in caught.value.remedy


# ---- ports that do not open


async def test_port_held_by_another_program(bus: Bench) -> None:
    """Fault 42: two masters on one bus."""
    relay = bus.relay()
    with (
        serial.Serial(str(bus.device.link), exclusive=True),
        pytest.raises(Busy, match="another program holds the port"),
    ):
        await relay.open()
    async with relay:
        await relay.set(Supply.OFF)


async def test_parity_that_the_port_cannot_do(bus: Bench) -> None:
    """A pseudo-terminal answers with a bare termios.error; it must not get out."""
    with pytest.raises(Unavailable, match="does not open"):
        await bus.relay(parity="even").open()


async def test_something_that_is_no_port(bus: Bench, tmp_path: Path) -> None:
    with pytest.raises(Unsupported, match="not a serial port"):
        await bus.relay(port=str(tmp_path)).open()


async def test_pyserial_missing(bus: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "serial", None)
    with pytest.raises(Unsupported, match="extra `modbus`") as caught:
        await bus.relay().open()
    assert "pip install 'tidegate[modbus]'" in caught.value.remedy


async def test_tcp_needs_no_library(
    tcp: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    wanted: list[str] = []
    real = builtins.__import__

    def watched(name: str, *more: Any, **named: Any) -> Any:
        wanted.append(name.partition(".")[0])
        return real(name, *more, **named)

    monkeypatch.setattr(builtins, "__import__", watched)
    async with tcp.relay() as relay:
        await relay.set(Supply.OFF)
    assert not {"serial", "pymodbus"} & set(wanted)


@pytest.mark.parametrize(
    ("baud", "rest_ms"),
    [(9600, 4.0), (19200, 2.0), (38400, 1.75), (115200, 1.75)],
)
def test_silence_between_frames(baud: int, rest_ms: float) -> None:
    """3.5 characters of 11 bits, at least 1.75 ms (SL 2.5.1.1)."""
    assert rtu.silence_s(baud) * 1000 == pytest.approx(rest_ms, abs=0.02)
