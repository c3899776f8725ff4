"""Stations that share one radio, and what is left when calls are given up anywhere."""

from __future__ import annotations

import asyncio
import random
import signal
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest

from support.bluez import (
    BATTERY,
    BATTERY_LEVEL,
    FakeBluez,
    FakeCharacteristic,
    FakePeer,
    digital,
    nothing_unhandled,
)
from tidegate import restore
from tidegate.cli import main
from tidegate.clock import SystemClock
from tidegate.core.reading import Supply
from tidegate.errors import TidegateError, Unavailable
from tidegate.host import Machine
from tidegate.settings import from_tables
from tidegate_backends.bluetooth import bluez as looking
from tidegate_backends.gauges import ble_battery
from tidegate_backends.relays import ble

pytestmark = pytest.mark.peer

HALL = "00:00:5E:00:53:20"
STAIRS = "00:00:5E:00:53:21"


@pytest.fixture
def hall() -> FakePeer:
    return FakePeer(HALL, characteristics=[digital(1)])


@pytest.fixture
def stairs() -> FakePeer:
    level = FakeCharacteristic(BATTERY_LEVEL, b"\x3d", ("read",), BATTERY)
    return FakePeer(STAIRS, characteristics=[digital(1), level])


@pytest.fixture
def bluez(tmp_path: Path, hall: FakePeer, stairs: FakePeer) -> Iterator[FakeBluez]:
    with FakeBluez(tmp_path, hall, stairs).as_system_bus() as fake:
        yield fake


@pytest.fixture
async def machine() -> AsyncIterator[Machine]:
    with nothing_unhandled():
        yield Machine(SystemClock())


def relay(machine: Machine, address: str, limit: str = "8s") -> ble.BleRelay:
    host = machine.host(address, hint=lambda: None)
    return ble.BleRelay(ble.Settings(address=address, limit=limit), host)


def descriptors() -> int:
    """How many this process has open."""
    return len(list(Path("/proc/self/fd").iterdir()))


async def reached(bluez: FakeBluez, call: str) -> None:
    await asyncio.to_thread(
        bluez.wait_until, lambda: any(call in one for one in bluez.heard), call
    )


async def test_closing_ends_a_stations_own_call_and_no_other(
    bluez: FakeBluez, hall: FakePeer, stairs: FakePeer, machine: Machine
) -> None:
    """An off that nobody waits for any more must not come after an on."""
    hall.characteristics[0].mood = "hang"
    async with relay(machine, HALL) as first, relay(machine, STAIRS) as second:
        off = asyncio.ensure_future(first.set(Supply.OFF))
        await reached(bluez, "WriteValue")
        waiting = asyncio.ensure_future(second.set(Supply.ON))
        await first.close()
        with pytest.raises(Unavailable, match="given up"):
            await off
        await waiting
    assert hall.characteristics[0].taken == []
    assert stairs.characteristics[0].taken == [b"\xfc"]


async def test_what_waits_for_its_turn_does_not_act_once_closed(
    bluez: FakeBluez, hall: FakePeer, stairs: FakePeer, machine: Machine
) -> None:
    hall.characteristics[0].mood = "hang"
    async with relay(machine, HALL) as first, relay(machine, STAIRS) as second:
        hanging = asyncio.ensure_future(first.set(Supply.OFF))
        await reached(bluez, "WriteValue")
        off = asyncio.ensure_future(second.set(Supply.OFF))
        await asyncio.sleep(0)  # now it waits
        await second.close()
        await second.open()
        bluez.let_go()
        with pytest.raises(Unavailable):
            await hanging
        with pytest.raises(Unavailable, match="given up"):
            await off
        await second.set(Supply.ON)
    assert stairs.characteristics[0].taken == [b"\xfc"]


async def test_a_device_that_hangs_costs_its_neighbour_its_own_turn_only(
    bluez: FakeBluez, hall: FakePeer, stairs: FakePeer, machine: Machine
) -> None:
    """Whoever asks right after it waits, and is not told that the radio is busy."""
    hall.connects = "hang"
    async with (
        relay(machine, HALL, "0.5s") as first,
        relay(machine, STAIRS, "0.5s") as next_,
    ):
        hanging = asyncio.ensure_future(first.set(Supply.OFF))
        await asyncio.sleep(0)  # now it has its turn
        await next_.set(Supply.OFF)
        with pytest.raises(Unavailable, match=r"within 0\.5 s"):
            await hanging
    assert stairs.characteristics[0].taken == [b"\xfd"]


async def test_an_adapter_that_comes_back_under_another_name(
    bluez: FakeBluez, hall: FakePeer, machine: Machine
) -> None:
    """Its turns are those of the stations that found it so from the start."""
    async with relay(machine, HALL) as first:
        await first.set(Supply.OFF)
        bluez.plug_in_anew("hci1")
        with pytest.raises(Unavailable, match="was hci0 and is hci1 now"):
            await first.set(Supply.ON)
        await first.set(Supply.ON)
        assert list(machine.links._open) == ["bluetooth:hci1"]
    assert hall.characteristics[0].taken == [b"\xfd", b"\xfc"]
    assert not machine.links._open


async def test_a_bus_that_is_stopped_costs_no_descriptors(
    bluez: FakeBluez, machine: Machine, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(looking, "LOOK_LIMIT_S", 0.05)
    assert bluez._daemon is not None
    bluez._daemon.send_signal(signal.SIGSTOP)
    try:
        before = descriptors()
        for _ in range(4):
            with pytest.raises(Unavailable, match="did not answer"):
                await relay(machine, HALL).open()
        assert descriptors() == before
    finally:
        bluez._daemon.send_signal(signal.SIGCONT)


@pytest.mark.parametrize(
    "hangs", ["stairs", pytest.param("all", marks=pytest.mark.slow)]
)
def test_restore_by_bluetooth_tells_all_of_one_radio(
    hangs: str,
    bluez: FakeBluez,
    hall: FakePeer,
    stairs: FakePeer,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """BlueZ takes its time to let a device go: nobody waits for that but the next."""
    monkeypatch.setenv("TIDEGATE_LOCKS", str(tmp_path / "locks"))
    for peer in (hall, stairs):
        peer.characteristics[0].value = b"\x01"
    stairs.disconnect_hangs = 1
    hall.disconnect_hangs = 1 if hangs == "all" else 0
    settings = tmp_path / "tidegate.toml"
    settings.write_text(
        "".join(
            f'[station.{name}]\ngauge = {{ kind = "command", run = ["true"] }}\n'
            f'relay = {{ kind = "ble", address = "{address}" }}\n'
            "window = { low = 55, high = 65 }\n"
            for name, address in (("hall", HALL), ("stairs", STAIRS))
        )
        + f'[log]\npath = "{tmp_path / "log.db"}"\n'
    )
    code = main.run(["restore", "--config", str(settings)])
    said = capsys.readouterr()
    assert code == 0, said
    assert said.out.count("the relay confirms") == 2, said
    assert "did not close in time" not in said.err
    for peer in (hall, stairs):
        assert peer.characteristics[0].value == b"\x00"


@pytest.mark.slow
@pytest.mark.timeout(300)
async def test_calls_given_up_anywhere_leave_nothing_behind(
    bluez: FakeBluez,
    hall: FakePeer,
    stairs: FakePeer,
    machine: Machine,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(looking, "LOOK_LIMIT_S", 0.5)
    for place in ("radio", "peer"):
        monkeypatch.setattr(f"tidegate_backends.bluetooth.{place}.TIDY_S", 0.2)
    chance = random.Random(33)
    host = machine.host("guide", hint=lambda: None)
    devices = (
        relay(machine, HALL, "0.3s"),
        ble_battery.BleBatteryGauge(
            ble_battery.Settings(address=STAIRS, limit="0.3s"), host
        ),
    )
    before = descriptors()

    async def use(device: ble.BleRelay | ble_battery.BleBatteryGauge) -> None:
        await device.open()
        if isinstance(device, ble.BleRelay):
            await device.set(chance.choice(list(Supply)))
        else:
            await device.read()
        if chance.random() < 0.3:
            await device.close()

    for _ in range(200):
        for peer in (hall, stairs):
            peer.connects = chance.choice(["sound"] * 4 + ["hang", "unresolved"])
            for one in peer.characteristics:
                one.mood = chance.choice(["sound"] * 4 + ["hang", "in-progress"])
                one.reads = chance.choice(["sound"] * 4 + ["hang", "drop"])
        calls = {asyncio.ensure_future(use(device)) for device in devices}
        await asyncio.wait(calls, timeout=chance.random() * 0.08)
        for call in calls:
            if chance.random() < 0.7:
                call.cancel()
        if chance.random() < 0.1:
            await machine.links.poison("bluetooth:hci0")
        _, hanging = await asyncio.wait(calls, timeout=20)
        assert not hanging
        for call in calls:
            if not call.cancelled() and (error := call.exception()):
                assert isinstance(error, TidegateError), repr(error)
    for peer in (hall, stairs):
        peer.connects = "sound"
        for one in peer.characteristics:
            one.mood = one.reads = "sound"
    bluez.let_go()
    for device in devices:
        await device.close()
    hall.characteristics[0].taken.clear()
    async with relay(machine, HALL) as works:
        await works.set(Supply.ON)
        assert hall.characteristics[0].taken == [b"\xfc"], "something came late"
    await asyncio.to_thread(
        bluez.wait_until, lambda: not hall.connected, "the device is let go"
    )
    assert not machine.links._open
    if tasks := asyncio.all_tasks() - {asyncio.current_task()}:
        _, left = await asyncio.wait(tasks, timeout=20)
        assert not left
    assert descriptors() <= before


def test_boards_of_one_adapter_stand_in_one_line() -> None:
    """So `restore` tells those again whose turn did not come."""
    first, second, other = (
        from_tables(
            {
                "station": {
                    "hall": {
                        "gauge": {"kind": "command", "run": ["true"]},
                        "relay": {"kind": "ble", "address": address, **more},
                        "window": {"low": 55, "high": 65},
                    }
                }
            }
        ).stations["hall"]
        for address, more in ((HALL, {}), (STAIRS, {}), (STAIRS, {"adapter": "hci1"}))
    )
    stations = {"hall": first, "stairs": second, "tower": other}
    assert restore._sharing(stations) == [["hall", "stairs"]]
