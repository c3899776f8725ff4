"""Kernel and usb-port on a mock /sys at its usual place; run by its test file."""

from __future__ import annotations

from pathlib import Path

from support.host import TestHost
from support.umockdev_testbed import Testbed
from support.usb_tree import FakeHubs
from tidegate.core.reading import Supply
from tidegate_backends.gauges import sysfs
from tidegate_backends.relays import kernel, usb_port

PORTS = ("1-1-port2", "2-1-port2")


async def test_the_surveys_see_this_machine() -> None:
    with Testbed() as bed:
        bed.add(
            "BAT0", "Battery", capacity=61, charge_behaviour="[auto] inhibit-charge"
        )
        bed.add("AC", "Mains", online=1)
        FakeHubs(Path(bed.root) / "sys")
        tables = {}
        for module in (sysfs, kernel, usb_port):
            assert module.BACKEND.survey is not None
            walk = module.BACKEND.survey(TestHost(), None)
            found = [each async for each in walk]
            tables[module.BACKEND.kind] = [each.table for each in found if each.table]
    assert tables["sysfs"] == [{"kind": "sysfs"}]
    assert tables["kernel"] == [{"kind": "kernel"}]
    assert {"kind": "usb-port", "name": "1-1-port2"} in tables["usb-port"]
    assert len(tables["usb-port"]) == 6


async def test_what_is_written_lands_in_this_sys() -> None:
    with Testbed() as bed:
        battery = bed.add(
            "BAT0", "Battery", capacity=61, charge_behaviour="[auto] inhibit-charge"
        )
        async with kernel.KernelRelay(kernel.Settings(), TestHost()) as relay:
            await relay.set(Supply.OFF)
            assert await relay.get() is Supply.OFF
        file = Path(bed.root + battery) / "charge_behaviour"
        assert file.read_text() == "inhibit-charge\n"
        hubs = FakeHubs(Path(bed.root) / "sys")
        settings = usb_port.Settings(name="1-1-port2")
        async with usb_port.UsbPortRelay(settings, TestHost()) as port:
            await port.set(Supply.OFF)
            assert await port.get() is Supply.OFF
        for name in PORTS:
            assert (hubs._folder(name) / "disable").read_text() == "1\n"
