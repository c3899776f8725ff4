"""``ble`` over real bleak and a real D-Bus, against a fake bluetoothd and devices.

What a radio does with its waves is not shown here, nor what BlueZ does beyond its
documents. Fault 33 of the list is in ``tests/faults``.
"""

from __future__ import annotations

import asyncio
import os
import subprocess
import sys
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from support.bluez import (
    FakeBluez,
    FakeCharacteristic,
    FakePeer,
    digital,
    nothing_unhandled,
)
from support.host import TestHost
from tidegate.clock import SystemClock
from tidegate.contract import Readback, Target
from tidegate.core.reading import Supply
from tidegate.errors import (
    BackendError,
    Malformed,
    Refused,
    Unavailable,
    Unsupported,
)
from tidegate.host import Machine
from tidegate_backends.bluetooth import bluez as looking
from tidegate_backends.bluetooth.naming import uuid
from tidegate_backends.relays.ble import BleRelay, Settings

pytestmark = pytest.mark.peer

ADDRESS = "00:00:5E:00:53:20"
OTHER = "00:00:5E:00:53:21"
# A call that is meant to end by its limit; one that is meant to work has the default.
SHORT = "0.25s"


@pytest.fixture(autouse=True)
async def _nothing_is_left_to_the_loop() -> AsyncIterator[None]:
    with nothing_unhandled():
        yield


@pytest.fixture
def relay_of_four() -> FakePeer:
    return FakePeer(ADDRESS, characteristics=[digital(4)])


@pytest.fixture
def bluez(tmp_path: Path, relay_of_four: FakePeer) -> Iterator[FakeBluez]:
    with FakeBluez(tmp_path, relay_of_four).as_system_bus() as fake:
        yield fake


def made(host: Any = None, **settings: Any) -> BleRelay:
    table = {"address": ADDRESS, **settings}
    return BleRelay(Settings.model_validate(table), host or TestHost())


def at_rest(bluez: FakeBluez, peer: FakePeer) -> None:
    bluez.wait_until(lambda: not peer.connected, "the device is let go")


# ---- what is written


@pytest.mark.parametrize(
    ("signal", "on", "off"),
    # Normally-closed: the coil is driven for "off". 11 leaves the others alone.
    [(0, "FC", "FD"), (1, "F3", "F7"), (3, "3F", "7F")],
)
async def test_one_of_four_signals(
    bluez: FakeBluez, relay_of_four: FakePeer, signal: int, on: str, off: str
) -> None:
    (four,) = relay_of_four.characteristics
    four.value = b"\x55"  # all active
    async with made(signal=signal) as relay:
        await relay.set(Supply.ON)
        assert await relay.get() is Supply.ON
        await relay.set(Supply.OFF)
        assert await relay.get() is Supply.OFF
    assert four.taken == [bytes.fromhex(on), bytes.fromhex(off)]
    assert four.value == b"\x55", "the others were not left alone"


async def test_each_call_has_its_connection_and_lets_go(
    bluez: FakeBluez, relay_of_four: FakePeer
) -> None:
    async with made() as relay:
        assert relay_of_four.connections == 0, "opening sends nothing by radio"
        await relay.set(Supply.OFF)
        await asyncio.to_thread(at_rest, bluez, relay_of_four)
        assert relay_of_four.connections == 1
        await relay.set(Supply.ON)
    await asyncio.to_thread(at_rest, bluez, relay_of_four)
    assert relay_of_four.connections == relay_of_four.disconnections == 2


async def test_the_readback_of_a_switching_answers_one_question_only(
    bluez: FakeBluez, relay_of_four: FakePeer
) -> None:
    """Somebody else's hand must show: it is asked anew, and a late one too."""
    host = TestHost(now_ms=1_000)
    async with made(host) as relay:
        await relay.set(Supply.ON)
        assert await relay.get() is Supply.ON
        assert relay_of_four.connections == 1
        relay_of_four.characteristics[0].value = b"\x01"
        assert await relay.get() is Supply.OFF
        assert relay_of_four.connections == 2
        await relay.set(Supply.ON)
        relay_of_four.characteristics[0].value = b"\x01"
        host.now_ms = 3_000
        assert await relay.get() is Supply.OFF


@pytest.mark.parametrize("octets", ["02", "03"])
async def test_tri_state_and_unknown_say_nothing(
    bluez: FakeBluez, relay_of_four: FakePeer, octets: str
) -> None:
    relay_of_four.characteristics[0].value = bytes.fromhex(octets)
    async with made() as relay:
        assert await relay.get() is None


@pytest.mark.parametrize(
    ("number_of_digitals", "flags", "written"),
    [
        (5, ("read", "write"), "FF FD"),
        # Without the descriptor the length of what it reads tells.
        (None, ("read", "write"), "FF FD"),
        # Without either, as many octets as the signal needs.
        (None, ("write",), "FF FD"),
    ],
)
async def test_a_write_has_the_devices_length(
    bluez: FakeBluez,
    relay_of_four: FakePeer,
    number_of_digitals: int | None,
    flags: tuple[str, ...],
    written: str,
) -> None:
    five = digital(5, number_of_digitals=number_of_digitals, flags=flags)
    relay_of_four.characteristics[:] = [five]
    async with made(signal=4) as relay:
        await relay.set(Supply.OFF)
        assert relay.facts.readback == (
            Readback.LATCH if "read" in flags else Readback.NONE
        )
    assert five.taken == [bytes.fromhex(written)]


async def test_the_longest_digital_and_one_that_is_too_long(
    bluez: FakeBluez, relay_of_four: FakePeer
) -> None:
    """255 signals, as one octet counts them, take 64 octets."""
    most = digital(255, number_of_digitals=None)
    relay_of_four.characteristics[:] = [most]
    async with made() as relay:
        await relay.set(Supply.OFF)
        assert most.taken == [b"\xfd" + b"\xff" * 63]
        most.value = bytes(65)
        with pytest.raises(Malformed, match="Digital of 65 octets"):
            await relay.set(Supply.OFF)


async def test_several_digitals_are_told_apart_by_their_order(
    bluez: FakeBluez, relay_of_four: FakePeer
) -> None:
    """Inputs share the identifier and cannot be written; they do not count."""
    inputs = digital(1, flags=("read", "notify"))
    first, second = digital(1), digital(1)
    relay_of_four.characteristics[:] = [inputs, first, second]
    async with made(number=2) as relay:
        await relay.set(Supply.OFF)
    assert (inputs.taken, first.taken, second.taken) == ([], [], [b"\xfd"])
    async with made(number=3) as relay:
        with pytest.raises(Refused, match="offers 2 char"):
            await relay.set(Supply.OFF)


async def test_bytes_of_its_own(bluez: FakeBluez, relay_of_four: FakePeer) -> None:
    vendor = FakeCharacteristic("6e400002-b5a3-f393-e0a9-e50e24dcca9e", b"?")
    relay_of_four.characteristics[:] = [vendor]
    table = {
        "characteristic": vendor.uuid,
        "on": "A00101A2",
        "off": "a0 01 00 a1",
    }
    async with made(contact="normally-open", **table) as relay:
        assert relay.facts.readback is Readback.NONE
        await relay.set(Supply.ON)
        assert await relay.get() is None
        await relay.set(Supply.OFF)
    assert vendor.taken == [bytes.fromhex("A00101A2"), bytes.fromhex("A00100A1")]
    async with made(reads_on="01", reads_off="00", **table) as relay:
        vendor.value = b"\x07"
        with pytest.raises(Malformed, match="reads 07, which is neither"):
            await relay.get()


async def test_readback_can_be_left_out(
    bluez: FakeBluez, relay_of_four: FakePeer
) -> None:
    async with made(readback=False) as relay:
        assert relay.facts.readback is Readback.NONE
        assert await relay.get() is None
        assert relay_of_four.connections == 0


async def test_a_readback_that_fails_does_not_undo_the_switching(
    bluez: FakeBluez, relay_of_four: FakePeer
) -> None:
    relay_of_four.characteristics[0].reads = "att"
    async with made() as relay:
        await relay.set(Supply.OFF)
        with pytest.raises(Refused, match="ATT error 0x80"):
            await relay.get()


async def test_a_readback_that_hangs_does_not_undo_the_switching(
    bluez: FakeBluez, relay_of_four: FakePeer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tidegate_backends.relays.ble._LOOK_LIMIT_S", 0.05)
    relay_of_four.characteristics[0].reads = "hang"
    async with made() as relay:
        await relay.set(Supply.OFF)
    assert relay_of_four.characteristics[0].taken == [b"\xfd"]


# ---- what stands in the way


async def refused_in_time(relay: BleRelay) -> BackendError:
    """Return the error of a set; a call without an end would fail here."""
    async with asyncio.timeout(20):
        with pytest.raises(BackendError) as caught:
            await relay.set(Supply.OFF)
    assert caught.value.remedy
    assert ADDRESS in caught.value.target
    return caught.value


@pytest.mark.parametrize(
    ("connects", "says"),
    [
        ("fail", "le-connection-abort-by-remote"),
        ("abort", "Software caused connection abort"),
        ("in-progress", "BlueZ is busy"),
    ],
)
async def test_it_does_not_connect(
    bluez: FakeBluez, relay_of_four: FakePeer, connects: str, says: str
) -> None:
    async with made() as relay:
        relay_of_four.connects = connects
        error = await refused_in_time(relay)
        assert isinstance(error, Unavailable)
        assert says in str(error)
        relay_of_four.connects = "sound"
        await relay.set(Supply.OFF)


@pytest.mark.parametrize("hangs", ["connect", "services", "write", "in-progress"])
async def test_a_call_without_an_end_ends(
    bluez: FakeBluez, relay_of_four: FakePeer, hangs: str
) -> None:
    """bleak 3.1 would wait, or ask again every 10 ms, for ever."""
    (four,) = relay_of_four.characteristics
    reached = "WriteValue"
    if hangs in ("write", "in-progress"):
        four.mood = {"write": "hang"}.get(hangs, hangs)
    else:
        reached = "Connect "
        relay_of_four.connects = {"connect": "hang", "services": "unresolved"}[hangs]
    bluez.heard.clear()
    async with made(limit=SHORT) as relay:
        # On a busy machine the limit may come before the device is reached at all.
        while not any(reached in one for one in bluez.heard):
            error = await refused_in_time(relay)
            assert isinstance(error, Unavailable)
            assert "within 0.25 s" in str(error)
    four.mood = relay_of_four.connects = "sound"
    assert four.taken == []
    async with made() as relay:
        await relay.set(Supply.OFF)
    assert four.taken == [b"\xfd"], "what was given up came late"


@pytest.mark.parametrize(
    ("mood", "code", "error", "says"),
    [
        ("att", 0x80, Refused, "ATT error 0x80"),
        ("att", 0x0D, Refused, "Invalid Attribute Value Length"),
        # Core Specification: insufficient authentication, and encryption.
        ("att", 0x05, Refused, "wants a bond"),
        ("att", 0x0F, Refused, "wants a bond"),
        ("not-paired", 0, Refused, "wants a bond"),
        ("drop", 0, Unavailable, "could not write"),
    ],
)
async def test_it_does_not_take_the_write(
    bluez: FakeBluez,
    relay_of_four: FakePeer,
    mood: str,
    code: int,
    error: type[BackendError],
    says: str,
) -> None:
    (four,) = relay_of_four.characteristics
    four.mood, four.code = mood, code
    async with made() as relay:
        raised = await refused_in_time(relay)
        assert type(raised) is error
        assert says in str(raised)
        four.mood = "sound"
        await relay.set(Supply.OFF)


async def test_a_bond_is_wanted(bluez: FakeBluez, relay_of_four: FakePeer) -> None:
    bluez.change(lambda: vars(relay_of_four).update(bonded=False))
    relay = made()
    with pytest.raises(Refused, match="not paired") as caught:
        await relay.open()
    assert f"pair {ADDRESS}, trust {ADDRESS}" in caught.value.remedy
    assert relay.take_notes() == []
    assert relay_of_four.connections == 0
    bluez.change(lambda: vars(relay_of_four).update(known=False))
    with pytest.raises(Refused, match="not known"):
        await relay.open()


async def test_without_a_bond_it_works_and_says_so(
    bluez: FakeBluez, relay_of_four: FakePeer
) -> None:
    """BlueZ knows such a device only while it is heard, so it is listened for."""
    bluez.change(lambda: vars(relay_of_four).update(bonded=False, known=False))
    async with made(bonded=False) as relay:
        (note,) = relay.take_notes()
        assert "anybody in radio range" in note
        assert relay.take_notes() == []
        await relay.set(Supply.OFF)
        await relay.set(Supply.ON)
    assert relay_of_four.characteristics[0].taken == [b"\xfd", b"\xfc"]
    await asyncio.to_thread(
        bluez.wait_until, lambda: bluez.scans == 0, "the scan was ended"
    )


async def test_a_device_that_is_not_heard(
    bluez: FakeBluez, relay_of_four: FakePeer
) -> None:
    bluez.change(lambda: vars(relay_of_four).update(known=False, advertises=False))
    async with made(bonded=False, limit=SHORT) as relay:
        error = await refused_in_time(relay)
        assert isinstance(error, Unavailable)
    await asyncio.to_thread(
        bluez.wait_until, lambda: bluez.scans == 0, "the scan was ended"
    )


@pytest.mark.parametrize(
    ("change", "error", "says"),
    [
        ({"has_adapter": False}, Unavailable, "there is no Bluetooth adapter"),
        ({"powered": False}, Unavailable, "adapter hci0 is off"),
        ({"roles": ["peripheral"]}, Unsupported, "as a central"),
        ({"denies": True}, Unavailable, "no permission"),
    ],
)
async def test_this_machines_side(
    bluez: FakeBluez, change: dict[str, Any], error: type[BackendError], says: str
) -> None:
    bluez.change(lambda: vars(bluez).update(change))
    with pytest.raises(error, match=says) as caught:
        await made().open()
    assert caught.value.remedy


async def test_another_adapter_than_there_is(bluez: FakeBluez) -> None:
    with pytest.raises(Unavailable, match="no Bluetooth adapter hci1") as caught:
        await made(adapter="hci1").open()
    assert "There now: hci0" in caught.value.remedy


async def test_no_bluetoothd(bluez: FakeBluez) -> None:
    bluez.vanish()
    with pytest.raises(Unavailable, match="bluetoothd is not running") as caught:
        await made().open()
    assert "systemctl" in caught.value.remedy


async def test_a_bluetoothd_that_does_not_answer(
    bluez: FakeBluez, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(looking, "LOOK_LIMIT_S", 0.2)
    bluez.frozen = True
    with pytest.raises(Unavailable, match="did not answer"):
        await made().open()


async def test_no_bus_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path / 'none'}")
    with pytest.raises(Unsupported, match="no system D-Bus"):
        await made().open()
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", "no address at all")
    with pytest.raises(Unavailable, match="does not answer"):
        await made().open()


async def test_without_bleak(bluez: FakeBluez, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "bleak", None)
    with pytest.raises(Unsupported, match="bleak is not installed"):
        await made().open()


# ---- bluetoothd comes and goes


async def test_bluetoothd_is_restarted_between_two_calls(
    bluez: FakeBluez, relay_of_four: FakePeer
) -> None:
    (four,) = relay_of_four.characteristics
    async with made() as relay:
        relay_of_four.disconnect_hangs = 1  # still connected when it dies
        await relay.set(Supply.OFF)
        bluez.vanish()
        assert "bluetoothd is not running" in str(await refused_in_time(relay))
        relay_of_four.first_handle = 0x40  # as new firmware has it
        relay_of_four.disconnect_hangs = 0
        bluez.come_back()
        await relay.set(Supply.ON)
    assert four.taken == [b"\xfd", b"\xfc"]


async def test_bluetoothd_dies_in_the_middle_of_a_write(
    bluez: FakeBluez, relay_of_four: FakePeer
) -> None:
    (four,) = relay_of_four.characteristics
    four.mood = "hang"
    async with made() as relay:
        call = asyncio.ensure_future(refused_in_time(relay))
        await asyncio.to_thread(
            bluez.wait_until,
            lambda: any("WriteValue" in one for one in bluez.heard),
            "the write is under way",
        )
        bluez.vanish()
        assert isinstance(await call, Unavailable)
        four.mood = "sound"
        bluez.come_back()
        await relay.set(Supply.OFF)
    assert four.taken == [b"\xfd"]


@pytest.mark.parametrize("at", ["WriteValue", "after"])
async def test_the_bus_itself_dies(
    bluez: FakeBluez, relay_of_four: FakePeer, at: str
) -> None:
    if at == "WriteValue":
        relay_of_four.characteristics[0].mood = "hang"
    async with made() as relay:
        if at == "after":
            await relay.set(Supply.ON)
            bluez.kill_bus()
            call = asyncio.ensure_future(refused_in_time(relay))
        else:
            call = asyncio.ensure_future(refused_in_time(relay))
            await asyncio.to_thread(
                bluez.wait_until,
                lambda: any(at in one for one in bluez.heard),
                "the call is under way",
            )
            bluez.kill_bus()
        assert isinstance(await call, Unavailable)


@pytest.mark.parametrize("stale", [False, True])
async def test_a_device_that_bluez_believes_to_be_there(
    bluez: FakeBluez, relay_of_four: FakePeer, stale: bool
) -> None:
    """Left over from a crash, or gone without notice: ended before it is used."""
    bluez.change(lambda: vars(relay_of_four).update(connected=True, stale=stale))
    async with made() as relay:
        await relay.set(Supply.OFF)
    calls = [one.split()[0] for one in bluez.heard]
    assert calls.index("Disconnect") < calls.index("Connect")
    assert relay_of_four.connections == 1


# ---- one radio, several stations


async def test_stations_take_turns(bluez: FakeBluez, relay_of_four: FakePeer) -> None:
    other = FakePeer(OTHER, characteristics=[digital(1)])
    bluez.change(lambda: bluez.peers.append(other))
    relay_of_four.characteristics[0].mood = "hang"
    machine = Machine(SystemClock())
    hosts = [machine.host(name, hint=lambda: None) for name in ("hall", "stairs")]
    hall, stairs = made(hosts[0]), made(hosts[1], address=OTHER)
    await hall.open()
    await stairs.open()
    hanging = asyncio.ensure_future(refused_in_time(hall))
    await asyncio.to_thread(
        bluez.wait_until,
        lambda: any("WriteValue" in one for one in bluez.heard),
        "the first call is under way",
    )
    waiting = asyncio.ensure_future(stairs.set(Supply.OFF))
    bluez.let_go()
    assert isinstance(await hanging, Unavailable)
    await waiting
    calls = [one for one in bluez.heard if one.split()[0] in ("Connect", "Disconnect")]
    assert [(one.split()[0], one[-5:]) for one in calls[:3]] == [
        ("Connect", "53_20"),
        ("Disconnect", "53_20"),
        ("Connect", "53_21"),
    ]
    assert other.characteristics[0].taken == [b"\xfd"]
    await hall.close()
    await stairs.close()
    for host in hosts:
        await host.close()


async def test_the_answer_does_not_wait_for_letting_go(
    bluez: FakeBluez, relay_of_four: FakePeer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """BlueZ takes its time to disconnect; only the next call waits for that."""
    monkeypatch.setattr("tidegate_backends.bluetooth.peer.TIDY_S", 0.2)
    relay_of_four.disconnect_hangs = 1
    async with made() as relay:
        await relay.set(Supply.OFF)
        assert relay_of_four.connected
        await relay.set(Supply.ON)
    assert relay_of_four.connections == 2
    # The one that hung, the one before the second call, and the one after it.
    assert relay_of_four.disconnections == 3


async def test_bluetoothd_freezes_in_the_middle_of_a_write(
    bluez: FakeBluez, relay_of_four: FakePeer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Tidying up is asked of the one that is frozen, and has its end too."""
    for place in ("radio", "peer"):
        monkeypatch.setattr(f"tidegate_backends.bluetooth.{place}.TIDY_S", 0.1)
    (four,) = relay_of_four.characteristics
    four.mood = "hang"
    async with made(limit="0.5s") as relay:
        call = asyncio.ensure_future(refused_in_time(relay))
        await asyncio.to_thread(
            bluez.wait_until,
            lambda: any("WriteValue" in one for one in bluez.heard),
            "the write is under way",
        )
        bluez.frozen = True
        assert isinstance(await call, Unavailable)
    bluez.frozen = False
    four.mood = "sound"
    async with made() as relay:
        await relay.set(Supply.OFF)


async def test_a_turn_that_does_not_come(
    bluez: FakeBluez, relay_of_four: FakePeer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tidegate_backends.bluetooth.radio.TIDY_S", 0.05)
    relay_of_four.characteristics[0].mood = "hang"
    async with made() as slow, made(limit=SHORT) as waiting:
        call = asyncio.ensure_future(slow.set(Supply.OFF))
        await asyncio.to_thread(
            bluez.wait_until,
            lambda: any("WriteValue" in one for one in bluez.heard),
            "the first call is under way",
        )
        assert "busy with other devices" in str(await refused_in_time(waiting))
        call.cancel()
        with pytest.raises(asyncio.CancelledError):
            await call


async def test_a_neighbour_poisons_the_radio(
    bluez: FakeBluez, relay_of_four: FakePeer
) -> None:
    """Whoever shares it goes on with a new one; a call under way is given up."""
    (four,) = relay_of_four.characteristics
    machine = Machine(SystemClock())
    host = machine.host("hall", hint=lambda: None)
    relay = made(host)
    await relay.open()
    four.mood = "hang"
    call = asyncio.ensure_future(refused_in_time(relay))
    await asyncio.to_thread(
        bluez.wait_until,
        lambda: any("WriteValue" in one for one in bluez.heard),
        "the call is under way",
    )
    await host.poison("bluetooth:hci0")
    assert "given up" in str(await call)
    four.mood = "sound"
    await relay.set(Supply.OFF)
    assert four.taken == [b"\xfd"]
    await relay.close()
    await host.close()


# ---- settings


def test_one_device_has_one_target() -> None:
    short = Settings(address="00:00:5e:00:53:20", characteristic="2a56")
    full = Settings(address=ADDRESS, characteristic=uuid("0x2A56").upper())
    assert short == full
    assert short.target() == Target(f"ble:{ADDRESS}", "0x2A56.1.0")
    assert Settings(address=ADDRESS, signal=1).target().channel == "0x2A56.1.1"


def test_contacts_of_one_characteristic_have_targets_of_their_own() -> None:
    def target(on: str, off: str) -> Target:
        return Settings(address=ADDRESS, characteristic="FFE1", on=on, off=off).target()

    first = target("A0 01 01 A2", "A0 01 00 A1")
    assert first == target("a00100a1", "A00101A2"), "the same contact, turned round"
    assert first != target("A0 02 01 A3", "A0 02 00 A2")
    assert first.link == f"ble:{ADDRESS}"


@pytest.mark.parametrize(
    ("table", "says"),
    [
        ({"address": "hall"}, "pattern"),
        ({"characteristic": "relay"}, "allowed is a UUID"),
        ({"characteristic": "FFE1"}, "`on` and `off` are wanted"),
        ({"characteristic": "FFE1", "on": "01", "off": "01"}, "must differ"),
        ({"characteristic": "FFE1", "on": "01", "off": "0"}, "bytes in hex"),
        ({"characteristic": "FFE1", "on": "01", "off": ""}, "allowed are 1 to 512"),
        (
            {"characteristic": "FFE1", "on": "01", "off": "00", "reads_on": "01"},
            "go together",
        ),
        (
            {"characteristic": "FFE1", "on": "01", "off": "00", "signal": 1},
            "belongs to a Digital",
        ),
        ({"on": "01"}, "found on, which belongs to another"),
        ({"signal": 255}, "less than"),
    ],
)
def test_settings_that_make_no_sense(table: dict[str, Any], says: str) -> None:
    with pytest.raises(ValidationError, match=says):
        Settings.model_validate({"address": ADDRESS, **table})


# ---- what the backends cost while nobody uses them, and what they lean on


def test_bleak_is_not_imported_before_a_backend_opens() -> None:
    """It takes about 4 MB; a daemon without Bluetooth must not carry it."""
    code = (
        "import sys, tidegate_backends.relays.ble, tidegate_backends.gauges.ble_battery\n"
        "heavy = {name.partition('.')[0] for name in sys.modules}\n"
        "print(sorted(heavy & {'bleak', 'dbus_fast'}))"
    )
    paths = os.pathsep.join(path for path in sys.path if path)
    done = subprocess.run(
        [sys.executable, "-c", code],
        env={**os.environ, "PYTHONPATH": paths},
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    assert done.stdout.strip() == "[]"


async def test_bleaks_connection_ends_with_the_call(
    bluez: FakeBluez, relay_of_four: FakePeer
) -> None:
    """Pins the two private names of bleak that ``bleak_memory`` leans on."""
    from bleak.backends.bluezdbus import manager

    async with made() as relay:
        await relay.set(Supply.OFF)
        await asyncio.to_thread(at_rest, bluez, relay_of_four)
    kept = manager._global_instances[asyncio.get_running_loop()]
    assert kept._bus is not None
    assert not kept._bus.connected
