"""What is found by Bluetooth, and that finding it connects to nothing."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Iterator
from contextlib import aclosing
from pathlib import Path

import pytest

from support.bluez import (
    AUTOMATION_IO,
    BATTERY,
    BATTERY_LEVEL,
    BATTERY_LEVEL_STATUS,
    FakeBluez,
    FakeCharacteristic,
    FakePeer,
    digital,
    nothing_unhandled,
)
from support.host import TestHost
from tidegate.contract import Found
from tidegate.errors import Unavailable, Unsupported
from tidegate_backends.bluetooth import survey as module
from tidegate_backends.gauges import ble_battery
from tidegate_backends.relays import ble

pytestmark = pytest.mark.peer

HALL = "00:00:5E:00:53:20"
GUIDE = "00:00:5E:00:53:30"
PHONE = "00:00:5E:00:53:40"
STAIRS = "00:00:5E:00:53:50"
MODELS = {"ble": ble.Settings, "ble-battery": ble_battery.Settings}


@pytest.fixture(autouse=True)
async def _nothing_is_left_to_the_loop() -> AsyncIterator[None]:
    with nothing_unhandled():
        yield


@pytest.fixture
def bluez(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[FakeBluez]:
    # Many times what the fake needs to advertise.
    monkeypatch.setattr(module, "SCAN_S", 0.3)
    peers = (
        FakePeer(HALL, name="hall relay", characteristics=[digital(2), digital(1)]),
        FakePeer(
            GUIDE,
            name="whale guide",
            bonded=False,
            known=False,
            uuids=(BATTERY, AUTOMATION_IO),
            rssi=-80,
            characteristics=[
                FakeCharacteristic(BATTERY_LEVEL, b"\x3d", ("read",), BATTERY),
                FakeCharacteristic(BATTERY_LEVEL_STATUS, b"\0\1\0", ("read",), BATTERY),
            ],
        ),
        FakePeer(PHONE, name="a phone", bonded=False, known=False, uuids=()),
        FakePeer(STAIRS, name="stairs", advertises=False, uuids=(), battery_percent=40),
    )
    with FakeBluez(tmp_path, *peers).as_system_bus() as fake:
        yield fake


async def found(probe: str | None = None) -> list[Found]:
    assert ble.BACKEND.survey is not None
    async with asyncio.timeout(20):
        return [one async for one in ble.BACKEND.survey(TestHost(), probe)]


async def test_what_is_in_reach(bluez: FakeBluez) -> None:
    everything = await found()

    tables = [one.table for one in everything]
    assert sorted(
        (str(table["kind"]), str(table["address"])) for table in tables if table
    ) == [
        ("ble", HALL),
        ("ble", GUIDE),
        ("ble-battery", GUIDE),
        ("ble-battery", STAIRS),
    ]
    for table in tables:
        if table is not None:
            MODELS[str(table["kind"])].model_validate(dict(table))
    by_place = {one.where: one for one in everything}
    assert "hall relay, paired, -6" in by_place[HALL].what
    assert by_place[HALL].remedy == ""
    assert f"pair {GUIDE}" in by_place[GUIDE].remedy
    assert "not heard now" in by_place[STAIRS].what
    assert by_place[PHONE].table is None
    assert "names neither" in by_place[PHONE].why_not
    assert all(peer.connections == 0 for peer in bluez.peers)
    assert not any("Connect " in one for one in bluez.heard)
    await asyncio.to_thread(
        bluez.wait_until, lambda: bluez.scans == 0, "the scan was ended"
    )


async def test_it_can_be_given_up(bluez: FakeBluez) -> None:
    """The first find comes before the scan is over, and no scan is left behind."""
    assert ble.BACKEND.survey is not None
    async with aclosing(ble.BACKEND.survey(TestHost(), None)) as survey:  # type: ignore[type-var]
        async with asyncio.timeout(20):
            await anext(survey)
    await asyncio.to_thread(
        bluez.wait_until, lambda: bluez.scans == 0, "the scan was ended"
    )


async def test_only_what_is_probed_is_connected(bluez: FakeBluez) -> None:
    tables = [one.table for one in await found(HALL.lower())]

    assert tables == [
        {"kind": "ble", "address": HALL},
        {"kind": "ble", "signal": 1, "address": HALL},
        {"kind": "ble", "number": 2, "address": HALL},
    ]
    for table in tables:
        assert ble.Settings.model_validate(dict(table or {})).address == HALL
    assert [peer.connections for peer in bluez.peers] == [1, 0, 0, 0]


async def test_a_probe_of_a_battery_that_is_not_paired(bluez: FakeBluez) -> None:
    (battery,) = await found(GUIDE)

    assert battery.table == {"kind": "ble-battery", "address": GUIDE}
    assert "its source of power" in battery.what
    assert f"pair {GUIDE}" in battery.remedy


async def test_a_probe_of_something_else(bluez: FakeBluez) -> None:
    (phone,) = await found(PHONE)

    assert phone.table is None
    assert "neither" in phone.why_not


async def test_a_probe_of_another_kind_connects_to_nothing(
    bluez: FakeBluez, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "SCAN_S", 0.01)
    assert await found("/dev/ttyUSB0")
    assert all(peer.connections == 0 for peer in bluez.peers)


async def test_silence_is_told(
    bluez: FakeBluez, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A scan that hears nothing at all may be one that is none."""
    monkeypatch.setattr(module, "SCAN_S", 0.01)
    bluez.change(bluez.peers.clear)
    (silence,) = await found()
    assert silence.table is None
    assert "nothing was heard" in silence.why_not
    assert "power off" in silence.remedy


async def test_no_bluetoothd(bluez: FakeBluez) -> None:
    bluez.vanish()
    with pytest.raises(Unavailable, match="bluetoothd is not running"):
        await found()


async def test_no_bus(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path / 'none'}")
    with pytest.raises(Unsupported, match="no system D-Bus"):
        await found()
