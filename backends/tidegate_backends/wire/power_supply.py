"""The power_supply class of Linux as text: attributes in, one sample out.

Pure functions; no file is touched here. The kernel gives µV, µA, µAh, µWh, percent
and tenths of a degree; a ``Pack`` holds them in V, A, Ah, Wh, % and °C. Any attribute
may be missing, and a value that is there may be a driver's error code.

Source: Linux Documentation/ABI/testing/sysfs-class-power,
Documentation/power/power_supply_class.rst, drivers/power/supply/power_supply_sysfs.c.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from tidegate.core.reading import BatteryStatus, ExternalPower

# What a sample is made of; the names of the files, and of the uevent's lines.
WANTED: Final = (
    "present",
    "status",
    "capacity",
    "capacity_level",
    "capacity_error_margin",
    "voltage_now",
    "voltage_avg",
    "voltage_min_design",
    "current_now",
    "current_avg",
    "temp",
    "charge_now",
    "charge_full",
    "charge_full_design",
    "energy_now",
    "energy_full",
    "energy_full_design",
    "cycle_count",
    "health",
    "manufacturer",
    "model_name",
    "serial_number",
)
IDENTITY: Final = (
    "manufacturer",
    "model_name",
    "serial_number",
    "charge_full_design",
    "energy_full_design",
)

# What may be left out as a silent bus's all ones; a capacity stays, as evidence.
_FIGURES: Final = frozenset(WANTED) - {"capacity"}

_LINE: Final = re.compile(r"POWER_SUPPLY_([A-Z0-9_]+)=(.*)", re.ASCII)
_INTEGER: Final = re.compile(r"[+-]?[0-9]{1,18}", re.ASCII)
_STATUSES: Final = {
    "charging": BatteryStatus.CHARGING,
    "discharging": BatteryStatus.DISCHARGING,
    "not charging": BatteryStatus.NOT_CHARGING,
    "full": BatteryStatus.FULL,
    "unknown": BatteryStatus.UNKNOWN,
}
# Linux errno values that drivers print as data, negative, instead of failing:
# EIO, ENXIO, EAGAIN, EBUSY, ENODEV, EINVAL, ENODATA, EOPNOTSUPP, ETIMEDOUT.
_ERRNOS: Final = frozenset({-5, -6, -11, -16, -19, -22, -61, -95, -110})
# 16 bits, all ones, as a gauge chip's silent bus reads them, scaled by the driver.
ALL_ONES: Final = frozenset(65_535 * 10**power for power in range(4))
_COARSE_ABOVE_PERCENT: Final = 20


class Source(StrEnum):
    """Where a pack's state of charge comes from. One run keeps to one source."""

    CAPACITY = "capacity"
    CHARGE = "charge_now"
    ENERGY = "energy_now"


@dataclass(frozen=True, slots=True, kw_only=True)
class Pack:
    """One battery of the class. ``None`` is: it did not say.

    ``capacity_text`` is the attribute as it came; ``odd_status`` a status that the
    kernel's interface does not know; ``has_level`` whether a word such as "Normal"
    is there; ``is_silent`` whether several values are a silent bus's all ones.
    """

    name: str
    present: bool
    status: BatteryStatus
    odd_status: str | None
    capacity_text: str | None
    capacity_percent: float | None
    has_level: bool
    is_coarse: bool
    is_silent: bool
    voltage_v: float | None
    design_voltage_v: float | None
    current_a: float | None
    temperature_c: float | None
    charge_ah: float | None
    full_charge_ah: float | None
    design_charge_ah: float | None
    energy_wh: float | None
    full_energy_wh: float | None
    cycle_count: int | None
    health: str | None
    identity: str | None

    @property
    def sources(self) -> tuple[Source, ...]:
        """Where the state of charge could come from, the best first."""
        found = []
        if self.capacity_text is not None:
            found.append(Source.CAPACITY)
        if self.charge_ah is not None and self.full_charge_ah is not None:
            found.append(Source.CHARGE)
        if self.energy_wh is not None and self.full_energy_wh is not None:
            found.append(Source.ENERGY)
        return tuple(found)

    @property
    def ratio(self) -> float | None:
        """What is in the pack over what a full one holds."""
        if self.charge_ah is not None and self.full_charge_ah:
            return self.charge_ah / self.full_charge_ah
        if self.energy_wh is not None and self.full_energy_wh:
            return self.energy_wh / self.full_energy_wh
        return None


def parse_uevent(text: str) -> dict[str, str]:
    """Return a uevent's properties by attribute name; garbled lines are left out.

    Newer kernels print TYPE twice; the first line of a name counts.
    """
    found: dict[str, str] = {}
    for line in text.splitlines():
        if match := _LINE.fullmatch(line.strip("\0\r")):
            found.setdefault(match[1].lower(), match[2].strip())
    return found


def is_supply(kind: str) -> bool:
    """Return whether a supply of this ``type`` can feed the system."""
    return kind in {"Mains", "Wireless"} or kind.startswith("USB")


def external_power(online: Iterable[str | None]) -> ExternalPower:
    """Return what the ``online`` attributes of all system supplies say together.

    Online is 1, or 2 for a programmable supply.
    """
    values = [_integer(text) for text in online]
    if any(value is not None and value >= 1 for value in values):
        return ExternalPower.YES
    if values and all(value == 0 for value in values):
        return ExternalPower.NO
    return ExternalPower.UNKNOWN


def read_pack(name: str, values: Mapping[str, str]) -> Pack:
    """Return the pack that these attributes describe."""
    silent = {
        key
        for key, text in values.items()
        if key in _FIGURES and _integer(text) in ALL_ONES
    }
    capacity = _integer(values.get("capacity"))
    is_silent = len(silent) + (capacity in ALL_ONES) > 1
    given = {
        key: text
        for key, text in values.items()
        if text and not (is_silent and key in silent)
    }
    status = given.get("status", "unknown").lower()
    margin = _integer(given.get("capacity_error_margin"))
    cycles = _integer(given.get("cycle_count"))
    return Pack(
        name=name,
        present=_integer(given.get("present")) != 0,
        status=_STATUSES.get(status, BatteryStatus.UNKNOWN),
        odd_status=None if status in _STATUSES else given["status"],
        capacity_text=given.get("capacity"),
        capacity_percent=None if capacity is None else float(capacity),
        has_level="capacity_level" in given,
        is_coarse=margin is not None and margin > _COARSE_ABOVE_PERCENT,
        is_silent=is_silent,
        voltage_v=_electric(given, "voltage_now", "voltage_avg"),
        design_voltage_v=_micro(given, "voltage_min_design"),
        current_a=_electric(given, "current_now", "current_avg"),
        temperature_c=_scaled(given, "temp", 10),
        charge_ah=_micro(given, "charge_now"),
        full_charge_ah=_micro(given, "charge_full"),
        design_charge_ah=_micro(given, "charge_full_design"),
        energy_wh=_micro(given, "energy_now"),
        full_energy_wh=_micro(given, "energy_full"),
        cycle_count=cycles or None,  # 0 is the kernel's "not available"
        health=_word(given.get("health")),
        identity=identity_of(given),
    )


def identity_of(values: Mapping[str, str]) -> str | None:
    """Return what tells this pack from another: maker, model, serial, design."""
    parts = [_word(values.get(key)) for key in IDENTITY[:3]]
    for key, unit in (("charge_full_design", "Ah"), ("energy_full_design", "Wh")):
        if design := _micro(values, key):
            parts.append(f"{design:g}{unit}")
    return "/".join(part for part in parts if part) or None


def _integer(text: str | None) -> int | None:
    """Return a whole number of ASCII digits; ``int`` itself takes more than that."""
    if not text:
        return None
    stripped = text.strip()
    return int(stripped) if _INTEGER.fullmatch(stripped) else None


def _scaled(values: Mapping[str, str], key: str, divisor: int) -> float | None:
    value = _integer(values.get(key))
    return None if value is None else value / divisor


def _micro(values: Mapping[str, str], key: str) -> float | None:
    return _scaled(values, key, 1_000_000)


def _electric(values: Mapping[str, str], *keys: str) -> float | None:
    """Return the first of these that is a value and not an error code as data."""
    for key in keys:
        value = _integer(values.get(key))
        if value is not None and value not in _ERRNOS:
            return value / 1_000_000
    return None


def _word(text: str | None) -> str | None:
    """Return a text without padding and broken characters, unless it says nothing."""
    if not text:
        return None
    cleaned = "".join(c for c in text if c.isprintable() and c != "\ufffd")
    cleaned = " ".join(cleaned.split())
    return cleaned if cleaned and cleaned.lower() not in {"unknown", "n/a"} else None
