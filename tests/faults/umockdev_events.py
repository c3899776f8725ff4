"""Fault 46 with real events of a mock kernel; runs under ``umockdev-wrapper``."""

from __future__ import annotations

import asyncio
import os
from pathlib import Path

from support.host import TestHost
from support.umockdev_testbed import Testbed
from tidegate_backends.gauges.sysfs import SysfsGauge, SysfsSettings
from tidegate_backends.linux import udev

BATTERY = {"status": "Charging", "capacity": 61, "voltage_now": 3_900_000}


def a_burst(folder: Path) -> None:
    """A hundred events, drained as they come."""
    del folder
    asyncio.run(_burst())


async def _burst() -> None:
    host = TestHost(now_ms=100_000)
    with Testbed() as bed:
        battery = bed.add("BAT0", "Battery", **BATTERY)
        async with SysfsGauge(SysfsSettings(), host) as gauge:
            for _ in range(20):
                for _ in range(5):  # more, undrained, and umockdev may abort
                    bed.uevent(battery)
                host.poke()
            assert host.hints == 1, f"{host.hints} hints for one burst"
            assert gauge.events_lost == 0
            host.now_ms = 100_000 + udev.HINT_EVERY_MS
            bed.uevent(battery)
            host.poke()
            assert host.hints == 2, "a later event is a hint again"


def an_overflow(folder: Path) -> None:
    """A queue in an error state, as the kernel leaves it after an overflow."""
    del folder
    asyncio.run(_overflow())


async def _overflow() -> None:
    host = TestHost(now_ms=100_000)
    with Testbed() as bed:
        battery = bed.add("BAT0", "Battery", **BATTERY)
        async with SysfsGauge(SysfsSettings(), host) as gauge:
            host.now_ms += 60_000
            # A descriptor with POLLERR in the place of udev's socket.
            (fileno,) = host.attached
            reader, writer = os.pipe()
            os.close(reader)
            os.dup2(writer, fileno)
            os.close(writer)
            try:
                host.poke()
            except OSError as error:
                raise AssertionError("an overflow was not survived") from error
            assert (gauge.events_lost, host.hints) == (1, 1), "not counted, not read"
            assert any("events were lost" in note for note in gauge.take_notes())
            host.now_ms += udev.HINT_EVERY_MS
            bed.uevent(battery)
            await host.hinted(count=2)
            assert (await gauge.read()).soc_percent == 61.0
