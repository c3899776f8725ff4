"""Backends of a crowd of stations, of which some hang; found by entry points.

Both are fakes, because no two hundred devices can be had here and none of them would
hang on order. ``how`` says what a device does: ``fine`` answers, half of them from a
thread as a blocking library would; ``blocks`` takes its thread and never gives it
back; ``silent`` never answers on the event loop; ``shut`` never opens. A battery rises
and falls by a point a reading, so that every few seconds there is something to decide.
"""

from __future__ import annotations

import asyncio
import threading
import time
from pathlib import Path
from typing import Literal

from tidegate.contract import (
    Backend,
    Gauge,
    GaugeFacts,
    GaugeSettings,
    Host,
    Readback,
    Relay,
    RelayFacts,
    RelaySettings,
    Target,
    energised,
)
from tidegate.core.reading import BatteryStatus, ExternalPower, Sample, Supply
from tidegate.errors import Unavailable

How = Literal["fine", "blocks", "silent", "shut"]

# When the last sample of a station was there, before anybody was told of it.
ARRIVED_S: dict[str, float] = {}
FED: dict[str, bool] = {}
SOC: dict[str, float] = {}
# Ends the calls that block, once the bench is over.
OVER = threading.Event()


class GaugeOf(GaugeSettings):
    """One device of the crowd."""

    kind: Literal["crowd"] = "crowd"
    how: How = "fine"
    soc: float = 60.0
    thread: bool = False


class RelayOf(RelaySettings):
    """Its supply."""

    kind: Literal["crowd"] = "crowd"
    how: How = "fine"
    name: str
    thread: bool = False

    def target(self) -> Target:
        return Target(f"crowd:{self.name}")


class FakeGauge(Gauge):
    """Errors: Unavailable."""

    def __init__(self, settings: GaugeOf, host: Host) -> None:
        self._settings = settings
        self._host = host
        self._is_open = False

    @property
    def facts(self) -> GaugeFacts:
        return GaugeFacts(needs_supply=False, host_is_device=False, latency_s=0.0)

    async def open(self) -> None:
        if self._settings.how == "shut":
            await asyncio.Event().wait()
        self._is_open = True

    async def close(self) -> None:
        self._is_open = False

    async def read(self) -> Sample:
        if not self._is_open:
            raise Unavailable("not open", target="crowd", remedy="Open it")
        if self._settings.how == "silent":
            await asyncio.Event().wait()
        if self._settings.thread or self._settings.how == "blocks":
            worker = self._host.worker(f"crowd gauge {self._host.station}")
            return await worker.call(self._take)
        return self._take()

    def _take(self) -> Sample:
        if self._settings.how == "blocks":
            OVER.wait()
        name = self._host.station
        fed = FED.get(name, True)
        soc = SOC.get(name, self._settings.soc) + (1.0 if fed else -1.0)
        SOC[name] = min(100.0, max(0.0, soc))
        sample = Sample(
            soc_percent=SOC[name],
            battery_status=BatteryStatus.CHARGING if fed else BatteryStatus.DISCHARGING,
            external_power=ExternalPower.YES if fed else ExternalPower.NO,
            voltage_v=3.5 + SOC[name] / 100,
            temperature_c=25.0,
        )
        ARRIVED_S[name] = time.perf_counter()
        return sample


class FakeRelay(Relay):
    """Errors: Unavailable."""

    def __init__(self, settings: RelayOf, host: Host) -> None:
        self._settings = settings
        self._host = host
        self._is_open = False

    @property
    def facts(self) -> RelayFacts:
        return RelayFacts(
            readback=Readback.LATCH, reopen_disturbs=False, latency_s=0.0, fails_on=True
        )

    async def open(self) -> None:
        if self._settings.how == "shut":
            await asyncio.Event().wait()
        self._is_open = True

    async def close(self) -> None:
        self._is_open = False

    async def set(self, supply: Supply) -> None:
        await self._call(self._drive, supply)

    async def get(self) -> Supply | None:
        return await self._call(self._look, Supply.ON)

    async def _call(self, function: object, supply: Supply) -> Supply:
        if not self._is_open:
            raise Unavailable("not open", target="crowd", remedy="Open it")
        if self._settings.how == "silent":
            await asyncio.Event().wait()
        assert callable(function)
        if self._settings.thread or self._settings.how == "blocks":
            worker = self._host.worker(f"crowd relay {self._settings.name}")
            told: Supply = await worker.call(function, supply)
            return told
        result: Supply = function(supply)
        return result

    def _drive(self, supply: Supply) -> Supply:
        if self._settings.how == "blocks":
            OVER.wait()
        FED[self._settings.name] = not energised(supply, "normally-closed")
        return supply

    def _look(self, _: Supply) -> Supply:
        if self._settings.how == "blocks":
            OVER.wait()
        return Supply.ON if FED.get(self._settings.name, True) else Supply.OFF


GAUGE = Backend(kind="crowd", settings=GaugeOf, make=FakeGauge)
RELAY = Backend(kind="crowd", settings=RelayOf, make=FakeRelay)


def installed(folder: Path) -> Path:
    """Write the metadata of a distribution with both; return what goes on the path."""
    info = folder / "crowd-1.dist-info"
    info.mkdir(parents=True)
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: crowd\nVersion: 1\n")
    (info / "entry_points.txt").write_text(
        "[tidegate.gauges]\ncrowd = support.crowd:GAUGE\n"
        "[tidegate.relays]\ncrowd = support.crowd:RELAY\n"
    )
    return folder


def forget() -> None:
    """Let the next crowd begin anew."""
    OVER.clear()
    for table in (ARRIVED_S, FED, SOC):
        table.clear()
