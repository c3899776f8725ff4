"""The usb-port relay against hubs that are played: both halves, order, read-back.

The hubs keep status words of two real hubs; devices and serial numbers are invented.
"""

from __future__ import annotations

import asyncio
import errno
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from support import usb_tree
from support.host import TestHost
from support.usb_tree import FakeHubs
from tidegate.contract import Readback, Target
from tidegate.core.policy import Proof
from tidegate.core.reading import Supply
from tidegate.errors import Malformed, Refused, Unavailable, Unsupported
from tidegate.settings import from_tables
from tidegate_backends.relays.usb_port import Settings, UsbPortRelay

ON, OFF = Supply.ON, Supply.OFF


class Bench:
    """Hubs, and a relay on one of their ports."""

    def __init__(self, root: Path, hubs: FakeHubs, table: dict[str, Any]) -> None:
        self.hubs = hubs
        self.host = TestHost()
        self.relay = UsbPortRelay(
            Settings.model_validate({"root": root, **table}),
            self.host,
            show=hubs.show,
            store=hubs.store,
        )

    def has_power(self, number: int = 2) -> bool:
        ports = [port for port in self.hubs.words if port.endswith(f"-1-port{number}")]
        return any(map(self.hubs.powered, ports))


@pytest.fixture
def bench(tmp_path: Path) -> Callable[..., Bench]:
    def made(table: dict[str, Any] | None = None, **hubs: Any) -> Bench:
        table = table or {"name": "1-1-port2"}
        return Bench(tmp_path, FakeHubs(tmp_path, **hubs), table)

    return made


@pytest.mark.parametrize(
    ("port", "word", "power"),
    [
        # wPortStatus as two hubs said it, with the words of their reporters.
        ("1-1-port1", 0x0103, True),  # power enable connect
        ("1-1-port1", 0x0000, False),  # off
        ("1-1-port1", 0x0100, True),  # power
        ("2-1-port2", 0x02A0, True),  # power 5gbps Rx.Detect
        ("2-1-port3", 0x0203, True),  # power 5gbps U0 enable connect
    ],
)
def test_the_power_bit_of_the_played_hubs(
    tmp_path: Path, port: str, word: int, power: bool
) -> None:
    """The peer is held to what was captured (mvp/uhubctl issues 277 and 515)."""
    hubs = FakeHubs(tmp_path)
    hubs.words[port] = word
    assert hubs.powered(port) is power
    assert word in (
        usb_tree.USB2_CONNECTED,
        usb_tree.USB2_OFF,
        usb_tree.USB2_POWER,
        usb_tree.USB3_POWER,
        usb_tree.USB3_CONNECTED,
    )


@pytest.mark.parametrize(
    "table", [{"name": "1-1-port2"}, {"hub": "1-1", "port": 2}, {"name": "2-1-port2"}]
)
async def test_both_halves_go_off_and_on(bench, table: dict[str, Any]) -> None:
    here = bench(table)
    async with here.relay as relay:
        await relay.set(OFF)
        assert not here.has_power()
        assert await relay.get() is OFF
        await relay.set(ON)
        assert here.hubs.powered("1-1-port2")
        assert here.hubs.powered("2-1-port2")
        assert await relay.get() is ON
    assert {port for port, _ in here.hubs.stored} == {"1-1-port2", "2-1-port2"}
    assert here.has_power(1)
    assert here.has_power(3)


async def test_what_it_declares(bench) -> None:
    async with bench().relay as relay:
        facts = relay.facts
    assert facts.readback is Readback.LATCH
    assert facts.proof is Proof.EXTERNAL_POWER
    assert not facts.fails_on, "a port that was told stays so without the daemon"
    assert not facts.reopen_disturbs


@pytest.mark.parametrize(
    ("on_it", "off"),
    [
        # The idle half first (mvp/uhubctl issue 320).
        ("1-1-port2", ["2-1-port2", "1-1-port2"]),
        ("2-1-port2", ["1-1-port2", "2-1-port2"]),
    ],
)
async def test_the_idle_half_goes_first_and_usb_3_comes_first(
    bench, on_it: str, off: list[str]
) -> None:
    here = bench()
    here.hubs.plug_in(on_it, product="wall guide")
    async with here.relay as relay:
        await relay.set(OFF)
        await relay.set(ON)
    assert here.hubs.stored[:2] == [(port, "1") for port in off]
    # Power to the USB 3 port first: drivers/usb/core/port.c, runtime resume.
    assert here.hubs.stored[2:] == [("2-1-port2", "0"), ("1-1-port2", "0")]


async def test_one_half_with_power_is_on(bench) -> None:
    here = bench()
    async with here.relay as relay:
        await relay.set(OFF)
        here.hubs.words["2-1-port2"] = usb_tree.USB3_POWER
        assert await relay.get() is ON


async def test_a_reset_of_the_hub_shows(bench) -> None:
    here = bench()
    async with here.relay as relay:
        await relay.set(OFF)
        here.hubs.reset_hub()
        assert await relay.get() is ON


async def test_a_half_that_fails_gives_the_other_its_power_back(bench) -> None:
    here = bench()
    here.hubs.failures["store", "2-1-port2"] = [errno.EIO]
    here.hubs.plug_in("2-1-port2", product="wall guide")  # so that it is the second
    async with here.relay as relay:
        with pytest.raises(Unavailable, match="2-1-port2 off"):
            await relay.set(OFF)
    # The half whose write failed may have lost its power all the same.
    assert here.hubs.stored == [
        ("1-1-port2", "1"),
        ("1-1-port2", "0"),
        ("2-1-port2", "0"),
    ]


async def test_on_reaches_the_half_that_is_left(bench) -> None:
    """USB 3 comes first, and its hub may just have gone: the device must have power."""
    here = bench()
    async with here.relay as relay:
        await relay.set(OFF)
        here.hubs.unplug_half(2)
        with pytest.raises(Unavailable, match="2-1-port2 on"):
            await relay.set(ON)
        assert here.hubs.powered("1-1-port2")


async def test_an_off_of_which_the_second_half_vanishes_is_undone(bench) -> None:
    here = bench()
    here.hubs.plug_in("2-1-port2", product="wall guide")  # so that it is the second
    async with here.relay as relay:
        here.hubs.changed = lambda: here.hubs.unplug_half(2)
        with pytest.raises(Unavailable, match="2-1-port2 off"):
            await relay.set(OFF)
        assert here.hubs.powered("1-1-port2")
        assert "an off that failed is not undone" in relay.take_notes()[0]


@pytest.mark.parametrize("named", [True, False])
async def test_without_its_companion_a_port_can_still_be_turned_on(
    bench, named: bool
) -> None:
    more = {"companion": "2-1-port2"} if named else {}
    here = bench({"name": "1-1-port2", **more})
    async with here.relay as relay:
        await relay.set(OFF)
    here.hubs.unplug_half(2)
    async with here.relay as relay:
        await relay.set(ON)
        assert here.hubs.powered("1-1-port2")
        if named:
            with pytest.raises(Unavailable, match="2-1-port2, which shares the plug"):
                await relay.set(OFF)
            assert here.hubs.powered("1-1-port2")


async def test_a_hub_that_cannot_switch_is_told_as_such(bench) -> None:
    here = bench(can_switch=False)
    async with here.relay as relay:
        with pytest.raises(Refused, match="did not follow") as caught:
            await relay.set(OFF)
    assert "power switching for each port" in caught.value.remedy
    last = dict(here.hubs.stored)
    assert set(last.values()) == {"0"}, "neither half is left disabled"


@pytest.mark.parametrize(
    ("table", "usb3", "ports"),
    [
        ({"name": "1-1-port2"}, False, {"1-1-port2"}),
        ({"name": "1-1-port2", "companion": "none"}, True, {"1-1-port2"}),
        # On two hubs that the kernel could not match.
        (
            {"name": "1-1-port2", "companion": "2-1-port4"},
            True,
            {"1-1-port2", "2-1-port4"},
        ),
        ({"hub": "usb1", "port": 2}, True, {"usb1-port2", "usb2-port2"}),
    ],
)
async def test_the_companion_is_found_named_or_none(
    bench, table: dict[str, Any], usb3: bool, ports: set[str]
) -> None:
    here = bench(table, usb3=usb3)
    async with here.relay as relay:
        await relay.set(OFF)
    assert {port for port, _ in here.hubs.stored} == ports


async def test_a_usb_3_half_without_a_known_other_is_told(bench) -> None:
    here = bench({"name": "2-1-port2"})
    (here.hubs.devices / "2-1:1.0" / "2-1-port2" / "peer").unlink()
    async with here.relay as relay:
        assert "power may stay on" in relay.take_notes()[0]


async def test_an_overload_is_told_once(bench) -> None:
    here = bench()
    here.hubs.overload("1-1-port2", 1)
    async with here.relay as relay:
        await relay.get()
        assert relay.take_notes() == []
        here.hubs.overload("1-1-port2", 3)
        await relay.get()
        await relay.get()
        assert relay.take_notes() == ["1-1-port2 was overloaded, 3 times by now"]


async def test_a_hub_that_is_away_says_which_ports_there_are(bench) -> None:
    here = bench()
    here.hubs.unplug_hub()
    with pytest.raises(Unavailable, match="there is no port 1-1-port2") as caught:
        await here.relay.open()
    assert "usb1-port1, usb1-port2" in caught.value.remedy
    here.hubs.plug_hub_back()
    async with here.relay as relay:
        await relay.set(OFF)
        assert not here.has_power()


async def test_a_kernel_without_the_switch_is_unsupported(bench) -> None:
    here = bench()
    (here.hubs.devices / "2-1:1.0" / "2-1-port2" / "disable").unlink()
    with pytest.raises(Unsupported, match="2-1-port2") as caught:
        await here.relay.open()
    assert "Linux 6.0" in caught.value.remedy


async def test_a_port_without_permission_gets_a_rule(bench) -> None:
    here = bench()
    async with here.relay as relay:
        here.hubs.failures["store", "2-1-port2"] = [errno.EACCES]
        with pytest.raises(Unavailable, match="no permission") as caught:
            await relay.set(OFF)
    assert 'DRIVER=="hub"' in caught.value.remedy


async def test_text_that_cannot_be_is_malformed(bench) -> None:
    here = bench()
    async with here.relay as relay:
        here.hubs.spoilt["1-1-port2"] = "on"
        with pytest.raises(Malformed, match="where 0 or 1 is due"):
            await relay.get()


async def test_a_late_call_leaves_the_other_half_alone(tmp_path: Path) -> None:
    hubs = FakeHubs(tmp_path)
    relay = UsbPortRelay(
        Settings(root=tmp_path, name="1-1-port2"),
        TestHost(threaded=True),
        show=hubs.show,
        store=hubs.store,
    )
    await relay.open()
    hubs.hold()
    call = asyncio.ensure_future(relay.set(OFF))
    assert await asyncio.to_thread(hubs.reached.wait, 20)
    await relay.close()
    hubs.let_go()
    with pytest.raises(Unavailable, match="closed meanwhile"):
        await call
    assert len(hubs.stored) == 1, "the second half was told nothing any more"


async def test_on_plain_files_alone(tmp_path: Path) -> None:
    """Without any fake: what it writes is there, and is read back."""
    hubs = FakeHubs(tmp_path)
    files = [hubs.devices / f"{bus}-1:1.0/{bus}-1-port2/disable" for bus in (1, 2)]
    settings = Settings(root=tmp_path, name="1-1-port2")
    async with UsbPortRelay(settings, TestHost()) as relay:
        await relay.set(OFF)
        assert [file.read_text() for file in files] == ["1\n", "1\n"]
        assert await relay.get() is OFF
        await relay.set(ON)
        assert [file.read_text() for file in files] == ["0\n", "0\n"]
        assert await relay.get() is ON


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ({}, "a name alone, or a hub and a port"),
        ({"hub": "1-1"}, "a name alone, or a hub and a port"),
        ({"port": 2}, "a name alone, or a hub and a port"),
        ({"name": "1-1-port2", "port": 2}, "a name alone, or a hub and a port"),
        ({"name": "1-1-port2", "hub": "1-1", "port": 2}, "a name alone"),
        ({"name": "../1-1-port2"}, "pattern"),
        ({"name": "1-1-port2\n"}, "pattern"),
        ({"hub": "1-1:1.0", "port": 2}, "pattern"),
        ({"hub": "1-1", "port": 0}, "greater than or equal to 1"),
        ({"name": "1-1-port2", "companion": "any"}, "pattern"),
        ({"name": "1-1-port2", "contact": "normally-closed"}, "latching"),
        ({"name": "1-1-port2", "contact": "normally-open"}, "latching"),
    ],
)
def test_settings_that_name_no_one_port(table: dict[str, Any], said: str) -> None:
    with pytest.raises(ValidationError, match=said):
        Settings.model_validate(table)


def test_one_port_is_one_target_however_it_is_named() -> None:
    target = Target("/sys/bus/usb/devices/1-1.4", "2")
    assert Settings(name="1-1.4-port2").target() == target
    assert Settings(hub="1-1.4", port=2).target() == target


def test_it_gives_no_warning_about_a_contact_that_nobody_chose() -> None:
    def warnings(**relay: Any) -> tuple[str, ...]:
        station = {
            "gauge": {"kind": "command", "run": ["guide-battery"]},
            "relay": {"kind": "usb-port", "name": "1-1-port2", **relay},
            "window": {"low": 55, "high": 65},
        }
        return tuple(from_tables({"station": {"lobby": station}}).warnings)

    assert warnings() == ()
    assert any("latching" in each for each in warnings(contact="latching"))
