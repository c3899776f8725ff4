"""The survey of serial ports, on a made-up tree; a probe asks a real pseudo-terminal."""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest

from support.held_port import HeldPort
from support.relay_board import RelayBoard
from support.serial_tree import SerialTree
from support.text_board import TextBoard
from tidegate.clock import SystemClock
from tidegate.contract import Found, Host
from tidegate.host import Machine
from tidegate_backends.linux import ports
from tidegate_backends.relays import serial_frame
from tidegate_backends.tty import port as serial_port
from tidegate_backends.tty import survey as serial_ports
from tidegate_backends.tty.survey import survey

BY_PATH = "pci-0000:00:14.0-usb-0:3:1.0-port0"
QUERY = bytes.fromhex("A0 01 05 A6")


@pytest.fixture
def tree(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> SerialTree:
    return SerialTree(tmp_path / "machine", monkeypatch)


@pytest.fixture
def board(tmp_path: Path) -> Iterator[RelayBoard]:
    with RelayBoard(tmp_path / "board") as board:
        yield board


@pytest.fixture
async def host() -> AsyncIterator[Host]:
    machine = Machine(SystemClock())
    host = machine.host("find", hint=lambda: None)
    yield host
    await host.close()
    machine.workers.close()


async def found_by(host: Host, probe: str | None = None) -> list[Found]:
    return [each async for each in survey(host, probe)]


# ---- listing


async def test_a_board_is_offered_by_its_place(tree: SerialTree, host: Host) -> None:
    """The name by place, and of two such names the one that every udev gives."""
    tree.board(
        "ttyUSB0",
        "1-3",
        by_id="usb-1a86_USB_Serial-if00-port0",
        by_path=("pci-0000:00:14.0-usbv2-0:3:1.0-port0", BY_PATH),
    )
    (found,) = await found_by(host)
    name = str(tree.names / "by-path" / BY_PATH)
    assert found.where == name
    assert found.table == {"kind": "serial-frame", "port": name, "channel": 1}
    assert found.what == (
        "serial port ttyUSB0, USB 1a86:7523 synthetic USB Serial, driver ch341-uart"
    )
    assert "has no serial number" in found.remedy
    assert found.why_not == ""


async def test_the_table_is_one_that_loads(tree: SerialTree, host: Host) -> None:
    tree.board("ttyUSB0", "1-3", by_path=(BY_PATH,))
    (found,) = await found_by(host)
    settings = serial_frame.Settings.model_validate(found.table)
    assert settings.target().link == found.where


async def test_a_number_of_its_own_makes_the_name_by_id_good(
    tree: SerialTree, host: Host
) -> None:
    tree.board("ttyUSB0", "1-3", serial="A7", by_id="usb-A7", by_path=(BY_PATH,))
    (found,) = await found_by(host)
    assert f"{tree.names}/by-id/usb-A7, follows the adapter" in found.remedy


async def test_without_udev_the_number_may_change(tree: SerialTree, host: Host) -> None:
    tree.board("ttyUSB0", "1-3")
    (found,) = await found_by(host)
    assert found.where == str(tree.dev / "ttyUSB0")
    assert "its number may change" in found.remedy


async def test_modem_manager_is_named_where_it_tries(
    tree: SerialTree, host: Host
) -> None:
    tree.board("ttyACM0", "1-3", "2341:0043", by_path=(BY_PATH,))
    (found,) = await found_by(host)
    assert "ModemManager" in found.remedy
    assert found.table is not None


async def test_ports_of_the_machine(tree: SerialTree, host: Host) -> None:
    """Type 0 is a place without hardware; the console is not ours to use."""
    tree.uart("ttyS0", console="Y")
    tree.uart("ttyS1")
    tree.uart("ttyS2", number="0")
    tree.uart("ttyS10")
    console, second, tenth = await found_by(host)
    assert console.table is None
    assert "console" in console.why_not
    assert "console=" in console.remedy
    assert second.what == "serial port ttyS1, driver serial8250"
    assert (second.table or {})["port"] == str(tree.dev / "ttyS1")
    assert tenth.where == str(tree.dev / "ttyS10")


@pytest.mark.parametrize(
    ("program", "advice"),
    [
        ("ModemManager", "ID_MM_DEVICE_IGNORE"),
        ("brltty", "update to 6.5"),
        ("minicom", "End that program."),
    ],
)
async def test_who_holds_a_port_is_named(
    tree: SerialTree, host: Host, program: str, advice: str
) -> None:
    tree.board("ttyUSB0", "1-3", by_path=(BY_PATH,))
    tree.holds(tree.dev / "ttyUSB0", program, 4711)
    (found,) = await found_by(host)
    assert found.table is None
    assert found.why_not == f"in use by {program} (4711)"
    assert advice in found.remedy


async def test_what_a_process_hides_is_passed_over(
    tree: SerialTree, host: Host
) -> None:
    """Other people's processes cannot be looked into, which is no error."""
    tree.board("ttyUSB0", "1-3", by_path=(BY_PATH,))
    (tree.proc / "99").mkdir()
    (found,) = await found_by(host)
    assert found.table is not None


async def test_an_adapter_that_brltty_took_is_shown(
    tree: SerialTree, host: Host
) -> None:
    """It has no port at all: a program drives it through usbfs."""
    tree.adapter("1-3", "1a86:7523", driver="usbfs")
    tree.holds(tree.dev / "bus/usb/001/003", "brltty", 812)
    (found,) = await found_by(host)
    assert found.table is None
    assert found.why_not == "brltty (812) has taken it"
    assert "brltty up to 6.4" in found.remedy
    assert found.where == "USB 1-3"


@pytest.mark.parametrize(
    ("driver", "why_not", "remedy"),
    [
        ("", "no driver has taken it", "module cp210x"),
        ("cp210x", "gives it no port", "plug it in again"),
    ],
)
async def test_an_adapter_without_a_port(
    tree: SerialTree, host: Host, driver: str, why_not: str, remedy: str
) -> None:
    tree.adapter("1-4", "10c4:ea60", driver=driver)
    tree.adapter("1-5", "046d:c31c", driver="usbhid")  # a keyboard
    (found,) = await found_by(host)
    assert why_not in found.why_not
    assert remedy in found.remedy


async def test_a_node_that_is_missing(tree: SerialTree, host: Host) -> None:
    tree.board("ttyUSB0", "1-3")
    (tree.dev / "ttyUSB0").unlink()
    (found,) = await found_by(host)
    assert found.table is None
    assert "there is no" in found.why_not


async def test_a_port_without_permission(
    tree: SerialTree, host: Host, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever runs the tests may open anything: the answer of the kernel is made up."""
    tree.board("ttyUSB0", "1-3")
    monkeypatch.setattr(ports.os, "access", lambda *_: False)
    (found,) = await found_by(host)
    assert found.table is None
    assert "dialout" in found.remedy


async def test_texts_of_a_device_are_made_fit_to_show(
    tree: SerialTree, host: Host
) -> None:
    tree.adapter("1-3", "1a86:7523", model="Bo\x1b[31mard\n" + "x" * 200)
    (found,) = await found_by(host)
    assert found.what.isprintable()
    assert len(found.what) < 120


async def test_a_machine_without_any(tree: SerialTree, host: Host) -> None:
    assert await found_by(host) == []


# ---- probing


async def test_nothing_is_opened_without_a_probe(
    tree: SerialTree, host: Host, board: RelayBoard
) -> None:
    """The port is held exclusively: opening it would fail, and be told."""
    tree.board("ttyUSB0", "1-3", to=board.link.resolve(), by_path=(BY_PATH,))
    port = HeldPort(board.link)
    port.hold()
    (found,) = await found_by(host)
    port.let_go()
    assert found.table is not None
    assert board.heard() == []


async def test_a_probe_asks_and_moves_nothing(
    tree: SerialTree, host: Host, board: RelayBoard, tmp_path: Path
) -> None:
    board.hand(1, driven=True)
    with RelayBoard(tmp_path / "other") as other:
        tree.board("ttyUSB0", "1-3", to=board.link.resolve(), by_path=(BY_PATH,))
        tree.board("ttyUSB1", "1-4", to=other.link.resolve())
        asked, left = await found_by(host, str(tree.dev / "ttyUSB0"))
        assert other.heard() == []
    assert asked.what.endswith("a four-byte board, whose channel 1 is driven")
    assert "moved its contacts for a moment" in asked.remedy
    assert asked.table is not None
    assert "four-byte" not in left.what
    assert board.heard() == [QUERY]
    assert board.driven()


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """For boards that never answer; those that do take milliseconds."""
    monkeypatch.setattr(serial_ports, "LIMIT_S", 0.2)


@pytest.mark.usefixtures("impatient")
@pytest.mark.parametrize(
    ("firmware", "said"),
    [
        ("acknowledging", "a four-byte board, whose channel 1 is released"),
        ("write-only", "did not answer"),
        ("echo", "sends back what it is told"),
    ],
)
async def test_a_probe_of_a_port_that_is_not_listed(
    tree: SerialTree, host: Host, board: RelayBoard, firmware: str, said: str
) -> None:
    board.load(firmware)
    (found,) = await found_by(host, str(board.link))
    assert said in found.what
    assert found.where == str(board.link)
    assert found.table == {
        "kind": "serial-frame",
        "port": str(board.link),
        "channel": 1,
    }


@pytest.mark.usefixtures("impatient")
async def test_a_probe_of_another_board(
    tree: SerialTree, host: Host, tmp_path: Path
) -> None:
    """A board that takes text hears four bytes that are no line of its own."""
    with TextBoard(tmp_path / "text") as text:
        (found,) = await found_by(host, str(text.link))
        assert text.said() == []
    assert "serial-text" in found.what


async def test_a_probe_of_a_port_in_use(
    tree: SerialTree, host: Host, board: RelayBoard
) -> None:
    port = HeldPort(board.link)
    port.hold()
    (found,) = await found_by(host, str(board.link))
    port.let_go()
    assert found.table is None
    assert "another program holds the port" in found.why_not
    assert "fuser" in found.remedy


async def test_a_probe_lets_the_port_go(
    tree: SerialTree, host: Host, board: RelayBoard, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not only once somebody clears up: the port is kept here to see it."""
    kept: list[serial_port.SerialPort] = []

    class Kept(serial_port.SerialPort):
        def open(self) -> None:
            kept.append(self)
            super().open()

    monkeypatch.setattr(serial_ports, "SerialPort", Kept)
    await found_by(host, str(board.link))
    assert kept
    port = HeldPort(board.link)
    port.hold()
    port.let_go()


async def test_the_console_is_not_probed(
    tree: SerialTree, host: Host, board: RelayBoard
) -> None:
    tree.uart("ttyS0", console="Y")
    (tree.dev / "ttyS0").unlink()
    (tree.dev / "ttyS0").symlink_to(board.link.resolve())
    (found,) = await found_by(host, str(tree.dev / "ttyS0"))
    assert "console" in found.why_not
    assert board.heard() == []


async def test_a_probe_of_a_name_that_points_nowhere(
    tree: SerialTree, host: Host
) -> None:
    (found,) = await found_by(host, str(tree.names / "by-path" / "gone"))
    assert found.table is None
    assert "missing" in found.why_not


@pytest.mark.parametrize("probe", ["/dev/null", "/dev/hidraw0", "hci0"])
async def test_what_is_no_port_is_left_to_others(
    tree: SerialTree, host: Host, probe: str
) -> None:
    assert await found_by(host, probe) == []


def test_it_belongs_to_the_kind() -> None:
    assert serial_frame.BACKEND.survey is survey
