"""What real power supplies said, re-typed as facts, and what must come of it.

Each ``Case`` is one machine: its supplies with the attributes that matter, and the
reading or the refusal that tidegate owes. The numbers were typed from public dumps
(issue threads, kernel commit messages, mailing lists, test fixtures) named in
``source``; attributes that decide nothing are left out. ``SYNTHETIC`` holds cases of
which only the telling numbers are known: their layout is ours.

``lay_out`` writes a case as a tree; ``lay_out_capture`` does the same with one dump
of a captures folder. Both take the folder that will hold ``class/power_supply``.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from tidegate.core.reading import Reading

OK: Final = 0
NOT_TRUSTED: Final = 1
NOTHING_TO_READ: Final = 69


@dataclass(frozen=True, slots=True)
class Supply:
    """One folder of the class: ``uevent`` and single ``files``, by attribute name."""

    name: str
    type: str | None = "Battery"
    uevent: Mapping[str, str | int] = field(default_factory=dict)
    files: Mapping[str, str | int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Case:
    """One machine. ``expected``: keys of ``read --json``; ``says``: parts of the
    refusal's text; ``exit_code``: of ``tidegate read --json``.
    """

    name: str
    supplies: tuple[Supply, ...]
    exit_code: int
    expected: Mapping[str, Any] = field(default_factory=dict)
    says: tuple[str, ...] = ()
    source: str = ""


def observed(reading: Reading) -> dict[str, Any]:
    """Return a reading under the keys of ``read --json``, as far as it has them."""
    sample = reading.sample
    names = [
        "soc_percent",
        "present",
        "voltage_v",
        "current_a",
        "current_sign_trusted",
        "temperature_c",
        "charge_ah",
        "full_charge_ah",
        "design_charge_ah",
        "cycle_count",
        "health",
        "pack",
    ]
    return {name: getattr(sample, name) for name in names} | {
        "battery_status": str(sample.battery_status),
        "external_power": str(sample.external_power),
        "flags": sorted(str(flag) for flag in sample.flags),
        "trusted": reading.trusted,
        "why_not": None if reading.why_not is None else str(reading.why_not),
    }


def trusted(soc_percent: float, status: str, **more: Any) -> dict[str, Any]:
    """Return what a reading without a fault shows."""
    return {
        "trusted": True,
        "why_not": None,
        "soc_percent": soc_percent,
        "battery_status": status,
        "external_power": "unknown",
        "present": True,
        "current_sign_trusted": False,
        "flags": [],
    } | more


def rejected(why_not: str, **more: Any) -> dict[str, Any]:
    """Return what a reading shows that must not be acted on."""
    return {"trusted": False, "why_not": why_not} | more


def _axp20x(status: str, capacity: int, microvolt: int, microampere: int) -> Supply:
    return Supply(
        "axp20x-battery",
        uevent={
            "NAME": "axp20x-battery",
            "PRESENT": 1,
            "ONLINE": 1,  # the pack, not the mains
            "STATUS": status,
            "VOLTAGE_NOW": microvolt,
            "CURRENT_NOW": microampere,
            "HEALTH": "Good",
            "CAPACITY": capacity,
        },
    )


def _peripheral(**uevent: str | int) -> tuple[Supply, ...]:
    return (Supply("hidpp_battery_0", uevent={"NAME": "hidpp_battery_0"} | uevent),)


_THREAD: Final = "public issue thread"

CAPTURED: Final = (
    Case(
        "power_supply/axp20x-charging-99",
        (_axp20x("Charging", 99, 4202000, 209000),),
        OK,
        trusted(99.0, "charging", voltage_v=4.202, current_a=0.209, health="Good"),
        source="public server notes; AXP209 board, kernel 4.19",
    ),
    Case(
        "power_supply/axp20x-gameshell-100",
        (_axp20x("Charging", 100, 4186000, 1000),),
        OK,
        trusted(100.0, "charging", voltage_v=4.186, current_a=0.001),
        source="public widget README; AXP20x handheld",
    ),
    Case(
        "power_supply/axp20x-not-charging-98",
        (_axp20x("Not charging", 98, 4141000, 0),),
        OK,
        trusted(98.0, "not_charging", voltage_v=4.141, current_a=0.0),
        source="public server notes; AXP209 board, kernel 4.19",
    ),
    Case(
        "power_supply/bq27510g3-charging-33",
        (
            Supply(
                "bq27510g3-0",
                uevent={
                    "NAME": "bq27510g3-0",
                    "STATUS": "Charging",
                    "PRESENT": 1,
                    "VOLTAGE_NOW": 4099000,
                    "CURRENT_NOW": 1721000,
                    "CAPACITY": 33,
                    "CAPACITY_LEVEL": "Normal",
                    "TEMP": 333,
                    "CHARGE_FULL": 3205000,
                    "CHARGE_NOW": 1010000,
                    "CHARGE_FULL_DESIGN": 3200000,
                    "CYCLE_COUNT": 2,
                    "HEALTH": "Good",
                    "MANUFACTURER": "Texas Instruments",
                },
            ),
        ),
        OK,
        trusted(
            33.0,  # the charges alone would say 31.5
            "charging",
            voltage_v=4.099,
            current_a=1.721,
            temperature_c=33.3,
            charge_ah=1.01,
            full_charge_ah=3.205,
            design_charge_ah=3.2,
            cycle_count=2,
        ),
        source="README of a public battery board",
    ),
    Case(
        "power_supply/chromebook-juniper-sbs-full-99",
        (
            Supply(
                "sbs-12-000b",
                uevent={
                    "NAME": "sbs-12-000b",
                    "TYPE": "Battery",
                    "STATUS": "Full",
                    "CAPACITY_LEVEL": "Full",
                    "HEALTH": "Unknown",
                    "PRESENT": 1,
                    "CYCLE_COUNT": 8,
                    "VOLTAGE_NOW": 8210000,
                    "CURRENT_NOW": 0,
                    "CAPACITY": 99,
                    "CAPACITY_ERROR_MARGIN": 3,
                    "TEMP": 215,
                    "TIME_TO_EMPTY_NOW": 3932100,
                    "SERIAL_NUMBER": "26c9",
                    "ENERGY_NOW": 34990000,
                    "ENERGY_FULL": 35170000,
                    "CHARGE_NOW": 4262000,
                    "CHARGE_FULL": 4284000,
                    "CHARGE_FULL_DESIGN": 4865000,
                    "MANUFACTURER": "LGC KT0",
                    "MODEL_NAME": "AP16L8J",
                },
            ),
        ),
        OK,
        trusted(
            99.0,
            "full",
            voltage_v=8.21,
            temperature_c=21.5,
            charge_ah=4.262,
            full_charge_ah=4.284,
            design_charge_ah=4.865,
            cycle_count=8,
            health=None,
        ),
        source="linux-pm mail; a MT8183 notebook",
    ),
    Case(
        "power_supply/chromebook-ucsi-source-psy-pps",
        (
            Supply(
                "ucsi-source-psy-cros_ec_ucsi.4.auto2",
                "USB",
                {
                    "NAME": "ucsi-source-psy-cros_ec_ucsi.4.auto2",
                    "TYPE": "USB",
                    "ONLINE": 1,
                    "VOLTAGE_NOW": 20000000,
                    "CURRENT_NOW": 3250000,
                },
            ),
        ),
        NOTHING_TO_READ,
        says=("ucsi-source-psy-cros_ec_ucsi.4.auto2", "type USB"),
        source="Linux commit 6811e0a08bdc",
    ),
    Case(
        "power_supply/dell-m7r9677-discharging",
        (
            Supply(
                "BAT0",
                uevent={
                    "NAME": "BAT0",
                    "STATUS": "Discharging",
                    "PRESENT": 1,
                    "CYCLE_COUNT": 0,
                    "VOLTAGE_NOW": 12600000,
                    "CURRENT_NOW": 756000,  # positive, while discharging
                    "CHARGE_FULL_DESIGN": 4912000,
                    "CHARGE_FULL": 4804000,
                    "CHARGE_NOW": 4723000,
                    "CAPACITY": 98,
                    "MODEL_NAME": "DELL M7R9677",
                    "SERIAL_NUMBER": 40738,
                },
            ),
        ),
        OK,
        trusted(
            98.0,
            "discharging",
            voltage_v=12.6,
            current_a=0.756,
            charge_ah=4.723,
            full_charge_ah=4.804,
            design_charge_ah=4.912,
            cycle_count=None,
        ),
        source=f"{_THREAD} (2019)",
    ),
    Case(
        "power_supply/dell-pn1vn08-charging",
        (
            Supply(
                "BAT0",
                uevent={
                    "NAME": "BAT0",
                    "TYPE": "Battery",
                    "STATUS": "Charging",
                    "PRESENT": 1,
                    "CYCLE_COUNT": 0,
                    "VOLTAGE_NOW": 12729000,
                    "CURRENT_NOW": 413000,
                    "CHARGE_FULL_DESIGN": 4474000,
                    "CHARGE_FULL": 3750000,
                    "CHARGE_NOW": 3692000,
                    "CAPACITY": 98,
                    "MODEL_NAME": "DELL PN1VN08",
                    "MANUFACTURER": "SMP-ATL4.49",
                    "SERIAL_NUMBER": " 2958",
                },
            ),
        ),
        OK,
        trusted(
            98.0,
            "charging",
            voltage_v=12.729,
            current_a=0.413,
            full_charge_ah=3.75,
            design_charge_ah=4.474,
            cycle_count=None,
            pack="SMP-ATL4.49/DELL PN1VN08/2958/4.474Ah",
        ),
        source=f"{_THREAD} (2021)",
    ),
    Case(
        "power_supply/gta04-bq27000-all-zero-slow-read",
        (
            Supply(
                "bq27000-battery",
                uevent={
                    "NAME": "bq27000-battery",
                    "STATUS": "Discharging",
                    "PRESENT": 1,
                    "VOLTAGE_NOW": 0,
                    "CURRENT_NOW": 0,
                    "CAPACITY": 0,
                    "CAPACITY_LEVEL": "Normal",
                    "TEMP": -2731,
                    "CHARGE_FULL": 0,
                    "CHARGE_NOW": 0,
                    "CHARGE_FULL_DESIGN": 0,
                    "CYCLE_COUNT": 0,
                    "ENERGY_NOW": 0,
                    "HEALTH": "Good",
                },
            ),
        ),
        NOT_TRUSTED,
        rejected(
            "all_zero",
            voltage_v=None,
            temperature_c=None,
            full_charge_ah=None,
            design_charge_ah=None,
        ),
        source="kernel patch mail, w1: omap-hdq timeouts, 8 May 2020",
    ),
    Case(
        "power_supply/gta04-bq27000-capacity-1536",
        (
            Supply(
                "bq27000-battery",
                uevent={
                    "NAME": "bq27000-battery",
                    "STATUS": "Charging",
                    "PRESENT": 1,
                    "VOLTAGE_NOW": 3702000,
                    "CURRENT_NOW": -464635,
                    "CAPACITY": 1536,
                    "CAPACITY_LEVEL": "Normal",
                    "TEMP": 311,
                    "CHARGE_FULL": 805450,
                    "CHARGE_NOW": 1068,
                    "CHARGE_FULL_DESIGN": 8844998,
                    "CYCLE_COUNT": 21,
                    "HEALTH": "Good",
                },
            ),
        ),
        NOT_TRUSTED,
        rejected("out_of_range", battery_status="charging", design_charge_ah=None),
        source="Linux stable commit 549d7b317c76",
    ),
    Case(
        "power_supply/logitech-gpro-type-twice-status-unknown",
        _peripheral(
            TYPE="Battery", STATUS="Unknown", ONLINE=1, CAPACITY=18, SCOPE="Device"
        ),
        NOTHING_TO_READ,
        says=("hidpp_battery_0", "scope Device"),
        source="public status bar's shell test",
    ),
    Case(
        "power_supply/logitech-k375s-level-only",
        _peripheral(
            TYPE="Battery",
            STATUS="Discharging",
            ONLINE=1,
            CAPACITY_LEVEL="Normal",
            SCOPE="Device",
        ),
        NOTHING_TO_READ,
        says=("hidpp_battery_0", "scope Device"),
        source="public Lua snippet",
    ),
    Case(
        "power_supply/logitech-mx-anywhere3-35",
        _peripheral(
            TYPE="Battery", STATUS="Discharging", ONLINE=1, CAPACITY=35, SCOPE="Device"
        ),
        NOTHING_TO_READ,
        says=("hidpp_battery_0", "scope Device"),
        source="public monitor's doc comment",
    ),
    Case(
        "power_supply/pinephone-keyboard-three-supplies",
        (
            Supply(
                "axp20x-battery",
                uevent={
                    "NAME": "axp20x-battery",
                    "TYPE": "Battery",
                    "STATUS": "Discharging",
                    "HEALTH": "Good",
                    "PRESENT": 1,
                    "CHARGE_FULL_DESIGN": 2750000,
                    "CAPACITY": 43,
                },
            ),
            Supply(
                "axp20x-usb",
                "USB",
                {"NAME": "axp20x-usb", "TYPE": "USB", "ONLINE": 0},
            ),
            Supply(
                "ip5xxx-battery",
                uevent={
                    "NAME": "ip5xxx-battery",
                    "TYPE": "Battery",
                    "STATUS": "Discharging",
                    "HEALTH": "Good",
                    "CAPACITY": 27,
                    "SCOPE": "Device",
                },
            ),
        ),
        OK,
        trusted(43.0, "discharging", external_power="no", design_charge_ah=2.75),
        source="public monitor's test string",
    ),
    Case(
        "power_supply/pixel2-walleye-charging-56",
        (
            Supply(
                "battery",
                uevent={
                    "NAME": "battery",
                    "STATUS": "Charging",
                    "HEALTH": "Good",
                    "PRESENT": 1,
                    "CAPACITY": 56,
                    "CHARGER_TEMP": 364,  # not the cell
                    "VOLTAGE_NOW": 3780507,
                    "VOLTAGE_QNOVO": -22,
                    "CURRENT_NOW": 183105,
                    "CURRENT_QNOVO": -22,
                    "TEMP": 320,
                    "CHARGE_FULL": 2805000,
                    "CHARGE_COUNTER": 1455951,
                    "CYCLE_COUNT": 849,
                },
            ),
        ),
        OK,
        trusted(
            56.0,
            "charging",
            voltage_v=3.781,
            current_a=0.183,
            temperature_c=32.0,
            charge_ah=None,
            full_charge_ah=2.805,
            design_charge_ah=None,
            cycle_count=849,
        ),
        source="comment in a public mobile interface; a phone's vendor kernel",
    ),
    Case(
        "power_supply/poco-x7-charger-online-2",
        (
            Supply(
                "primary_chg",
                "USB",
                {
                    "NAME": "primary_chg",
                    "TYPE": "USB",
                    "ONLINE": 2,
                    "STATUS": "Charging",
                },
            ),
        ),
        NOTHING_TO_READ,
        says=("primary_chg", "type USB"),
        source="public test quoting a phone",
    ),
    Case(
        "power_supply/poco-x7-mt6375-gauge-type-unknown",
        (
            Supply(
                "mt6375-gauge",
                "Unknown",
                {
                    "NAME": "mt6375-gauge",
                    "TYPE": "Unknown",
                    "PRESENT": 1,
                    "ONLINE": 1,
                    "VOLTAGE_NOW": 4000000,
                    "ENERGY_FULL": 56573,
                    "ENERGY_NOW": 10000,
                    "CAPACITY_LEVEL": 10000,
                    "TEMP": 0,
                },
            ),
        ),
        NOTHING_TO_READ,
        says=("mt6375-gauge", "type is Unknown"),
        source="public test quoting a phone",
    ),
    Case(
        "power_supply/sbs-gehc-discharging",
        (
            Supply(
                "sbs-0-000b",
                uevent={
                    "NAME": "sbs-0-000b",
                    "TYPE": "Battery",
                    "STATUS": "Discharging",
                    "PRESENT": 1,
                    "CYCLE_COUNT": 12,
                    "VOLTAGE_NOW": 11441000,
                    "CURRENT_NOW": -26000,
                    "CAPACITY": 76,  # by energy 73.2, by charge 75.0
                    "CAPACITY_ERROR_MARGIN": 1,
                    "TEMP": 198,
                    "TIME_TO_FULL_AVG": 3932100,
                    "SERIAL_NUMBER": "0000",
                    "ENERGY_NOW": 31090000,
                    "ENERGY_FULL": 42450000,
                    "CHARGE_NOW": 2924000,
                    "CHARGE_FULL": 3898000,
                    "CHARGE_FULL_DESIGN": 3800000,
                },
            ),
        ),
        OK,
        trusted(
            76.0,
            "discharging",
            voltage_v=11.441,
            current_a=-0.026,
            temperature_c=19.8,
            charge_ah=2.924,
            full_charge_ah=3.898,
            design_charge_ah=3.8,
            cycle_count=12,
        ),
        source="linux-pm cover letter, 13 May 2020",
    ),
    Case(
        "power_supply/thinkpad-energy-over-full-no-capacity",
        (
            Supply(
                "BAT1",
                uevent={
                    "NAME": "BAT1",
                    "STATUS": "Unknown",
                    "PRESENT": 1,
                    "CYCLE_COUNT": 0,
                    "VOLTAGE_NOW": 12868000,
                    "POWER_NOW": 0,
                    "ENERGY_FULL_DESIGN": 93600000,
                    "ENERGY_FULL": 93550000,
                    "ENERGY_NOW": 93790000,
                    "MODEL_NAME": "42T4969",
                    "MANUFACTURER": "LGC",
                    "SERIAL_NUMBER": " 7392",
                },
            ),
        ),
        OK,
        trusted(
            100.0,
            "unknown",
            voltage_v=12.868,
            charge_ah=None,
            pack="LGC/42T4969/7392/93.6Wh",
            flags=["clamped", "computed", "over_full"],
        ),
        source=f"{_THREAD} (2012)",
    ),
    Case(
        "power_supply/thinkpad-t470",
        (
            Supply(
                "BAT0",
                uevent={
                    "NAME": "BAT0",
                    "TYPE": "Battery",
                    "STATUS": "Not charging",
                    "PRESENT": 1,
                    "CYCLE_COUNT": 236,
                    "VOLTAGE_NOW": 16575000,
                    "ENERGY_FULL": 17940000,
                    "ENERGY_NOW": 14270000,
                    "CAPACITY": 80,
                    "MODEL_NAME": "01AV493",
                },
            ),
            Supply(
                "BAT1",
                uevent={
                    "NAME": "BAT1",
                    "TYPE": "Battery",
                    "STATUS": "Not charging",
                    "PRESENT": 1,
                    "CYCLE_COUNT": 78,
                    "VOLTAGE_NOW": 9753000,
                    "ENERGY_FULL": 66220000,
                    "ENERGY_NOW": 4570000,
                    "CAPACITY": 7,
                    "MODEL_NAME": "01AV425",
                },
            ),
        ),
        OK,
        # (14.27 + 4.57) / (17.94 + 66.22)
        trusted(22.39, "not_charging", voltage_v=None, flags=["computed"]),
        source="public unit-test fixture; the two packs of one machine",
    ),
    Case(
        "power_supply/torpedo-bq27000-no-capacity-negative-charging",
        (
            Supply(
                "bq27000-battery",
                uevent={
                    "NAME": "bq27000-battery",
                    "STATUS": "Charging",
                    "PRESENT": 1,
                    "VOLTAGE_NOW": 3829000,
                    "CURRENT_NOW": -592084,
                    "CAPACITY_LEVEL": "Normal",
                    "TEMP": 306,
                    "CHARGE_FULL_DESIGN": 2056320,
                    "CYCLE_COUNT": 0,
                },
            ),
        ),
        NOT_TRUSTED,
        rejected(
            "level_only",
            soc_percent=None,
            battery_status="charging",
            current_a=-0.592,
            temperature_c=30.6,
        ),
        source="linux mailing list",
    ),
    Case(
        "power_supply/trackpad-bluetooth",
        (
            Supply(
                "hid-70:cd:60:f7:a0:5c-battery",
                uevent={
                    "NAME": "hid-70:cd:60:f7:a0:5c-battery",
                    "PRESENT": 1,
                    "ONLINE": 1,
                    "CAPACITY": 100,
                    "STATUS": "Discharging",
                    "SCOPE": "Device",
                },
            ),
        ),
        NOTHING_TO_READ,
        says=("hid-70:cd:60:f7:a0:5c-battery", "scope Device"),
        source="i3/i3status test case 014 at d53da19a79d6",
    ),
    Case(
        "power_supply/xiaomi-lavender-mainline-pmi8998",
        (
            Supply(
                "qcom-battery",
                uevent={
                    "NAME": "qcom-battery",
                    "TYPE": "Battery",
                    "STATUS": "Full",
                    "PRESENT": 1,
                    "VOLTAGE_NOW": 4336658,
                    "CURRENT_NOW": -19531,
                    "CHARGE_FULL_DESIGN": 4000000,
                    "CAPACITY": 99,
                    "TEMP": 263,
                    "TEMP_MAX": 550,
                },
            ),
        ),
        OK,
        trusted(
            99.0,
            "full",
            voltage_v=4.337,
            current_a=-0.02,
            temperature_c=26.3,
            design_charge_ah=4.0,
            charge_ah=None,
        ),
        source=f"{_THREAD} (2025)",
    ),
    Case(
        "power_supply_attr/laptop-capacity-file-448",
        (Supply("BAT0", files={"capacity": 448, "charge_now": 8739000}),),
        NOT_TRUSTED,
        rejected("out_of_range"),
        source=f"{_THREAD} (2017)",
    ),
    Case(
        "power_supply_attr/lenovo-node-exporter",
        (
            Supply("AC", "Mains", {"NAME": "AC", "ONLINE": 0}, {"online": 0}),
            Supply(
                "BAT0",
                uevent={
                    "NAME": "BAT0",
                    "STATUS": "Discharging",
                    "PRESENT": 1,
                    "CYCLE_COUNT": 0,
                    "VOLTAGE_NOW": 11660000,
                    "ENERGY_FULL_DESIGN": 47520000,
                    "ENERGY_FULL": 45070000,
                    "ENERGY_NOW": 36580000,
                    "CAPACITY": 81,
                    "MODEL_NAME": "LNV-45N1",
                    "MANUFACTURER": "LGC",
                    "SERIAL_NUMBER": 38109,
                },
                files={"capacity": 81, "model_name": "LNV-45N1\ufffd\ufffd"},
            ),
        ),
        OK,
        trusted(
            81.0,
            "discharging",
            external_power="no",
            voltage_v=11.66,
            charge_ah=None,
            cycle_count=None,
            pack="LGC/LNV-45N1/38109/47.52Wh",
        ),
        source="prometheus/node_exporter, sys fixture archive",
    ),
    Case(
        "power_supply_attr/nintendo-switch-battery-grep",
        (
            Supply(
                "battery",
                files={
                    "capacity": 100,
                    "charge_counter": 27542000,
                    "charge_full": 4428000,
                    "charge_full_design": 4667000,
                    "charge_now": 4428000,
                    "current_now": -1248,
                    "cycle_count": 114,
                    "health": "Good",
                    "power_now": -5243,
                    "present": 1,
                    "status": "Full",
                },
            ),
        ),
        OK,
        trusted(
            100.0,
            "full",
            current_a=-0.001,
            charge_ah=4.428,
            full_charge_ah=4.428,
            design_charge_ah=4.667,
            cycle_count=114,
            health="Good",
        ),
        source=f"{_THREAD} (2021)",
    ),
    Case(
        "power_supply_attr/pinenote-rk817-listing",
        (),  # a listing of names: nothing to lay out
        NOTHING_TO_READ,
        source="public thread (2022)",
    ),
    Case(
        "power_supply_attr/rust-battery-logitech-m705-grep",
        (
            Supply(
                "hidpp_battery_0",
                files={
                    "capacity_level": "Normal",
                    "online": 1,
                    "scope": "Device",
                    "status": "Discharging",
                },
            ),
        ),
        NOTHING_TO_READ,
        says=("hidpp_battery_0", "scope Device"),
        source=f"{_THREAD} (2019)",
    ),
    Case(
        "power_supply_attr/xmobar-thinkpad-bat0-discharged",
        (
            Supply(
                "BAT0",
                files={
                    "capacity": 5,
                    "capacity_level": "Normal",
                    "cycle_count": 5,
                    "energy_full": 25860000,
                    "energy_full_design": 23510000,
                    "energy_now": 1410000,
                    "manufacturer": "SANYO",
                    "model_name": "00HW022",
                    "power_now": 0,
                    "present": 1,
                    "serial_number": " 1242",
                    "status": "Unknown",
                },
            ),
        ),
        OK,
        trusted(5.0, "unknown", cycle_count=5, pack="SANYO/00HW022/1242/23.51Wh"),
        source=f"{_THREAD}; a machine with two packs",
    ),
)

# Only the numbers that decide are known of these; everything around them is ours.
SYNTHETIC: Final = (
    Case(
        "full-with-current",
        (
            Supply(
                "BAT0",
                uevent={"STATUS": "Full", "CAPACITY": 100, "CURRENT_NOW": 413000},
            ),
        ),
        OK,
        trusted(100.0, "full", current_a=0.413),
    ),
    Case(
        "full-below-100",
        (Supply("sbs-12-000b", uevent={"STATUS": "Full", "CAPACITY": 97}),),
        OK,
        trusted(97.0, "full"),
    ),
    Case(
        "averages-only-no-capacity",
        (
            Supply(
                "rk817-battery",
                uevent={
                    "STATUS": "Charging",
                    "CHARGE_NOW": 3992000,
                    "CHARGE_FULL": 4000000,
                    "VOLTAGE_AVG": 4300000,
                    "CURRENT_AVG": 120000,
                },
            ),
        ),
        OK,
        trusted(99.8, "charging", voltage_v=4.3, current_a=0.12, flags=["computed"]),
    ),
    Case(
        "uncalibrated-all-ones",
        (
            Supply(
                "bq27000-battery",
                uevent={
                    "STATUS": "Unknown",
                    "CAPACITY_LEVEL": "Normal",
                    "VOLTAGE_NOW": 65535000,
                    "CHARGE_NOW": 65535,
                    "CHARGE_FULL": 65535,
                    "CYCLE_COUNT": 65535,
                },
            ),
        ),
        NOT_TRUSTED,
        rejected("all_zero", soc_percent=None, voltage_v=None, cycle_count=None),
    ),
    Case(
        "status-missing",
        (Supply("battery", uevent={"CAPACITY": 86, "VOLTAGE_NOW": 3900000}),),
        OK,
        trusted(86.0, "unknown"),
    ),
    Case(
        "no-battery-garbled-keys",
        (
            Supply(
                "axp20x-battery",
                uevent={
                    "PRESENT": 0,
                    "STA\x07TUS": "Cha",
                    "STATUS": "Not charging",
                    "CAPACITY": 100,
                },
            ),
        ),
        NOT_TRUSTED,
        rejected("not_present", present=False),
    ),
    Case(
        "design-in-milliampere-hours",
        (
            Supply(
                "battery",
                uevent={
                    "STATUS": "Discharging",
                    "CAPACITY": 61,
                    "CHARGE_FULL": 4980000,
                    "CHARGE_FULL_DESIGN": 5000,
                },
            ),
        ),
        OK,
        trusted(61.0, "discharging", full_charge_ah=4.98, design_charge_ah=None),
    ),
    Case(
        "capacity-106-of-a-full-pack",
        (
            Supply(
                "BAT0",
                uevent={
                    "STATUS": "Full",
                    "CAPACITY": 106,
                    "ENERGY_NOW": 53000000,
                    "ENERGY_FULL": 50000000,
                },
            ),
        ),
        OK,
        trusted(100.0, "full", flags=["clamped", "over_full"]),
    ),
    Case(
        "capacity-106-and-nothing-to-compare",
        (Supply("BAT0", uevent={"STATUS": "Full", "CAPACITY": 106}),),
        NOT_TRUSTED,
        rejected("out_of_range"),
    ),
    Case(
        "supply-online-2",
        (
            Supply("battery", uevent={"STATUS": "Charging", "CAPACITY": 44}),
            Supply("primary_chg", "USB_PD", {"ONLINE": 2}),
        ),
        OK,
        trusted(44.0, "charging", external_power="yes"),
    ),
)


def lay_out(case: Case, root: Path) -> Path:
    """Write a case below ``root`` and return ``root``, as the gauge wants it."""
    for supply in case.supplies:
        write_supply(
            root,
            supply.name,
            type_=supply.type,
            uevent="".join(
                f"POWER_SUPPLY_{key}={value}\n" for key, value in supply.uevent.items()
            ),
            files={key: f"{value}\n" for key, value in supply.files.items()},
        )
    (root / "class" / "power_supply").mkdir(parents=True, exist_ok=True)
    return root


def write_supply(
    root: Path,
    name: str,
    *,
    type_: str | None,
    uevent: str = "",
    files: Mapping[str, str | bytes] | None = None,
) -> Path:
    """Write one folder of the class and return it; no uevent file for no text."""
    folder = root / "class" / "power_supply" / name
    folder.mkdir(parents=True)
    if type_ is not None:
        (folder / "type").write_text(f"{type_}\n", encoding="utf-8")
    if uevent:
        (folder / "uevent").write_text(uevent, encoding="utf-8")
    for key, text in (files or {}).items():
        content = text if isinstance(text, bytes) else text.encode()
        (folder / key).write_bytes(content)
    return folder


# Dumps that belong to one machine, by the case they make together.
_TOGETHER: Final = {
    "power_supply/thinkpad-t470-bat0-not-charging-80": "power_supply/thinkpad-t470",
    "power_supply/thinkpad-t470-bat1-not-charging-7": "power_supply/thinkpad-t470",
}


def captures_in(folder: Path) -> dict[str, list[Path]]:
    """Return the dumps of a captures folder by the name of their case."""
    cases: dict[str, list[Path]] = {}
    for kind in ("power_supply", "power_supply_attr"):
        for path in sorted((folder / kind).iterdir()):
            name = f"{kind}/{path.stem}"
            cases.setdefault(_TOGETHER.get(name, name), []).append(path)
    return cases


def lay_out_capture(paths: list[Path], root: Path) -> Path:
    """Write the dumps of one machine below ``root`` and return ``root``."""
    for path in paths:
        if path.is_dir():
            for folder in sorted(path.iterdir()):
                files = {file.name: file.read_bytes() for file in folder.iterdir()}
                write_supply(root, folder.name, type_=None, files=files)
        elif path.parent.name == "power_supply":
            _lay_out_uevents(path.read_text(encoding="utf-8"), root)
        else:
            _lay_out_attributes(path.read_text(encoding="utf-8"), root)
    (root / "class" / "power_supply").mkdir(parents=True, exist_ok=True)
    return root


def _lay_out_uevents(text: str, root: Path) -> None:
    """Split a text at each NAME; what stands before the first belongs to the first."""
    for part in re.split(r"(?m)^(?=POWER_SUPPLY_NAME=)", text):
        if not (name := re.search(r"(?m)^POWER_SUPPLY_NAME=(.*)$", part)):
            continue
        kind = re.search(r"(?m)^POWER_SUPPLY_TYPE=(.*)$", part)
        write_supply(root, name[1], type_=kind[1] if kind else "Battery", uevent=part)


def _lay_out_attributes(text: str, root: Path) -> None:
    """Write "folder/file:value" or "file value" lines; a bare listing has no values."""
    name, files = "BAT0", {}
    for line in text.splitlines():
        if listed := re.fullmatch(r".*/power_supply/([^/]+)/(\w+):(.*)", line):
            name, key, value = listed[1], listed[2], listed[3]
        elif " " in line:
            key, value = line.split(" ", 1)
        else:
            continue
        files[key] = f"{value}\n"
    if files:
        kind = files.pop("type", "Battery\n").strip()
        write_supply(root, name, type_=kind, files=files)
