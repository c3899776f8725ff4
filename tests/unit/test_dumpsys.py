"""`dumpsys battery` becomes a sample: keys, units, makers' tails, cut and frozen dumps.

Form, keys and numbers: AOSP BatteryService.java and BatteryManager.java. Where a device
is named its figures are typed from a public dump; all others are synthetic.
"""

from __future__ import annotations

from typing import Any

import pytest

from support.dumps import HEADER, dump
from tidegate.core.plausibility import judge
from tidegate.core.reading import (
    SAMPLE_FIELDS,
    BatteryStatus,
    ExternalPower,
    Sample,
    WhyNot,
)
from tidegate_backends.wire.dumpsys import NotADump, sample_of

UPTIME = "86400.07 250560.20\n"


def read(**values: Any) -> Sample:
    return sample_of(dump(**values))


def test_a_dump_is_a_sample_in_our_units() -> None:
    text = dump(status=3, USB_powered=False, Charge_counter=4_270_000) + UPTIME
    assert sample_of(text) == Sample(
        soc_percent=61.0,
        battery_status=BatteryStatus.DISCHARGING,
        external_power=ExternalPower.NO,
        voltage_v=3.812,
        temperature_c=28.4,
        temperature_sensor="battery",
        charge_ah=4.27,
        health="Good",
        uptime_s=86_400,
        raw=text,
    )


@pytest.mark.parametrize(
    ("number", "status"),
    # BatteryManager.BATTERY_STATUS_*
    [
        (1, BatteryStatus.UNKNOWN),
        (2, BatteryStatus.CHARGING),
        (3, BatteryStatus.DISCHARGING),
        (4, BatteryStatus.NOT_CHARGING),
        (5, BatteryStatus.FULL),
        (0, BatteryStatus.UNKNOWN),
        (6, BatteryStatus.UNKNOWN),
        (None, BatteryStatus.UNKNOWN),
        ("charging", BatteryStatus.UNKNOWN),
    ],
)
def test_status(number: object, status: BatteryStatus) -> None:
    assert read(status=number).battery_status is status


@pytest.mark.parametrize(
    ("number", "health"),
    # BatteryManager.BATTERY_HEALTH_*, in the kernel's words
    [
        (1, None),
        (2, "Good"),
        (3, "Overheat"),
        (4, "Dead"),
        (5, "Over voltage"),
        (6, "Unspecified failure"),
        (7, "Cold"),
        (8, None),
    ],
)
def test_health(number: int, health: str | None) -> None:
    assert read(health=number).health == health


@pytest.mark.parametrize(
    ("plugged", "power"),
    # BatteryManager.BATTERY_PLUGGED_*: AC, USB, wireless, dock; a line each in a dump
    [
        ({"AC_powered": True, "USB_powered": False}, ExternalPower.YES),
        ({"USB_powered": True}, ExternalPower.YES),
        ({"USB_powered": False, "Wireless_powered": True}, ExternalPower.YES),
        ({"USB_powered": False, "Dock_powered": True}, ExternalPower.YES),
        ({"USB_powered": False, "Dock_powered": False}, ExternalPower.NO),
        ({"USB_powered": False, "Wireless_powered": None}, ExternalPower.NO),
        ({"USB_powered": "no"}, ExternalPower.UNKNOWN),
        (
            {"AC_powered": None, "USB_powered": None, "Wireless_powered": None},
            ExternalPower.UNKNOWN,
        ),
    ],
)
def test_external_power(plugged: dict[str, Any], power: ExternalPower) -> None:
    assert read(**plugged).external_power is power


@pytest.mark.parametrize(
    ("level", "scale", "percent"),
    [
        (61, 100, 61.0),
        (0, 100, 0.0),
        (100, 100, 100.0),
        (30, 40, 75.0),
        (1, 3, 100 / 3),
    ],
)
def test_percent_is_level_over_scale(level: int, scale: int, percent: float) -> None:
    sample = read(level=level, scale=scale)
    assert sample.soc_percent == percent
    assert judge(sample, at_ms=0, wall_ms=0).trusted


@pytest.mark.parametrize(
    ("level", "scale"),
    # An Android TV box without a battery shows Java's smallest int.
    [(101, 100), (-1, 100), (61, 0), (61, -100), (-(2**31), 100), (61, -(2**31))],
)
def test_an_impossible_level_is_out_of_range(level: int, scale: int) -> None:
    reading = judge(read(level=level, scale=scale), at_ms=0, wall_ms=0)
    assert reading.why_not is WhyNot.OUT_OF_RANGE


def test_what_the_device_lacks_is_absent() -> None:
    lacking = -(2**31)
    sample = read(voltage=lacking, temperature=lacking, Charge_counter=lacking)
    assert (sample.voltage_v, sample.temperature_c, sample.charge_ah) == (None,) * 3
    assert sample.temperature_sensor is None


def test_no_battery() -> None:
    """Android 9 and later: present false, status unknown, level 0."""
    reading = judge(read(present=False, status=1, level=0), at_ms=0, wall_ms=0)
    assert reading.why_not is WhyNot.NOT_PRESENT


@pytest.mark.parametrize(
    ("millivolt", "tenths", "voltage_v", "temperature_c"),
    [
        (4161, 330, 4.161, 33.0),
        (3900, -20, 3.9, -2.0),
        (3900, 0, 3.9, 0.0),
        (0, 0, None, None),  # an emulator's placeholders
        (0, 250, None, 25.0),
        (13, 26, None, None),  # a board that prints volts and whole degrees
    ],
)
def test_placeholders(
    millivolt: int, tenths: int, voltage_v: float | None, temperature_c: float | None
) -> None:
    reading = judge(read(voltage=millivolt, temperature=tenths), at_ms=0, wall_ms=0)
    assert reading.trusted
    assert reading.sample.voltage_v == voltage_v
    assert reading.sample.temperature_c == temperature_c


@pytest.mark.parametrize(
    ("counter", "design_ah", "charge_ah"),
    [
        (0, None, None),  # not supported
        (220, None, None),  # mAh
        (4274, None, None),  # mAh
        (9_999, None, None),
        (10_000, None, 0.01),
        (4_431_000, None, 4.431),
        (-4_431_000, None, None),
        (60_000_001, None, None),
        # 61 % of 7 Ah are 4.27 Ah; half of 7 Ah to both sides is still believed.
        (4_270_000, 7.0, 4.27),
        (770_000, 7.0, 0.77),
        (769_000, 7.0, None),
        (7_770_000, 7.0, 7.77),
        (7_771_000, 7.0, None),
    ],
)
def test_charge_counter(
    counter: int, design_ah: float | None, charge_ah: float | None
) -> None:
    text = dump(Charge_counter=counter)
    assert sample_of(text, design_ah=design_ah).charge_ah == charge_ah


# --- traps ----------------------------------------------------------------------------


def test_the_first_level_counts_and_capacity_level_is_none() -> None:
    sample = read(level=80, Capacity_level=4, Charging_state=0, tail="  level: 3\n")
    assert sample.soc_percent == 80.0


def test_the_chargers_limits_are_not_the_cells() -> None:
    sample = read(Max_charging_current=500_000, Max_charging_voltage=5_000_000)
    assert sample.voltage_v == 3.812


def test_lines_of_newer_androids_between_the_keys() -> None:
    """As Android 16 prints them, typed from a phone's public dump."""
    text = dump(level=80, voltage=4221, technology="Li-poly").replace(
        "  temperature:",
        " Time when the latest updated value of the voltage was sent via battery changed"
        " broadcast: +7h24m1s626ms\n"
        " The last voltage value sent via the battery changed broadcast: 4222\n"
        "  temperature:",
    )
    sample = sample_of(text)
    assert (sample.voltage_v, sample.temperature_c) == (4.221, 28.4)


def test_a_key_of_an_android_to_come_is_passed_over() -> None:
    text = dump().replace("  level:", "  Some new fact: 7\n  level:")
    assert sample_of(text).soc_percent == 61.0


def test_no_blank_after_the_colon() -> None:
    """Android 4: `voltage:4161`."""
    text = dump().replace("voltage: ", "voltage:")
    assert sample_of(text).voltage_v == 3.812


@pytest.mark.parametrize("indent", ["", " ", "    "])
def test_any_indentation_up_to_four(indent: str) -> None:
    assert read(indent=indent).soc_percent == 61.0


@pytest.mark.parametrize(
    "tail",
    [
        "  mVendorValue1: false\n  charge counter: 1000\n  level: 3\n",
        "VENDOR_FLAG_8: false\n  level: 3\n",
        "MiuiBatteryService first usage time:\n  mNtpTime=1758535122427\n  level: 3\n",
        "[EventLogBuffer]\n06-08 12:01:02.345  Sending: level:59, voltage:4098\n",
        "\n  level: 3\n",
        "shell@android:/ $\n",
    ],
)
def test_a_makers_tail_changes_nothing(tail: str) -> None:
    whole = dump(Charge_counter=4_270_000)
    assert sample_of(whole + tail + UPTIME).rounded() == Sample(
        **{
            name: getattr(sample_of(whole + UPTIME), name)
            for name in SAMPLE_FIELDS
            if name != "raw"
        },
        raw=whole + tail + UPTIME,
    )


@pytest.mark.parametrize("ends", ["\r\n", "\r\r\n"])
def test_a_terminals_line_ends_and_echo(ends: str) -> None:
    """What a shell with a terminal adds, typed from public notes of an Android 4."""
    text = (
        f"shell@android:/ $ dumpsys battery\ndumpsys battery\n{dump()}shell@android:/ $"
    )
    sample = sample_of(text.replace("\n", ends))
    assert (sample.soc_percent, sample.temperature_c) == (61.0, 28.4)


def test_banner_lines_before_the_dump() -> None:
    banner = "* daemon not running; starting now at tcp:5037\n* daemon started\n"
    assert sample_of(banner + dump()).soc_percent == 61.0


def test_a_frozen_service_is_not_believed() -> None:
    sample = read(stopped=True, present=False, level=15)
    assert sample.claims is WhyNot.UPDATES_STOPPED
    assert judge(sample, at_ms=0, wall_ms=0).why_not is WhyNot.UPDATES_STOPPED


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "no battery dump"),
        ("level: 61\nscale: 100\n", "no battery dump"),
        (HEADER, "no level"),
        (dump(level=None), "no level"),
        (dump(scale=None), "no scale"),
        (dump(level="sixty"), "'sixty'"),
        (dump(level="61.5"), "'61.5'"),
        (dump(level="６１"), "'６１'"),
        (dump(level="9" * 11), "the level"),
        (dump(level=""), "no level|the level"),
        (dump(technology=None), "cut off"),
        (dump().replace("  level", "     level"), "no level"),
        (dump().replace("  level", "\n  level"), "no level"),
    ],
)
def test_no_dump_is_said_to_be_none(text: str, says: str) -> None:
    with pytest.raises(NotADump, match=says):
        sample_of(text)


def test_what_follows_the_dump_proves_that_it_is_whole() -> None:
    sample = sample_of(dump(technology=None) + UPTIME)
    assert (sample.soc_percent, sample.uptime_s) == (61.0, 86_400)


def test_an_uptime_that_may_not_be_read_is_absent() -> None:
    text = dump() + "cat: /proc/uptime: Permission denied\n"
    assert sample_of(text).uptime_s is None
