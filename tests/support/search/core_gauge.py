"""Core and twin: the gauge, an honest chip unless incidents of the world tamper."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import exp
from random import Random
from typing import Final

from support.search.core_site import CoreSite
from support.search.plan import Incident
from tidegate.core.reading import BatteryStatus, ExternalPower, Sample, WhyNot
from tidegate.twin.device import Device
from tidegate.twin.quirks import Chip

# What a gauge says meanwhile; ``None`` is: nothing.
Tampering = Callable[[Sample, int], Sample | None]


class CoreGauge:
    """The gauge of one device; times are those of the device's own clock."""

    def __init__(self, site: CoreSite, device: Device) -> None:
        self.tampering: dict[int, Tampering] = {}
        self.packs = 1
        self._site, self._device = site, device
        self._chip = Chip(site.quirks, seed=site.seed)

    def new_pack(self) -> None:
        """Let another pack sit there, with a chip that knows nothing of the old."""
        self.packs += 1
        self._chip = Chip(self._site.quirks, seed=self._site.seed + self.packs)

    def sample(self) -> Sample | None:
        """Return what it says now, ``None`` if nothing."""
        device, site = self._device, self._site
        if not device.alive:
            return None
        if site.policy.gauge_needs_supply and (
            not device.external_power or device.fed_s < site.reconnect_s
        ):
            return None
        sample: Sample | None = self._chip.sample(device)
        if self.packs > 1:
            assert sample is not None
            sample = replace(sample, pack=f"twin {self.packs}")
        for tampering in self.tampering.values():
            if sample is not None:
                sample = tampering(sample, device.at_ms)
        return sample


def _lost(_: Random) -> Tampering:
    return lambda sample, at_ms: None


def _flaky(dice: Random) -> Tampering:
    share = dice.uniform(0.2, 0.8)
    return lambda sample, at_ms: None if dice.random() < share else sample


def _frozen(_: Random) -> Tampering:
    held: list[Sample] = []

    def freeze(sample: Sample, at_ms: int) -> Sample:
        held.append(sample)
        del held[1:]
        return held[0]

    return freeze


def _level_frozen(_: Random) -> Tampering:
    held: list[float | None] = []

    def freeze(sample: Sample, at_ms: int) -> Sample:
        held.append(sample.soc_percent)
        del held[1:]
        return replace(sample, soc_percent=held[0])

    return freeze


def _jumping(dice: Random) -> Tampering:
    share = dice.uniform(0.1, 0.6)

    def leap(sample: Sample, at_ms: int) -> Sample:
        if sample.soc_percent is None or dice.random() >= share:
            return sample
        leapt = sample.soc_percent + dice.choice((-1, 1)) * dice.uniform(6.0, 50.0)
        return replace(sample, soc_percent=min(100.0, max(0.0, leapt)))

    return leap


def _lagging(dice: Random) -> Tampering:
    lag_ms = dice.uniform(120, 900) * 1000
    held: list[tuple[int, float]] = []

    def lag(sample: Sample, at_ms: int) -> Sample:
        percent = sample.soc_percent
        if percent is None:
            return sample
        if held:
            since_ms, behind = held[-1]
            share = exp(-(at_ms - since_ms) / lag_ms)
            percent += (behind - percent) * share
        held[:] = [(at_ms, percent)]
        return replace(sample, soc_percent=percent)

    return lag


def _off(dice: Random, least: float, most: float) -> Tampering:
    by_percent = dice.uniform(least, most)

    def shift(sample: Sample, at_ms: int) -> Sample:
        if sample.soc_percent is None:
            return sample
        shifted = min(100.0, max(0.0, sample.soc_percent + by_percent))
        return replace(sample, soc_percent=shifted)

    return shift


def _says(**claims: object) -> Tampering:
    return lambda sample, at_ms: replace(sample, **claims)  # type: ignore[arg-type]


def _one_of(name: str, *claims: object) -> Callable[[Random], Tampering]:
    return lambda dice: _says(**{name: dice.choice(claims)})


TAMPERINGS: Final[dict[str, Callable[[Random], Tampering]]] = {
    "gauge lost": _lost,
    "gauge raises what nobody foresaw": _lost,
    "gauge flaky": _flaky,
    "gauge frozen": _frozen,
    "gauge level frozen": _level_frozen,
    "gauge jumping": _jumping,
    "gauge lagging": _lagging,
    "gauge lies: level too high": lambda dice: _off(dice, 4.0, 40.0),
    "gauge lies: level too low": lambda dice: _off(dice, -40.0, -4.0),
    "gauge lies: status": _one_of("battery_status", *BatteryStatus),
    "gauge lies: external power": _one_of("external_power", *ExternalPower),
    "gauge lies: voltage": _one_of("voltage_v", 3.0, 4.2, 0.0, 65.535, None),
    "gauge lies: current": _one_of("current_a", -3.0, 0.0, 3.0, 65.535, None),
    "gauge lies: temperature": _one_of("temperature_c", -20.0, 20.0, 47.0, 52.0, None),
    "gauge lies: critical heat": _one_of("temperature_c", 61.0, 75.0, 99.0),
    "gauge lies: charge": _one_of("charge_ah", 0.0, 1.0, 655.35, None),
    "gauge lies: full charge": _one_of("full_charge_ah", 0.0, 0.01, 65.535, None),
    "gauge lies: health": _one_of("health", "Dead", "Overheat", None, "unknown"),
    "gauge lies: uptime": _one_of("uptime_s", 0, 10, 10**7, None),
    "nonsense: level out of range": _one_of("soc_percent", 1536.0, 448.0, -1.0),
    "nonsense: no level": _one_of("soc_percent", None),
    "nonsense: no number": _one_of("soc_percent", float("nan"), float("inf")),
    "nonsense: all zero": lambda _: _says(
        soc_percent=0.0, voltage_v=0.0, temperature_c=-273.1, charge_ah=0.0
    ),
    "nonsense: all ones": lambda _: _says(
        soc_percent=65_535.0, voltage_v=65.535, current_a=65.535
    ),
    "nonsense: updates stopped": lambda _: _says(claims=WhyNot.UPDATES_STOPPED),
    "gauge slow": lambda _: _says(took_s=15.8),
    "battery absent": lambda _: _says(present=False),
}
"""What a gauge does, by the name of the incident, made anew with its dice."""


def tampering(incident: Incident) -> Tampering | None:
    """Return what this incident makes of a gauge, if it is about the gauge."""
    make = TAMPERINGS.get(incident.what)
    return None if make is None else make(incident.random)
