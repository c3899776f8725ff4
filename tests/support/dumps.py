"""Battery dumps as Android prints them, laid out from their facts.

Form: AOSP BatteryService.java, ``dumpInternal``. The facts of real devices are typed
from public dumps (issue threads, notes, tests) named in ``source``; what is called
synthetic is ours, or was written by a project for its tests.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

HEADER: Final = "Current Battery Service state:"
ORDER: Final = [
    "AC_powered",
    "USB_powered",
    "Wireless_powered",
    "Dock_powered",
    "Max_charging_current",
    "Max_charging_voltage",
    "Charge_counter",
    "status",
    "health",
    "present",
    "level",
    "scale",
    "voltage",
    "temperature",
    "technology",
    "Charging_state",
    "Charging_policy",
    "Capacity_level",
]


def dump(
    *,
    header: str = HEADER,
    stopped: bool = False,
    indent: str = "  ",
    tail: str = "",
    **values: Any,
) -> str:
    """Return a dump. A key is written with "_" for a blank; ``None`` leaves it out."""
    known: dict[str, Any] = {
        "AC_powered": False,
        "USB_powered": True,
        "Wireless_powered": False,
        "status": 2,
        "health": 2,
        "present": True,
        "level": 61,
        "scale": 100,
        "voltage": 3812,
        "temperature": 284,
        "technology": "Li-ion",
    } | values
    lines = [header]
    if stopped:
        lines.append("  (UPDATES STOPPED -- use 'reset' to restart)")
    assert set(known) <= set(ORDER), known
    for key in ORDER:
        if (value := known.get(key)) is not None:
            text = str(value).lower() if isinstance(value, bool) else value
            lines.append(f"{indent}{key.replace('_', ' ')}: {text}")
    return "\n".join(lines) + "\n" + tail


@dataclass(frozen=True, slots=True)
class Dump:
    """One dump of a captures folder: what `tidegate read --json` owes for it."""

    name: str
    expected: Mapping[str, Any] = field(default_factory=dict)
    exit_code: int = 0
    source: str = ""


def _reading(soc_percent: float, status: str, **more: Any) -> dict[str, Any]:
    return {
        "trusted": True,
        "why_not": None,
        "soc_percent": soc_percent,
        "battery_status": status,
        "external_power": "yes",
        "present": True,
        "current_a": None,
        "charge_ah": None,
        "health": "Good",
        "pack": None,
        "cycle_count": None,
        "flags": [],
    } | more


_THREAD: Final = "public issue thread"

CAPTURED: Final = (
    Dump(
        "pixel-c-dragon",
        # The counter of 0 is "not supported"; 5 000 000 is the charger's voltage.
        _reading(19.0, "charging", voltage_v=3.764, temperature_c=27.5),
        source=_THREAD,
    ),
    Dump(
        "poco-x7-pro-usb-80",
        # "Capacity level: 4" is the last level, 4222 the last voltage; the charger
        # gives at most 5 V.
        _reading(
            80.0, "charging", voltage_v=4.221, temperature_c=33.8, charge_ah=4.431
        ),
        source="a phone's dump in a public project's test",
    ),
    Dump(
        "phone-2018-swollen-battery",
        # "charge counter" in lower case is a maker's own; the battery had swollen
        # while it called itself good.
        _reading(100.0, "full", voltage_v=4.312, temperature_c=30.9, charge_ah=2.967),
        source=_THREAD,
    ),
    Dump(
        "adbs-charge-counter-220",
        # The counter is mAh here.
        _reading(15.0, "charging", voltage_v=4.359, temperature_c=34.0),
        source="a comment in a public project",
    ),
    Dump(
        "android4-voltage-no-space-100",
        _reading(100.0, "full", voltage_v=4.161, temperature_c=33.0),
        source="a comment in a public project",
    ),
    Dump(
        "android4-with-echoed-command",
        _reading(100.0, "full", voltage_v=4.211, temperature_c=29.7),
        source="public notes",
    ),
    Dump(
        "emulator-zero-voltage-zero-temp",
        # Both zeros are placeholders.
        _reading(89.0, "charging", voltage_v=None, temperature_c=None),
        source=_THREAD,
    ),
    Dump(
        "THIRDPARTY-SYNTHETIC-miui-order",
        # The event log behind the dump says level:59.
        _reading(60.0, "charging", voltage_v=4.1, temperature_c=30.0),
        source="synthetic, written by a project for its tests",
    ),
    Dump(
        "THIRDPARTY-SYNTHETIC-updates-stopped",
        # "present: false" was typed in by somebody, as all of it.
        {
            "trusted": False,
            "why_not": "updates_stopped",
            "present": True,
            "soc_percent": 15.0,
            "external_power": "yes",
            "battery_status": "discharging",
            "charge_ah": None,
        },
        exit_code=1,
        source="synthetic, written by a project for its tests",
    ),
)
