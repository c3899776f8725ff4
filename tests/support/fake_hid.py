"""HID relay boards that are not there: no HID device can be made on a test machine.

A fake of the seam in ``tidegate_backends.hid.device``, behind which hidapi is. What
the reports do is written from what public programs for these boards expect, apart
from our own code: usbrelay (``libusbrelay.c``), labgrid (``usb_hid_relay.py``).
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from tidegate_backends.hid.device import Device, Hid, Listed

USB_RELAY = (0x16C0, 0x05DF)
FOUR_BYTE = (0x5131, 0x2007)


@dataclass
class FakeHidBoard:
    """One board. ``failing``: what it does wrong; ``gate``: calls wait for it."""

    path: str
    product: str = "USBRelay4"
    ids: tuple[int, int] = USB_RELAY
    usb: str = "1-1.2"
    serial: str = "HALL1"
    numbered: bool = False
    coils: dict[int, bool] = field(
        default_factory=lambda: dict.fromkeys(range(1, 10), False)
    )
    reports: list[bytes] = field(default_factory=list)
    failing: str = ""
    plugged: bool = True
    opened: int = 0
    reached: threading.Event = field(default_factory=threading.Event)
    gate: threading.Event = field(default_factory=threading.Event)

    def __post_init__(self) -> None:
        self.gate.set()

    def obey(self, report: bytes) -> None:
        """What the firmware does with an output report; the number 00 comes first."""
        assert report[0] == 0
        body = report[1:]
        if self.product.startswith("HIDRelay"):
            self.coils[body[0] % 16] = body[0] // 16 == 15
        elif self.ids == FOUR_BYTE:
            assert sum(body[:3]) % 256 == body[3]
            assert body[0] == 0xA0
            self.coils[body[1]] = body[2] == 1
        elif body[0] in (255, 253) and self.failing != "stuck":
            self.coils[body[1]] = body[0] == 255

    def feature(self) -> bytes:
        if self.failing == "garbled":
            return b"\x01\x80\x81"
        mask = sum(2 ** (n - 1) for n in range(1, 9) if self.coils[n])
        data = self.serial.encode().ljust(7, b"\0") + bytes((mask,))
        return b"\0" + data if self.numbered else data


class FakeHidDevice:
    """An open board. Every failure is an OSError, as from hidapi."""

    def __init__(self, board: FakeHidBoard) -> None:
        self._board = board
        self._path = board.path
        self._open = True
        board.opened += 1

    def write(self, report: bytes) -> None:
        self._there()
        self._board.reports.append(report)
        self._board.obey(report)
        self._board.reached.set()
        assert self._board.gate.wait(20)

    def feature(self, number: int, length: int) -> bytes:
        self._there()
        assert (number, length) == (1, 9)
        return self._board.feature()

    def close(self) -> None:
        if self._open:
            self._board.opened -= 1
        self._open = False

    def _there(self) -> None:
        assert self._open, "used after it was closed"
        is_there = self._board.plugged and self._board.path == self._path
        if not is_there or self._board.failing == "dead":
            raise OSError("read error")


class FakeHids:
    """All boards, in the place of hidapi. Nodes are files, so that rights exist."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self.boards: list[FakeHidBoard] = []
        self.hid = Hid(self.listed, self.opened)

    def plug(self, **given: object) -> FakeHidBoard:
        node = self._folder / f"hidraw{len(self.boards)}"
        node.touch()
        board = FakeHidBoard(str(node), **given)  # type: ignore[arg-type]
        self.boards.append(board)
        return board

    def listed(self) -> list[Listed]:
        return [
            Listed(
                path=each.path,
                vendor=each.ids[0],
                product_id=each.ids[1],
                product=each.product,
                usb=each.usb,
            )
            for each in self.boards
            if each.plugged
        ]

    def opened(self, path: str) -> Device:
        for each in self.boards:
            if each.path == path and each.plugged and each.failing != "held":
                return FakeHidDevice(each)
        raise OSError("open failed")


def unplugging(board: FakeHidBoard) -> tuple[Callable[[], None], Callable[[], None]]:
    """Pulling the plug, which lets go of the coils, and putting it back."""

    def pull() -> None:
        board.plugged = False
        board.coils = dict.fromkeys(board.coils, False)

    def put() -> None:
        board.plugged = True

    return pull, put
