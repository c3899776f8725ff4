"""The twin's gauge: reads the simulated device through the quirks of a gauge chip."""

from __future__ import annotations

from tidegate.contract import Backend, Gauge, GaugeFacts, Host
from tidegate.core.reading import Sample
from tidegate.errors import Unavailable
from tidegate.twin.bench import Bench, key, opener
from tidegate.twin.device import Device
from tidegate.twin.quirks import Chip
from tidegate.twin.tables import TwinGaugeSettings
from tidegate.twin.world import What

_GIVES = frozenset(
    {
        "soc_percent",
        "battery_status",
        "external_power",
        "present",
        "voltage_v",
        "current_a",
        "temperature_c",
        "charge_ah",
        "full_charge_ah",
        "health",
        "pack",
        "uptime_s",
    }
)


class TwinGauge(Gauge):
    """One twin's battery. Errors: Unavailable, for a dead device and for its events.

    The chip's memory (lag, last figures, noise) lasts as long as this object.
    """

    def __init__(self, settings: TwinGaugeSettings, host: Host) -> None:
        self._settings, self._host = settings, host
        self._key = key(settings.device or host.station)
        self._chip = Chip(settings.chip_quirks(), seed=settings.seed)
        self._bench: Bench | None = None
        quirks = settings.quirks
        gives = _GIVES | {"design_charge_ah"} if settings.design_ah else _GIVES
        self._facts = GaugeFacts(
            needs_supply=settings.needs_supply,
            host_is_device=settings.host_is_device,
            latency_s=quirks.refresh_s + quirks.lag_s,
            gives=gives,
        )

    @property
    def facts(self) -> GaugeFacts:
        return self._facts

    async def open(self) -> None:
        if self._bench is None:
            bench: Bench = await self._host.share(self._key, opener())
            boot_ms = self._host.boot_ms()
            bench.place(self._settings.build(), self._settings.world(boot_ms))
            self._bench = bench

    async def close(self) -> None:
        if self._bench is not None:
            self._bench = None
            await self._host.release(self._key)

    async def read(self) -> Sample:
        device = self._placed()
        device.advance_to(self._host.boot_ms())
        if What.GAUGE_UNREACHABLE in device.active:
            raise self._unavailable("the twin's gauge does not answer")
        if not device.alive:
            raise self._unavailable("the twin is dark: its battery is empty")
        if self._settings.needs_supply and (
            not device.external_power or device.fed_s < self._settings.reconnect_s
        ):
            raise self._unavailable("the twin cannot be read while its supply is off")
        return self._chip.sample(device)

    def _placed(self) -> Device:
        if self._bench is None or self._bench.device is None:
            raise self._unavailable("the gauge is not open")
        return self._bench.device

    def _unavailable(self, what: str) -> Unavailable:
        return Unavailable(
            what, target=self._key, remedy="The twin's events and load decide this"
        )


BACKEND: Backend[Gauge] = Backend(
    kind="twin", settings=TwinGaugeSettings, make=TwinGauge
)
