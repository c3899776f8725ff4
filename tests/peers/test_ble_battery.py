"""``ble-battery`` over real bleak and a real D-Bus, against a fake bluetoothd."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import pytest

from support.bluez import (
    BATTERY,
    BATTERY_LEVEL,
    BATTERY_LEVEL_STATUS,
    FakeBluez,
    FakeCharacteristic,
    FakePeer,
    nothing_unhandled,
)
from support.host import TestHost
from tidegate.core.plausibility import judge
from tidegate.core.reading import BatteryStatus, ExternalPower, Sample, WhyNot
from tidegate.errors import BackendError, Malformed, Refused, Unavailable, Unsupported
from tidegate_backends.gauges import ble_battery as module
from tidegate_backends.gauges.ble_battery import BleBatteryGauge, Settings

pytestmark = pytest.mark.peer

ADDRESS = "00:00:5E:00:53:30"
SHORT = "0.25s"


def value(uuid: int, octets: str) -> FakeCharacteristic:
    return FakeCharacteristic(uuid, bytes.fromhex(octets), ("read",), BATTERY)


@pytest.fixture(autouse=True)
async def _nothing_is_left_to_the_loop() -> AsyncIterator[None]:
    with nothing_unhandled():
        yield


@pytest.fixture
def guide() -> FakePeer:
    """A wall guide that tells all there is to tell: wired, charging, 61 %."""
    return FakePeer(
        ADDRESS,
        name="whale guide",
        uuids=(BATTERY,),
        characteristics=[
            value(BATTERY_LEVEL, "3D"),
            value(BATTERY_LEVEL_STATUS, "02 A3 02 3D"),
        ],
    )


@pytest.fixture
def bluez(tmp_path: Path, guide: FakePeer) -> Iterator[FakeBluez]:
    with FakeBluez(tmp_path, guide).as_system_bus() as fake:
        yield fake


def made(**settings: Any) -> BleBatteryGauge:
    table = {"address": ADDRESS, **settings}
    return BleBatteryGauge(Settings.model_validate(table), TestHost())


async def read(**settings: Any) -> Sample:
    async with made(**settings) as gauge:
        return await gauge.read()


async def test_level_and_status(bluez: FakeBluez, guide: FakePeer) -> None:
    sample = await read()

    assert sample.soc_percent == 61
    assert sample.external_power is ExternalPower.YES
    assert sample.battery_status is BatteryStatus.CHARGING
    assert sample.present
    assert sample.health is None
    assert sample.raw == "0x2A19 3D; 0x2BED 02 A3 02 3D"
    await asyncio.to_thread(
        bluez.wait_until, lambda: not guide.connected, "the device is let go"
    )
    assert guide.connections == 1


@pytest.mark.parametrize(
    ("status", "power", "battery", "present", "health"),
    [
        # Power state in bits, most significant first, in the comment.
        ("00 C1 00", "no", "discharging", True, None),  # 0 11000001: active
        ("00 E1 00", "no", "not_charging", True, None),  # 0 11100001: inactive
        ("00 05 00", "unknown", "unknown", True, None),  # wired unknown, wireless no
        ("00 28 00", "yes", "charging", False, None),  # wireless, no battery
        ("00 03 10", "yes", "unknown", True, "battery fault"),
        ("04 03 00 01", "yes", "unknown", True, "service required"),
    ],
)
async def test_status(
    bluez: FakeBluez,
    guide: FakePeer,
    status: str,
    power: str,
    battery: str,
    present: bool,
    health: str | None,
) -> None:
    guide.characteristics[1].value = bytes.fromhex(status)

    sample = await read()

    assert sample.external_power == power
    assert sample.battery_status == battery
    assert sample.present is present
    assert sample.health == health


async def test_level_alone(bluez: FakeBluez, guide: FakePeer) -> None:
    """An older device: external power is unknown, never guessed."""
    del guide.characteristics[1]

    sample = await read()

    assert sample.soc_percent == 61
    assert sample.external_power is ExternalPower.UNKNOWN
    assert sample.battery_status is BatteryStatus.UNKNOWN


async def test_the_level_may_be_in_the_status(
    bluez: FakeBluez, guide: FakePeer
) -> None:
    del guide.characteristics[0]

    assert (await read()).soc_percent == 61


async def test_bluez_keeps_the_service_to_itself(
    bluez: FakeBluez, guide: FakePeer
) -> None:
    """Always so before BlueZ 5.80: its own interface stands in."""
    guide.characteristics.clear()
    bluez.change(lambda: vars(guide).update(battery_percent=58))

    sample = await read()

    assert sample.soc_percent == 58
    assert sample.raw == "Battery1 58"


async def test_bluez_shows_the_level_some_time_after_connecting(
    bluez: FakeBluez, guide: FakePeer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "_BLUEZ_READS_WITHIN_S", 20.0)
    monkeypatch.setattr(module, "_LOOKS_EVERY_S", 0.01)
    guide.characteristics.clear()
    reading = asyncio.ensure_future(read(limit="20s"))
    await asyncio.to_thread(
        bluez.wait_until, lambda: guide.connected, "the device is connected"
    )
    bluez.heard.clear()
    await asyncio.to_thread(
        bluez.wait_until,
        lambda: sum("GetManagedObjects" in one for one in bluez.heard) > 4,
        "it is looked at again",
    )
    assert not reading.done()
    bluez.change(lambda: vars(guide).update(battery_percent=58))

    assert (await reading).soc_percent == 58


async def test_bluez_never_shows_the_level(
    bluez: FakeBluez, guide: FakePeer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "_BLUEZ_READS_WITHIN_S", 0.01)
    guide.characteristics.clear()
    with pytest.raises(Unsupported, match="nothing about a battery"):
        await read()


async def test_a_status_without_octets_is_not_passed_over(
    bluez: FakeBluez, guide: FakePeer
) -> None:
    guide.characteristics[1].value = b""
    with pytest.raises(Malformed, match="3 octets or more: nothing"):
        await read()


async def test_the_devices_own_word_comes_first(
    bluez: FakeBluez, guide: FakePeer
) -> None:
    bluez.change(lambda: vars(guide).update(battery_percent=58))

    assert (await read()).soc_percent == 61


async def test_the_first_of_several_batteries(
    bluez: FakeBluez, guide: FakePeer
) -> None:
    guide.characteristics.append(value(BATTERY_LEVEL, "0A"))
    async with made() as gauge:
        assert (await gauge.read()).soc_percent == 61
        (note,) = gauge.take_notes()
        assert "has 2 batteries" in note
        await gauge.read()
        assert gauge.take_notes() == []


async def test_a_reserved_level_is_kept_as_evidence_and_rejected(
    bluez: FakeBluez, guide: FakePeer
) -> None:
    guide.characteristics[0].value = b"\xff"

    reading = judge(await read(), at_ms=0, wall_ms=0)

    assert reading.why_not is WhyNot.OUT_OF_RANGE


@pytest.mark.parametrize(
    ("change", "error", "says"),
    [
        (lambda one: vars(one).update(value=b""), Malformed, "one octet"),
        (lambda one: vars(one).update(reads="att"), Refused, "ATT error 0x80"),
        (lambda one: vars(one).update(reads="not-paired"), Refused, "wants a bond"),
        (lambda one: vars(one).update(reads="drop"), Unavailable, "could not read"),
        (lambda one: vars(one).update(flags=("notify",)), Refused, "Read Not Perm"),
    ],
)
async def test_it_does_not_tell(
    bluez: FakeBluez,
    guide: FakePeer,
    change: Any,
    error: type[BackendError],
    says: str,
) -> None:
    change(guide.characteristics[0])
    with pytest.raises(error, match=says) as caught:
        await read()
    assert caught.value.remedy


async def test_nothing_about_a_battery(bluez: FakeBluez, guide: FakePeer) -> None:
    guide.characteristics[:] = [FakeCharacteristic(0x2A56)]
    bluez.change(lambda: vars(guide).update(uuids=(0x1815,)))
    with pytest.raises(Unsupported, match="nothing about a battery") as caught:
        await read()
    assert "ExportClaimedServices" in caught.value.remedy


@pytest.mark.parametrize("hangs", ["connect", "read", "in-progress"])
async def test_a_read_without_an_end_ends(
    bluez: FakeBluez, guide: FakePeer, hangs: str
) -> None:
    if hangs == "connect":
        guide.connects = "hang"
    else:
        guide.characteristics[0].reads = {"read": "hang"}.get(hangs, hangs)
    async with asyncio.timeout(20):
        with pytest.raises(Unavailable, match=r"within 0\.25 s"):
            await read(limit=SHORT)
    guide.connects = guide.characteristics[0].reads = "sound"
    assert (await read()).soc_percent == 61


# ---- a device that is connected for another purpose


async def test_a_connection_of_somebody_else_is_used_and_left(
    bluez: FakeBluez, guide: FakePeer
) -> None:
    bluez.change(lambda: vars(guide).update(connected=True))

    sample = await read()

    assert sample.soc_percent == 61
    assert sample.external_power is ExternalPower.YES
    assert guide.connected
    assert (guide.connections, guide.disconnections) == (0, 0)


async def test_a_connection_that_is_none_is_ended(
    bluez: FakeBluez, guide: FakePeer
) -> None:
    """The device lost power and BlueZ did not notice."""
    bluez.change(lambda: vars(guide).update(connected=True, stale=True))
    async with made(limit="1s") as gauge:
        with pytest.raises(Unavailable, match="its connection was ended"):
            await gauge.read()
    assert not guide.connected
    assert (await read()).soc_percent == 61
    assert guide.connections == 1


# ---- settings and facts


async def test_a_bond_is_wanted(bluez: FakeBluez, guide: FakePeer) -> None:
    bluez.change(lambda: vars(guide).update(bonded=False))
    with pytest.raises(Refused, match="not paired"):
        await read()
    async with made(bonded=False) as gauge:
        assert (await gauge.read()).soc_percent == 61
        (note,) = gauge.take_notes()
        assert "take this one's place" in note


def test_facts() -> None:
    facts = made().facts
    assert not facts.host_is_device
    assert not facts.needs_supply
    assert made(needs_supply=True).facts.needs_supply
    # Its turn, then the read itself.
    assert facts.answers_within_s > 2 * 8
