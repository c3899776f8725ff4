"""What `dumpsys battery` prints, as the quantities of a sample. Pure functions.

The dump is read from its header up to the first line that is not of its form, and the
first line of a key counts: what makers print behind it repeats the keys with other
units and older values. Keys keep their case, as "Charge counter" and a maker's "charge
counter" are two things. A dump that was cut off is no dump.

Source: AOSP frameworks/base, services/core/java/com/android/server/BatteryService.java
(``dumpInternal``: keys, order, units), core/java/android/os/BatteryManager.java (the
numbers of status and health); a property that the device lacks is Java's smallest int.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Final

from tidegate.core.reading import BatteryStatus, ExternalPower, Sample, WhyNot

HEADER: Final = "Current Battery Service state:"
RAW_AT_MOST: Final = 4_096
LACKING: Final = -(2**31)

STATUSES: Final = {
    1: BatteryStatus.UNKNOWN,
    2: BatteryStatus.CHARGING,
    3: BatteryStatus.DISCHARGING,
    4: BatteryStatus.NOT_CHARGING,
    5: BatteryStatus.FULL,
}
# The kernel's words for the same states; 1 is "unknown".
HEALTHS: Final = {
    2: "Good",
    3: "Overheat",
    4: "Dead",
    5: "Over voltage",
    6: "Unspecified failure",
    7: "Cold",
}
SOURCES: Final = ("AC powered", "USB powered", "Wireless powered", "Dock powered")

_NUMBERS: Final = (
    "Max charging current",
    "Max charging voltage",
    "Charge counter",
    "status",
    "health",
    "level",
    "scale",
    "voltage",
    "temperature",
)
# One of these is the last key of every dump; behind another one it was cut off.
_TRAILING: Final = (
    "technology",
    "Charging state",
    "Charging policy",
    "Capacity level",
)
_KNOWN: Final = frozenset({*SOURCES, *_NUMBERS, *_TRAILING, "present"})

_LINE: Final = re.compile(r" {0,4}([A-Za-z][^:]{0,150}): *(.*)")
_STOPPED: Final = re.compile(r" {0,4}\(UPDATES STOPPED\b.*\)")
_INTEGER: Final = re.compile(r"-?[0-9]{1,10}", re.ASCII)
_UPTIME: Final = re.compile(r"([0-9]{1,10})\.[0-9]{2} [0-9]{1,12}\.[0-9]{2}", re.ASCII)

# The counter is in µAh, but some makers print mAh, or 0 for "not supported"; the
# smallest tablet's battery holds a hundred times this. The largest: our own choice.
_COUNTER_UAH: Final = (10_000, 60_000_000)
_COUNTER_AGREES: Final = 0.5
# A cell never shows less. A board that prints volts for millivolts prints whole degrees
# for tenths, and a battery of 50 °C must not pass for one of 5 °C.
_LEAST_MV: Final = 1_000


class NotADump(ValueError):
    """The text is no whole dump; says what is wrong with it."""


def sample_of(text: str, *, design_ah: float | None = None) -> Sample:
    """Return the sample that the text of a shell holds. Raises NotADump.

    ``text`` may have an echoed command before the dump, a maker's own lines and the
    content of /proc/uptime behind it, and any line ends. ``design_ah``: what a full
    battery holds, to check the charge counter against.
    """
    lines = text.replace("\r", "").split("\n")
    values, is_stopped = _dumped(lines)
    uptime_s = _uptime(lines)
    _check_whole(values, is_followed=uptime_s is not None)
    soc_percent = _percent(values)
    millivolt = _number(values, "voltage")
    present = values.get("present") != "false"
    claims = None
    if is_stopped:
        # Somebody typed these values in, and "present" is one of them.
        claims, present = WhyNot.UPDATES_STOPPED, True
    elif soc_percent is None:
        claims = WhyNot.OUT_OF_RANGE
    temperature_c = _temperature(values, millivolt)
    return Sample(
        soc_percent=soc_percent,
        battery_status=STATUSES.get(
            _number(values, "status") or 0, BatteryStatus.UNKNOWN
        ),
        external_power=_external_power(values),
        present=present,
        voltage_v=None if millivolt is None else millivolt / 1_000,
        temperature_c=temperature_c,
        temperature_sensor=None if temperature_c is None else "battery",
        charge_ah=_charge(values, soc_percent, design_ah),
        health=HEALTHS.get(_number(values, "health") or 0),
        uptime_s=uptime_s,
        claims=claims,
        raw=text[:RAW_AT_MOST],
    )


def is_uptime(line: str) -> bool:
    """Return whether a line is the content of /proc/uptime."""
    return _UPTIME.fullmatch(line.strip()) is not None


def _dumped(lines: list[str]) -> tuple[dict[str, str], bool]:
    """Return the values of the dump's keys, and whether somebody froze the service."""
    values: dict[str, str] = {}
    is_stopped = False
    for line in _after_header(lines):
        if _STOPPED.fullmatch(line):
            is_stopped = True
            continue
        match = _LINE.fullmatch(line)
        if match is None:
            break
        key, value = match[1], match[2].strip()
        if key in _KNOWN:
            values.setdefault(key, value)
        elif "technology" in values or not value:
            # A maker's own part. Before that it is a line of an Android to come.
            break
    return values, is_stopped


def _after_header(lines: list[str]) -> Iterator[str]:
    found = False
    for line in lines:
        if found:
            yield line
        found = found or line.strip() == HEADER
    if not found:
        raise NotADump("there is no battery dump in the answer")


def _uptime(lines: list[str]) -> int | None:
    """Return the first figure of /proc/uptime, whose line stands behind the dump."""
    for line in reversed(lines):
        if match := _UPTIME.fullmatch(line.strip()):
            return int(match[1])
    return None


def _check_whole(values: Mapping[str, str], *, is_followed: bool) -> None:
    for key in ("level", "scale"):
        if key not in values:
            raise NotADump(f"the battery dump has no {key}")
        if not _INTEGER.fullmatch(values[key]):
            raise NotADump(f"the {key} in the battery dump is {values[key][:40]!r}")
    *_, last = values
    if not is_followed and last not in _TRAILING:
        raise NotADump("the battery dump is cut off")


def _number(values: Mapping[str, str], key: str) -> int | None:
    text = values.get(key, "")
    number = int(text) if _INTEGER.fullmatch(text) else LACKING
    return None if number == LACKING else number


def _percent(values: Mapping[str, str]) -> float | None:
    """Return the charge, also one outside 0..100; ``None`` where none is claimed."""
    level, scale = _number(values, "level"), _number(values, "scale")
    if level is None or scale is None or scale <= 0:
        return None
    return level * 100 / scale


def _external_power(values: Mapping[str, str]) -> ExternalPower:
    said = [values[source] for source in SOURCES if source in values]
    if "true" in said:
        return ExternalPower.YES
    if said and all(word == "false" for word in said):
        return ExternalPower.NO
    return ExternalPower.UNKNOWN


def _temperature(values: Mapping[str, str], millivolt: int | None) -> float | None:
    tenths = _number(values, "temperature")
    in_other_units = millivolt is not None and 0 < millivolt < _LEAST_MV
    is_placeholder = tenths == 0 and millivolt == 0
    if tenths is None or in_other_units or is_placeholder:
        return None
    return tenths / 10


def _charge(
    values: Mapping[str, str], soc_percent: float | None, design_ah: float | None
) -> float | None:
    """Return the charge counter where it can be µAh; a wrong unit is far off."""
    counter = _number(values, "Charge counter")
    least, most = _COUNTER_UAH
    if counter is None or not least <= counter <= most:
        return None
    charge_ah = counter / 1_000_000
    if design_ah is not None and soc_percent is not None:
        due_ah = design_ah * soc_percent / 100
        if abs(charge_ah - due_ah) > _COUNTER_AGREES * design_ah:
            return None
    return charge_ah
