"""`hid` against fake boards: no HID device can be made on a test machine.

hidapi itself is here: it lists devices, and says what it says of a node that is none.
"""

from __future__ import annotations

import asyncio
import os
import sys
from collections.abc import AsyncIterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from support.fake_hid import FOUR_BYTE, FakeHids, unplugging
from support.lent_hosts import LentHosts
from tidegate.contract import Found, Readback, Target
from tidegate.core.reading import Supply
from tidegate.errors import Malformed, Refused, Unavailable, Unsupported
from tidegate_backends.hid import board as hid_board
from tidegate_backends.hid import device as hid_device
from tidegate_backends.relays import hid
from tidegate_backends.relays.hid import HidRelay, Settings
from tidegate_backends.wire.hid_board import Form

ON, OFF = Supply.ON, Supply.OFF


class Bench(LentHosts):
    def __init__(self, folder: Path) -> None:
        super().__init__()
        self.boards = FakeHids(folder)

    def relay(self, station: str = "lobby", **table: Any) -> HidRelay:
        settings = Settings.model_validate(table)
        return HidRelay(settings, self.host(station), hid=self.boards.hid)

    async def found(self, probe: str | None = None) -> list[Found]:
        host = self.host("survey")
        survey = hid.survey(host, probe, hid=self.boards.hid)
        return [each async for each in survey]


@pytest.fixture
async def bench(tmp_path: Path) -> AsyncIterator[Bench]:
    bench = Bench(tmp_path)
    yield bench
    await bench.close()
    assert [each.opened for each in bench.boards.boards] == [0] * len(
        bench.boards.boards
    ), "a board was left open"


# ---- one board


async def test_board_is_told_and_asked(bench: Bench) -> None:
    board = bench.boards.plug()
    async with bench.relay(channel=2) as relay:
        assert relay.facts.readback is Readback.LATCH
        await relay.set(OFF)
        assert board.coils[2]
        assert await relay.get() is OFF
        board.coils[2] = False  # somebody's hand
        assert await relay.get() is ON
        await relay.set(ON)
    assert [report.hex(" ") for report in board.reports] == [
        "00 ff 02 00 00 00 00 00 00",
        "00 fd 02 00 00 00 00 00 00",
    ]


@pytest.mark.parametrize("numbered", [True, False])
async def test_either_shape_of_the_feature_report(bench: Bench, numbered: bool) -> None:
    bench.boards.plug(numbered=numbered)
    async with bench.relay(serial="HALL1") as relay:
        await relay.set(OFF)
        assert await relay.get() is OFF


@pytest.mark.parametrize(
    ("report", "product", "ids", "sent"),
    [
        ("one-byte", "HIDRelay", (0x16C0, 0x05DF), "00 f3 00 00 00 00 00 00 00"),
        ("four-byte", "", FOUR_BYTE, "00 a0 03 01 a4"),
    ],
)
async def test_look_alikes_cannot_tell(
    bench: Bench, report: str, product: str, ids: tuple[int, int], sent: str
) -> None:
    board = bench.boards.plug(product=product, ids=ids)
    async with bench.relay(report=report, channel=3) as relay:
        assert relay.facts.readback is Readback.NONE
        await relay.set(OFF)
        assert board.coils[3]
        assert await relay.get() is None
    assert board.reports[0].hex(" ") == sent


async def test_board_that_does_not_hold_what_it_is_told(bench: Bench) -> None:
    board = bench.boards.plug()
    board.failing = "stuck"
    async with bench.relay() as relay:
        with pytest.raises(Refused, match="was told driven and reports released"):
            await relay.set(OFF)


async def test_two_stations_share_one_board(bench: Bench) -> None:
    board = bench.boards.plug()
    lobby = bench.relay("lobby", serial="HALL1", channel=1)
    hall = bench.relay("hall", serial="HALL1", channel=2)
    await asyncio.gather(lobby.open(), hall.open())
    assert board.opened == 1
    await asyncio.gather(lobby.set(OFF), hall.set(OFF))
    assert (board.coils[1], board.coils[2]) == (True, True)
    await lobby.close()
    assert await hall.get() is OFF
    await hall.close()


# ---- which board


async def test_boards_are_told_apart_by_serial_text_or_place(bench: Bench) -> None:
    first = bench.boards.plug(serial="HALL1", usb="1-1.2")
    second = bench.boards.plug(serial="HALL2", usb="1-1.3")
    async with bench.relay(serial="HALL2") as relay:
        await relay.set(OFF)
    assert (first.coils[1], second.coils[1]) == (False, True)
    async with bench.relay(usb="1-1.2") as relay:
        await relay.set(OFF)
    assert (first.coils[1], second.coils[1]) == (True, True)


async def test_one_of_several_has_to_be_named(bench: Bench) -> None:
    bench.boards.plug(usb="1-1.2")
    bench.boards.plug(usb="1-1.3")
    with pytest.raises(Unavailable, match="more than one board") as caught:
        await bench.relay().open()
    assert "1-1.2, 1-1.3" in caught.value.remedy


async def test_serial_text_that_no_board_has(bench: Bench) -> None:
    bench.boards.plug(serial="HALL1")
    with pytest.raises(Unavailable, match="no board with the serial text CELLA") as e:
        await bench.relay(serial="CELLA").open()
    assert "There now: HALL1." in e.value.remedy


@pytest.mark.parametrize("failing", ["dead", "garbled", "held"])
async def test_board_that_fails_is_not_in_the_way_of_another(
    bench: Bench, failing: str
) -> None:
    bench.boards.plug(serial="HALL1", usb="1-1.2").failing = failing
    second = bench.boards.plug(serial="HALL2", usb="1-1.3")
    async with bench.relay(serial="HALL2") as relay:
        await relay.set(OFF)
    assert second.coils[1]
    with pytest.raises((Unavailable, Malformed), match=r"open|answer|feature report"):
        await bench.relay(serial="HALL1").open()


async def test_serial_text_that_two_boards_have(bench: Bench) -> None:
    bench.boards.plug(serial="HALL1", usb="1-1.2")
    bench.boards.plug(serial="HALL1", usb="1-1.3")
    with pytest.raises(Unavailable, match="more than one board has the serial") as e:
        await bench.relay(serial="HALL1").open()
    assert "1-1.2, 1-1.3" in e.value.remedy


async def test_one_board_has_one_form(bench: Bench) -> None:
    bench.boards.plug(usb="1-1.2")
    async with bench.relay(usb="1-1.2"):
        with pytest.raises(Unsupported, match="uses this board as feature-mask"):
            await bench.relay("hall", usb="1-1.2", report="one-byte").open()


async def test_strangers_with_the_shared_id_are_left_alone(bench: Bench) -> None:
    stranger = bench.boards.plug(product="Clock of somebody's own")
    with pytest.raises(Unavailable, match="no such board"):
        await bench.relay().open()
    assert stranger.reports == []


async def test_channel_that_the_board_does_not_have(bench: Bench) -> None:
    bench.boards.plug(product="USBRelay2")
    with pytest.raises(Unsupported, match="2 relays and no channel 3"):
        await bench.relay(channel=3).open()


# ---- gone and back


async def test_unplugged_then_back_under_another_number(bench: Bench) -> None:
    board = bench.boards.plug()
    pull, put = unplugging(board)
    relay = bench.relay(serial="HALL1")
    await relay.open()
    await relay.set(OFF)
    pull()
    for call in (relay.set(OFF), relay.get()):
        with pytest.raises(Unavailable):
            await call
    board.path = str(Path(board.path).with_name("hidraw77"))
    put()
    await relay.set(OFF)
    assert board.coils[1]
    await relay.close()


async def test_plugged_in_again_at_rest_does_not_fail_an_on(bench: Bench) -> None:
    """At the end of the daemon there is one on, and nobody to repeat it."""
    board = bench.boards.plug()
    async with bench.relay(contact="normally-open") as relay:
        await relay.set(ON)
        pull, put = unplugging(board)
        pull()
        board.path = str(Path(board.path).with_name("hidraw77"))
        put()
        await relay.set(ON)
        assert board.coils[1]
        assert board.opened == 1


async def test_poisoned_board_is_opened_anew(bench: Bench) -> None:
    board = bench.boards.plug()
    lobby, hall = bench.relay("lobby"), bench.relay("hall", channel=2)
    await lobby.open()
    await hall.open()
    await bench.hosts[0].poison("hid:feature-mask")
    with pytest.raises(Unavailable, match="given up"):
        await hall.set(OFF)
    for relay in (lobby, hall):
        await relay.close()
        await relay.open()
        await relay.set(OFF)
    assert board.coils[2]
    await lobby.close()
    await hall.close()


@pytest.mark.parametrize(
    ("form", "product"),
    [(Form.FEATURE_MASK, "USBRelay4"), (Form.ONE_BYTE, "HIDRelay")],
)
def test_board_is_not_closed_under_a_call_that_hangs(
    bench: Bench, form: Form, product: str
) -> None:
    """hidapi would free what the call still uses; the call closes it at its end."""
    device = bench.boards.plug(product=product)
    choice = hid_board.Choice(form=form, serial=None, usb=None)
    board = hid_board.Board(choice, bench.boards.hid)
    board.open()
    device.gate.clear()
    with ThreadPoolExecutor(1) as thread:
        call = thread.submit(board.switch, 1, driven=True)
        assert device.reached.wait(20)
        board.retire()
        assert device.opened == 1
        with pytest.raises(Unavailable, match="given up"):
            board.switch(2, driven=True)  # another station's does not hang behind it
        device.gate.set()
        error = call.exception(20)
        assert error is None or "given up" in str(error)
    assert device.opened == 0


async def test_garbled_feature_report(bench: Bench) -> None:
    board = bench.boards.plug()
    async with bench.relay() as relay:
        board.failing = "garbled"
        with pytest.raises(Malformed, match="not that of such a board"):
            await relay.get()
        board.failing = ""
        assert await relay.get() is ON


async def test_no_permission_names_the_rule(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    board = bench.boards.plug()
    board.failing = "held"
    with pytest.raises(Unavailable, match="does not open"):
        await bench.relay().open()
    # Root may open anything, so who runs this may not be refused by the kernel.
    monkeypatch.setattr(os, "access", lambda *_: False)
    with pytest.raises(Unavailable, match="no permission to open") as caught:
        await bench.relay().open()
    assert 'ATTRS{idVendor}=="16c0", ATTRS{idProduct}=="05df"' in caught.value.remedy


# ---- what is found


async def test_found_without_opening_anything(bench: Bench) -> None:
    board = bench.boards.plug(usb="1-1.2")
    bench.boards.plug(product="HIDRelay", usb="1-1.3")
    bench.boards.plug(product="", ids=FOUR_BYTE, usb="")
    bench.boards.plug(product="Clock of somebody's own")
    bench.boards.plug(product="Keyboard", ids=(0x046D, 0xC31C))
    board.failing = "dead"  # who opened it would notice
    found = await bench.found()
    assert [each.table for each in found] == [
        {"kind": "hid", "report": "feature-mask", "usb": "1-1.2", "channel": 1},
        {"kind": "hid", "report": "one-byte", "usb": "1-1.3", "channel": 1},
        {"kind": "hid", "report": "four-byte", "channel": 1},
        None,
    ]
    assert "4 relays (USBRelay4)" in found[0].what
    assert "only the gauge can tell" in found[1].remedy
    assert "many devices share the id 16c0:05df" in found[3].why_not
    for each in found[:3]:
        assert each.table is not None
        Settings.model_validate(dict(each.table))


@pytest.mark.parametrize("by", ["node", "place"])
async def test_probe_asks_the_one_that_it_names(bench: Bench, by: str) -> None:
    board = bench.boards.plug(usb="1-1.2", serial="HALL1")
    other = bench.boards.plug(usb="1-1.3", serial="HALL2")
    other.failing = "dead"
    found = await bench.found(board.path if by == "node" else "1-1.2")
    assert found[0].table == {
        "kind": "hid",
        "report": "feature-mask",
        "serial": "HALL1",
        "channel": 1,
    }
    assert found[1].table is not None
    assert "usb" in found[1].table
    assert board.reports == []


async def test_probe_of_a_board_that_does_not_answer(bench: Bench) -> None:
    board = bench.boards.plug()
    board.failing = "dead"
    (found,) = await bench.found("1-1.2")
    assert found.table is None
    assert "does not answer" in found.why_not


async def test_found_without_permission(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.boards.plug()
    monkeypatch.setattr(hid, "may_open", lambda _: False)
    (found,) = await bench.found("1-1.2")
    assert found.table is None
    assert found.why_not == "no permission to open it"
    assert "udev rule" in found.remedy


def test_may_open_is_asked_of_the_system(tmp_path: Path) -> None:
    node = tmp_path / "hidraw0"
    assert not hid_board.may_open(str(node))
    node.touch()
    assert hid_board.may_open(str(node))


# ---- hidapi itself


def test_hidapi_lists_what_there_is() -> None:
    """None on most test machines; whatever there is has a node."""
    for each in hid_device.listed():
        assert each.path.startswith("/dev/hidraw")


def test_hidapi_on_a_node_that_is_none(tmp_path: Path) -> None:
    for path in (tmp_path / "none", Path("/dev/null")):
        with pytest.raises(OSError, match="open failed"):
            hid_device.HidrawDevice(str(path))


async def test_relay_over_hidapi_itself(bench: Bench) -> None:
    """Here without a board; on a machine with one it would be opened by its place."""
    relay = HidRelay(Settings(usb="9-9.9"), bench.host("lobby"))
    with pytest.raises(Unavailable, match="no such board"):
        await relay.open()


@pytest.mark.parametrize("call", ["open", "find"])
async def test_hidapi_missing(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, call: str
) -> None:
    monkeypatch.setitem(sys.modules, "hidraw", None)
    host = bench.host("lobby")
    calls = {
        "open": HidRelay(Settings(), host).open,
        "find": lambda: anext(hid.survey(host, None)),
    }
    with pytest.raises(Unsupported, match="extra `hid`") as caught:
        await calls[call]()
    assert "pip install 'tidegate[hid]'" in caught.value.remedy


def test_place_of_a_node(tmp_path: Path) -> None:
    """The folders as the kernel lays them out (sysfs-bus-usb)."""
    hub = tmp_path / "devices" / "usb1" / "1-1"
    device = hub / "1-1.2"
    interface = device / "1-1.2:1.0" / "0003:16C0:05DF.0001"
    interface.mkdir(parents=True)
    for each in (hub, device):
        (each / "idVendor").write_text("16c0\n")
    node = tmp_path / "class" / "hidraw3"
    node.mkdir(parents=True)
    (node / "device").symlink_to(interface)
    assert hid_device.place("/dev/hidraw3", tmp_path / "class") == "1-1.2"
    assert hid_device.place("/dev/hidraw4", tmp_path / "class") == ""


# ---- settings


def test_target_is_board_and_channel() -> None:
    assert Settings(serial="HALL1", channel=2).target() == Target("hid:HALL1", "2")
    assert Settings(usb="1-1.2").target() == Target("hid:1-1.2", "1")
    assert Settings().target() == Target("hid:feature-mask", "1")


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ({"serial": "A", "usb": "1-1"}, "one is wanted"),
        ({"serial": "A", "report": "one-byte"}, "has no serial text"),
        ({"serial": "SIXSIX"}, "serial"),
        ({"usb": "hidraw0"}, "usb"),
        ({"channel": 0}, "channel"),
        ({"channel": 9}, "channel 9 is not one of 1 to 8"),
        ({"report": "one-byte", "channel": 10}, "1 to 9"),
        ({"report": "masked"}, "report"),
    ],
)
def test_settings_refuse(table: dict[str, Any], said: str) -> None:
    with pytest.raises(ValidationError, match=said):
        Settings.model_validate(table)
