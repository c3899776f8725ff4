"""The battery of a device on Bluetooth LE, by its Battery service.

Besides the level, a device of version 1.1 of the service tells whether a source of
power is connected and what the battery does; an older one gives the level alone. Where
BlueZ keeps the service to itself (always before 5.80, later as it is set up), its own
``org.bluez.Battery1`` stands in with the level.

A device that is connected for another purpose is read over that connection and left as
it was; any other is connected for the read and let go.

Source: Bluetooth SIG, Battery Service 1.1, as in ``wire/battery_service.py``; BlueZ
doc/org.bluez.Battery.rst and the option ExportClaimedServices of its main.conf.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Annotated, Final, Literal

from pydantic import Field

from tidegate.contract import Backend, Gauge, GaugeFacts, GaugeSettings, Host
from tidegate.core.reading import BatteryStatus, ExternalPower, Sample
from tidegate.errors import BackendError, Malformed, Unavailable, Unsupported
from tidegate_backends.bluetooth import bluez
from tidegate_backends.bluetooth.naming import AdapterName, Address
from tidegate_backends.bluetooth.peer import connected, drop, located
from tidegate_backends.bluetooth.radio import Access, Call
from tidegate_backends.notes import Notes
from tidegate_backends.seconds import Seconds
from tidegate_backends.wire import battery_service
from tidegate_backends.wire.battery_service import (
    LEVEL,
    LEVEL_STATUS,
    BadValue,
    ChargeState,
    LevelStatus,
)

# How long a device takes to notice its supply, and to say so: engineering choice, no
# source.
LATENCY_S: Final = 10.0
# Of a call's time, what a connection that BlueZ only believes in may use up.
_STALE_SHARE: Final = 0.5
# What BlueZ may take to read a level itself, and how often that is looked at. Our own
# choice.
_BLUEZ_READS_WITHIN_S: Final = 2.0
_LOOKS_EVERY_S: Final = 0.2

_GIVES: Final = frozenset(
    {"soc_percent", "battery_status", "external_power", "present", "health"}
)
_STATUSES: Final = {
    ChargeState.UNKNOWN: BatteryStatus.UNKNOWN,
    ChargeState.CHARGING: BatteryStatus.CHARGING,
    ChargeState.DISCHARGING: BatteryStatus.DISCHARGING,
    ChargeState.INACTIVE: BatteryStatus.NOT_CHARGING,
}
_POWER: Final = {
    True: ExternalPower.YES,
    False: ExternalPower.NO,
    None: ExternalPower.UNKNOWN,
}


class Settings(GaugeSettings):
    """A device's Battery service."""

    kind: Literal["ble-battery"] = "ble-battery"
    address: Address = Field(description="the device's Bluetooth address")
    adapter: AdapterName | None = Field(
        default=None, description="such as hci0; the first that is on if left out"
    )
    bonded: bool = Field(
        default=True, description="only believe a device that is paired for good"
    )
    needs_supply: bool = Field(
        default=False, description="the device's radio is dark while its supply is off"
    )
    limit: Annotated[Seconds, Field(gt=0, le=30)] = Field(
        default=8.0, description="how long one read may take, connecting included"
    )


@dataclass(frozen=True, slots=True)
class _Said:
    """The octets of one read; ``plugin_percent`` is what BlueZ itself says."""

    level: bytes | None
    status: bytes | None
    plugin_percent: int | None
    took_s: float


class BleBatteryGauge(Gauge):
    """One device. Errors: Unavailable, Refused, Malformed, Unsupported."""

    def __init__(self, settings: Settings, host: Host) -> None:
        self._settings = settings
        self._host = host
        self._access = Access(
            host,
            adapter=settings.adapter,
            address=settings.address,
            limit_s=settings.limit,
        )
        self._notes = Notes()
        if not settings.bonded:
            self._notes.add(
                "bonded = false: another device could take this one's place and say "
                "what it likes. Pair it and leave `bonded` out."
            )

    @property
    def facts(self) -> GaugeFacts:
        return GaugeFacts(
            needs_supply=self._settings.needs_supply,
            host_is_device=False,
            latency_s=LATENCY_S,
            answers_within_s=self._access.answers_within_s,
            gives=_GIVES,
        )

    def take_notes(self) -> list[str]:
        return self._notes.take()

    async def open(self) -> None:
        await self._access.open(bonded=self._settings.bonded)

    async def close(self) -> None:
        await self._access.close()

    async def read(self) -> Sample:
        said = await self._access.carry(self._asked)
        try:
            return self._sample(said)
        except BadValue as error:
            raise Malformed(
                str(error),
                target=self._access.target,
                remedy="Its firmware breaks the Battery service: update it, or choose "
                "another gauge.",
            ) from error

    async def _asked(self, call: Call[_Said]) -> None:
        _, device = await located(self._access, bonded=self._settings.bonded)
        if device is not None and device.connected and device.characteristics:
            call.answer(await self._overheard(device, call))
            return
        async with connected(self._access, call, bonded=self._settings.bonded) as peer:
            level = peer.characteristics(LEVEL)
            status = peer.characteristics(LEVEL_STATUS)
            if len(level) > 1:
                self._notes.add(
                    f"the device has {len(level)} batteries; the first is read"
                )
            call.answer(
                await self._taken(
                    level[0].read if level else None,
                    status[0].read if status else None,
                )
            )

    async def _overheard(self, device: bluez.Device, call: Call[_Said]) -> _Said:
        """Read over the connection that somebody else holds.

        One that does not answer is a device that went without BlueZ noticing: ended.
        """
        call.doing = "read over the connection that is there"
        # Of several the first in the order of handles.
        paths = dict(reversed(device.characteristics))
        try:
            async with (
                asyncio.timeout(self._settings.limit * _STALE_SHARE),
                bluez.system_bus(
                    target=self._access.target, address=self._access.address
                ) as bus,
            ):

                def reader(uuid: str) -> Callable[[], Awaitable[bytes]] | None:
                    path = paths.get(uuid)
                    return None if path is None else lambda: bus.read(path)

                return await self._taken(reader(LEVEL), reader(LEVEL_STATUS))
        except TimeoutError as error:
            await drop(self._access, device)
            raise Unavailable(
                "the device is connected and does not answer; its connection was ended",
                target=self._access.target,
                remedy="It is connected anew for the next read.",
            ) from error

    async def _taken(
        self,
        level: Callable[[], Awaitable[bytes]] | None,
        status: Callable[[], Awaitable[bytes]] | None,
    ) -> _Said:
        """Take the values. Connecting is no part of how old they are."""
        began_ms = self._host.boot_ms()
        level_said = await level() if level is not None else None
        status_said = await status() if status is not None else None
        plugin_percent = None
        if level_said is None and status_said is None:
            plugin_percent = await self._said_by_bluez()
        took_s = (self._host.boot_ms() - began_ms) / 1_000
        return _Said(level_said, status_said, plugin_percent, took_s)

    async def _said_by_bluez(self) -> int | None:
        """Return the level that BlueZ shows for the service that it keeps to itself.

        It reads that after a connection is made, and shows it when it has it.
        """
        end_s = asyncio.get_running_loop().time() + _BLUEZ_READS_WITHIN_S
        while True:
            _, device = await located(self._access, bonded=self._settings.bonded)
            if device is None or battery_service.SERVICE not in device.services:
                return None
            is_over = asyncio.get_running_loop().time() >= end_s
            if device.battery_percent is not None or is_over:
                return device.battery_percent
            await asyncio.sleep(_LOOKS_EVERY_S)

    def _sample(self, said: _Said) -> Sample:
        """Return what the octets mean. Errors: BadValue, Unsupported."""
        status = None
        if said.status is not None:
            status = battery_service.level_status(said.status)
        percent = said.plugin_percent
        if said.level is not None:
            percent = battery_service.level_percent(said.level)
        elif status is not None and status.level_percent is not None:
            percent = status.level_percent
        if percent is None and status is None:
            raise self._has_none()
        raw = _raw(said)
        if status is None:
            return Sample(soc_percent=percent, took_s=said.took_s, raw=raw)
        return _with_status(status, percent, said.took_s, raw)

    def _has_none(self) -> BackendError:
        return Unsupported(
            "the device says nothing about a battery",
            target=self._access.target,
            remedy="It has no Battery service, or BlueZ keeps it to itself: set "
            "ExportClaimedServices = read-only in /etc/bluetooth/main.conf (BlueZ 5.80 "
            "or later). Else choose another gauge.",
        )


def _with_status(
    status: LevelStatus, percent: int | None, took_s: float, raw: str
) -> Sample:
    return Sample(
        soc_percent=percent,
        battery_status=_STATUSES[status.charge_state],
        external_power=_POWER[status.powered],
        present=status.present,
        health=", ".join(status.complaints) or None,
        took_s=took_s,
        raw=raw,
    )


def _raw(said: _Said) -> str:
    parts = [
        f"0x2A19 {said.level.hex(' ').upper()}" if said.level is not None else "",
        f"0x2BED {said.status.hex(' ').upper()}" if said.status is not None else "",
        f"Battery1 {said.plugin_percent}" if said.plugin_percent is not None else "",
    ]
    return "; ".join(part for part in parts if part)


BACKEND = Backend(kind="ble-battery", settings=Settings, make=BleBatteryGauge)
