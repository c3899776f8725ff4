"""Scenarios with real udev events; `test_sysfs_events.py` runs them under the wrapper.

The file's name keeps it out of an ordinary run, where there is no mock /sys.
"""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest

from support.host import TestHost
from support.umockdev_testbed import Testbed
from tidegate.core.reading import BatteryStatus, ExternalPower
from tidegate.errors import Unavailable
from tidegate_backends.gauges.sysfs import SysfsGauge, SysfsSettings
from tidegate_backends.linux import udev

BATTERY = {"status": "Charging", "capacity": 61, "voltage_now": 3900000}


@pytest.fixture
def bed() -> Iterator[Testbed]:
    with Testbed() as bed:
        yield bed


async def test_a_battery_and_its_supply_are_read(bed: Testbed) -> None:
    bed.add("BAT0", "Battery", **BATTERY)
    bed.add("AC", "Mains", online=1)
    async with SysfsGauge(SysfsSettings(), TestHost()) as gauge:
        sample = await gauge.read()
    assert sample.soc_percent == 61.0
    assert sample.battery_status is BatteryStatus.CHARGING
    assert sample.external_power is ExternalPower.YES


async def test_a_battery_that_appears_wakes_early(bed: Testbed) -> None:
    host = TestHost()
    bed.add("AC", "Mains", online=1)
    async with SysfsGauge(SysfsSettings(), host) as gauge:
        with pytest.raises(Unavailable, match="no system battery found"):
            await gauge.read()
        battery = bed.add("BAT0", "Battery", **BATTERY)
        bed.uevent(battery, "add")
        await host.hinted()
        assert (await gauge.read()).soc_percent == 61.0


async def test_a_change_wakes_early_and_is_then_read(bed: Testbed) -> None:
    host = TestHost()
    battery = bed.add("BAT0", "Battery", **BATTERY)
    async with SysfsGauge(SysfsSettings(), host) as gauge:
        assert (await gauge.read()).soc_percent == 61.0
        bed.set(battery, capacity=64)
        bed.uevent(battery)
        await host.hinted()
        assert (await gauge.read()).soc_percent == 64.0


async def test_a_change_without_an_event_is_seen_by_the_next_poll(bed: Testbed) -> None:
    host = TestHost()
    battery = bed.add("BAT0", "Battery", **BATTERY)
    async with SysfsGauge(SysfsSettings(), host) as gauge:
        bed.set(battery, capacity=64)
        assert (await gauge.read()).soc_percent == 64.0
    assert host.hints == 0


async def test_a_peripherals_events_do_not_wake(bed: Testbed) -> None:
    host = TestHost()
    battery = bed.add("BAT0", "Battery", **BATTERY)
    mouse = bed.add("hidpp_battery_0", "Battery", capacity=20, scope="Device")
    async with SysfsGauge(SysfsSettings(), host) as gauge:
        bed.uevent(mouse)
        host.poke()
        assert host.hints == 0
        bed.uevent(battery)
        await host.hinted()
        assert "hidpp_battery_0" not in (await gauge.read()).raw
    assert host.hints == 1


async def test_a_burst_is_drained_at_once_and_gives_one_hint_a_second(
    bed: Testbed,
) -> None:
    host = TestHost(now_ms=100_000)
    battery = bed.add("BAT0", "Battery", **BATTERY)
    async with SysfsGauge(SysfsSettings(), host) as gauge:
        for _ in range(20):
            for _ in range(5):  # more, undrained, and umockdev may abort
                bed.uevent(battery)
            host.poke()
        assert host.hints == 1
        host.now_ms = 100_000 + udev.HINT_EVERY_MS - 1
        bed.uevent(battery)
        host.poke()
        assert host.hints == 1
        host.now_ms += 1
        bed.uevent(battery)
        host.poke()
        assert host.hints == 2
        assert gauge.events_lost == 0


def _break_queue(host: TestHost) -> None:
    """Put a descriptor in an error state (POLLERR) where udev's socket was."""
    (fileno,) = host.attached
    reader, writer = os.pipe()
    os.close(reader)
    os.dup2(writer, fileno)
    os.close(writer)


async def test_an_overflow_makes_a_new_queue_and_reads_everything_again(
    bed: Testbed,
) -> None:
    host = TestHost(now_ms=100_000)
    battery = bed.add("BAT0", "Battery", **BATTERY)
    async with SysfsGauge(SysfsSettings(), host) as gauge:
        host.now_ms += 60_000
        _break_queue(host)
        host.poke()
        assert (gauge.events_lost, host.hints) == (1, 1)
        assert any("events were lost" in note for note in gauge.take_notes())
        host.now_ms += udev.HINT_EVERY_MS
        bed.uevent(battery)
        await host.hinted(count=2)
        assert (await gauge.read()).soc_percent == 61.0


async def test_a_queue_that_breaks_again_at_once_waits_for_the_next_read(
    bed: Testbed,
) -> None:
    host = TestHost(now_ms=100_000)
    battery = bed.add("BAT0", "Battery", **BATTERY)
    async with SysfsGauge(SysfsSettings(), host) as gauge:
        _break_queue(host)
        host.poke()
        assert host.attached == {}
        await gauge.read()
        bed.uevent(battery)
        host.now_ms += udev.HINT_EVERY_MS
        host.poke()
        assert host.hints == 2
    assert host.attached == {}


async def test_a_battery_that_vanishes_and_returns(bed: Testbed) -> None:
    host = TestHost()
    battery = bed.add("BAT0", "Battery", **BATTERY)
    async with SysfsGauge(SysfsSettings(), host) as gauge:
        assert (await gauge.read()).soc_percent == 61.0
        bed.remove(battery)
        await host.hinted()
        with pytest.raises(Unavailable, match="power_supply"):
            await gauge.read()
        bed.uevent(bed.add("BAT0", "Battery", **BATTERY | {"capacity": 58}), "add")
        assert (await gauge.read()).soc_percent == 58.0


async def test_the_mains_going_off_is_an_event_and_a_fact(bed: Testbed) -> None:
    host = TestHost()
    bed.add("BAT0", "Battery", **BATTERY)
    mains = bed.add("AC", "Mains", online=1)
    async with SysfsGauge(SysfsSettings(), host) as gauge:
        bed.set(mains, online=0)
        bed.uevent(mains)
        await host.hinted()
        assert (await gauge.read()).external_power is ExternalPower.NO
