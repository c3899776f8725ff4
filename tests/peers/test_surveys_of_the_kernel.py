"""What the surveys of sysfs, kernel and usb-port find, and why they pass things over.

The trees are synthetic; the kinds of skipped entries are those of public captures
(a mouse, a USB source, a gauge without a type, an uncalibrated gauge chip).
"""

from __future__ import annotations

import errno
import os
from collections.abc import AsyncIterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from support.captures_table import write_supply
from support.charge_driver import FakeChargeDriver
from support.host import TestHost
from support.usb_tree import FakeHubs
from tidegate.contract import Found, Survey
from tidegate.errors import Unsupported
from tidegate_backends.gauges import sysfs
from tidegate_backends.linux.power_supplies import LIVE_ROOT
from tidegate_backends.relays import kernel, usb_port


async def found_by(survey: Survey) -> dict[str, Found]:
    """Return what a survey yields, by the last part of where it is."""
    walk: AsyncIterator[Found] = survey(TestHost(), None)
    return {Path(each.where).name: each async for each in walk}


def uevent(**values: str) -> str:
    return "".join(
        f"POWER_SUPPLY_{key.upper()}={text}\n" for key, text in values.items()
    )


# --- batteries ------------------------------------------------------------------------


async def test_sysfs_shows_each_entry_and_why_not(tmp_path: Path) -> None:
    fair = uevent(status="Charging", capacity="61", manufacturer="synthetic")
    write_supply(tmp_path, "BAT0", type_="Battery", uevent=fair)
    write_supply(tmp_path, "AC", type_="Mains", files={"online": "1"})
    write_supply(tmp_path, "mouse", type_="Battery", files={"scope": "Device"})
    write_supply(tmp_path, "gauge", type_="Unknown")
    found = await found_by(sysfs.survey_of(tmp_path))
    assert found["BAT0"].what == "BAT0, 61 %, charging, synthetic"
    assert found["BAT0"].table == {"kind": "sysfs", "root": str(tmp_path)}
    assert found["AC"].table is None
    assert "online 1" in found["AC"].what
    assert "no battery" in found["AC"].why_not
    assert "peripheral" in found["mouse"].why_not
    assert "its type is Unknown" in found["gauge"].why_not
    assert found["gauge"].remedy


@pytest.mark.parametrize(
    ("values", "why_not"),
    [
        ({"present": "0", "capacity": "100"}, "no battery is fitted"),
        ({"capacity_level": "Normal"}, "only in words"),
        ({"status": "Discharging"}, "does not say its charge"),
        (
            {"charge_now": "65535000", "charge_full": "65535000"},
            "its gauge chip is silent",
        ),
    ],
)
async def test_a_battery_that_no_gauge_can_use(
    tmp_path: Path, values: dict[str, str], why_not: str
) -> None:
    write_supply(tmp_path, "BAT0", type_="Battery", uevent=uevent(**values))
    battery = (await found_by(sysfs.survey_of(tmp_path)))["BAT0"]
    assert battery.table is None
    assert why_not in battery.why_not


async def test_two_batteries_are_named(tmp_path: Path) -> None:
    for name in ("BAT0", "BAT1"):
        text = uevent(charge_now="3500000", charge_full="7000000")
        write_supply(tmp_path, name, type_="Battery", uevent=text)
    found = await found_by(sysfs.survey_of(tmp_path))
    assert [each.table["name"] for each in found.values() if each.table] == [
        "BAT0",
        "BAT1",
    ]
    assert "50 % by its charge" in found["BAT1"].what
    assert "taken as one" in found["BAT0"].remedy


async def test_kernel_shows_what_each_battery_offers(tmp_path: Path) -> None:
    supplies = tmp_path / "class" / "power_supply"
    FakeChargeDriver(supplies / "BAT0", behaviours=("auto", "inhibit-charge"), end=80)
    FakeChargeDriver(supplies / "BAT1", end=100, start=95, types=("Fast", "Custom"))
    FakeChargeDriver(supplies / "BAT2")
    FakeChargeDriver(supplies / "BAT3", behaviours=("auto",))
    found = await found_by(kernel.survey_of(tmp_path))
    assert found["BAT0"].table == {
        "kind": "kernel",
        "name": "BAT0",
        "root": str(tmp_path),
    }
    assert found["BAT0"].what == (
        "BAT0: charge_behaviour is auto, offered: auto, inhibit-charge; "
        "charge_control_end_threshold is 80 %"
    )
    assert found["BAT1"].table is not None
    assert "charge_types is Fast, offered: Fast, Custom" in found["BAT1"].what
    for name in ("BAT2", "BAT3"):
        assert found[name].table is None
        assert "nothing that stops charging" in found[name].why_not
        assert "contact in the supply" in found[name].remedy


async def test_kernel_names_a_battery_whose_driver_fails(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """EIO since a firmware update (AsahiLinux/linux issue 413)."""
    folder = tmp_path / "class" / "power_supply" / "macsmc-battery"
    driver = FakeChargeDriver(folder, behaviours=("auto", "inhibit-charge"))
    driver.failures["show", "charge_behaviour"] = [errno.EIO] * 9
    monkeypatch.setattr("tidegate_backends.linux.batteries.show", driver.show)
    (battery,) = (await found_by(kernel.survey_of(tmp_path))).values()
    assert battery.table is None
    assert os.strerror(errno.EIO) in battery.why_not
    assert "firmware" in battery.remedy


@pytest.mark.parametrize("module", [sysfs, kernel])
@pytest.mark.parametrize("is_there", [False, True])
async def test_a_machine_without_power_supplies(
    module: Any, is_there: bool, tmp_path: Path
) -> None:
    if is_there:
        (tmp_path / "class" / "power_supply").mkdir(parents=True)
    with pytest.raises(Unsupported, match="no power supplies") as caught:
        await found_by(module.survey_of(tmp_path))
    assert caught.value.remedy


async def test_a_machine_without_a_battery_of_its_own(tmp_path: Path) -> None:
    write_supply(tmp_path, "mouse", type_="Battery", files={"scope": "Device"})
    with pytest.raises(Unsupported, match="no system battery"):
        await found_by(kernel.survey_of(tmp_path))
    assert (await found_by(sysfs.survey_of(tmp_path)))["mouse"].table is None


# --- ports ----------------------------------------------------------------------------


async def test_usb_port_shows_each_plug_once_and_what_is_on_it(tmp_path: Path) -> None:
    hubs = FakeHubs(tmp_path)
    hubs.plug_in(
        "1-1-port2", product="wall guide", manufacturer="synthetic", serial="WG-0007"
    )
    hubs.overload("2-1-port3", 2)
    (hubs.devices / "1-1:1.0" / "1-1-port4" / "disable").unlink()
    found = await found_by(usb_port.survey_of(tmp_path))
    assert sorted(found) == [
        *(f"1-1-port{number}" for number in range(1, 5)),
        "usb1-port1",
        "usb1-port2",
    ]
    assert found["1-1-port2"].what == (
        "port 2 of museum hub, synthetic (1-1-port2), USB 3 companion 2-1-port2, "
        "on it: synthetic wall guide, serial WG-0007"
    )
    assert found["1-1-port2"].table == {
        "kind": "usb-port",
        "name": "1-1-port2",
        "root": str(tmp_path),
    }
    assert "leave the power on" in found["1-1-port2"].remedy
    assert "overloaded 2 times" in found["1-1-port3"].what
    assert "nothing on it" in found["1-1-port3"].what
    assert found["1-1-port4"].table is None
    assert "Linux 6.0" in found["1-1-port4"].remedy


async def test_a_plug_goes_by_its_usb_2_half_whichever_bus_comes_first(
    tmp_path: Path,
) -> None:
    hubs = FakeHubs(tmp_path)
    mark = "usb3_lpm_permit"
    first, second = hubs._folder("1-1-port2"), hubs._folder("2-1-port2")
    (second / mark).rename(first / mark)
    found = await found_by(usb_port.survey_of(tmp_path))
    assert "1-1-port2" not in found
    assert "USB 3 companion 1-1-port2" in found["2-1-port2"].what


async def test_a_machine_without_usb(tmp_path: Path) -> None:
    with pytest.raises(Unsupported, match="no USB"):
        await found_by(usb_port.survey_of(tmp_path))


# --- all of them ----------------------------------------------------------------------


@pytest.mark.parametrize("module", [sysfs, kernel, usb_port])
async def test_every_table_loads_and_its_device_opens(
    module: Any, tmp_path: Path
) -> None:
    FakeHubs(tmp_path)
    driver = FakeChargeDriver(
        tmp_path / "class" / "power_supply" / "BAT0",
        behaviours=("auto", "inhibit-charge"),
    )
    tables = [
        each.table
        for each in (await found_by(module.survey_of(tmp_path))).values()
        if each.table
    ]
    assert tables
    for table in tables:
        settings = module.BACKEND.settings.model_validate(table)
        async with module.BACKEND.make(settings, TestHost()):
            pass
    assert driver.stored == []


@pytest.mark.parametrize("module", [sysfs, kernel, usb_port])
async def test_the_backend_surveys_the_machine_itself(module: Any) -> None:
    host = TestHost()
    with suppress(Unsupported):  # of a machine without batteries or USB
        await anext(module.BACKEND.survey(host, None), None)
    (name,) = host.workers
    assert name.endswith(f":{LIVE_ROOT}")
