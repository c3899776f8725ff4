"""Modbus units on a pseudo-terminal or behind a TCP port, written from the standard.

It shares no code with tidegate, and it can do what a sound server never does: keep
quiet, cut a frame, answer for another unit, bring our own bytes back, come late.

Source: Modbus Application Protocol V1.1b3 (functions 01, 03, 05, 06, exceptions),
Modbus over Serial Line V1.02 (frame; check as in its appendix 6.2.1), Modbus Messaging
on TCP/IP V1.0b (header). Watchdog and timed output are no standard: they are modelled
on what data sheets of relay boards describe, with registers that are invented here.
"""

from __future__ import annotations

import os
import select
import socket
import struct
import threading
import time
import tty
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Self

# Registers of the invented board.
WATCHDOG, ACTION, ALIVE = 0x10, 0x11, 0x12
TIMED = 0x20  # function 06 to here drives coil 0 for so many steps
FLASH = 0x0200  # function 05 to FLASH + coil, with a count, does the same
STEP_S = 0.1

SPOILS = (
    "silent",
    "exception-1",
    "exception-2",
    "exception-6",
    "exception-11",
    "other-unit",
    "other-coil",
    "other-function",
    "bad-check",
    "cut",
    "noise-first",
    "babble",
    "other-transaction",
    "no-header",
    "hang-up",
)


def check_of(data: bytes) -> bytes:
    """The check as appendix 6.2.1 describes it, bit by bit, on a text of bits."""
    register = [1] * 16  # most significant bit first
    polynomial = [int(bit) for bit in f"{0xA001:016b}"]
    for byte in data:
        low = [int(bit) for bit in f"{byte:016b}"]
        register = [a ^ b for a, b in zip(register, low, strict=True)]
        for _ in range(8):
            out = register[-1]
            register = [0, *register[:-1]]
            if out:
                register = [a ^ b for a, b in zip(register, polynomial, strict=True)]
    number = int("".join(map(str, register)), 2)
    return struct.pack("<H", number)


@dataclass
class Unit:
    """One unit: its coils, its holding registers, its timers.

    ``declines``: functions it does not know. ``fixed``: registers that do not keep
    what is written. ``unread``: registers that cannot be read.
    """

    coils: dict[int, bool] = field(
        default_factory=lambda: dict.fromkeys(range(8), False)
    )
    registers: dict[int, int] = field(
        default_factory=lambda: dict.fromkeys((WATCHDOG, ACTION, ALIVE, TIMED), 0)
    )
    declines: set[int] = field(default_factory=set)
    fixed: set[int] = field(default_factory=set)
    unread: set[int] = field(default_factory=set)
    needs_alive: bool = False
    mute: bool = False
    releases_at_s: dict[int, float] = field(default_factory=dict)
    fed_at_s: float = 0.0

    def reply(self, pdu: bytes, now_s: float) -> bytes:
        function, address, word = struct.unpack(">BHH", pdu)
        if not self.needs_alive or (function, address) == (6, ALIVE):
            self.fed_at_s = now_s
        if function in self.declines or function not in (1, 3, 5, 6):
            return bytes((function | 0x80, 1))
        code = getattr(self, f"_do_{function}")(address, word, now_s)
        if isinstance(code, int):
            return bytes((function | 0x80, code))
        return pdu if code is None else bytes((function, len(code))) + code

    def _do_1(self, address: int, count: int, now_s: float) -> bytes | int:
        del now_s
        wanted = range(address, address + count)
        if any(each not in self.coils for each in wanted):
            return 2
        bits = sum(self.coils[each] << n for n, each in enumerate(wanted))
        return bits.to_bytes((count + 7) // 8, "little")

    def _do_3(self, address: int, count: int, now_s: float) -> bytes | int:
        del now_s
        if count != 1 or address not in self.registers or address in self.unread:
            return 2
        return struct.pack(">H", self.registers[address])

    def _do_5(self, address: int, value: int, now_s: float) -> int | None:
        if address - FLASH in self.coils:
            self._drive_for(address - FLASH, value, now_s)
            return None
        if address not in self.coils:
            return 2
        if value == 0x5500:
            self.coils[address] = not self.coils[address]
        elif value in (0xFF00, 0x0000):
            self.coils[address] = value == 0xFF00
            self.releases_at_s.pop(address, None)
        else:
            return 3
        return None

    def _do_6(self, address: int, value: int, now_s: float) -> int | None:
        if address not in self.registers:
            return 2
        if address == TIMED:
            self._drive_for(0, value, now_s)
        if address not in self.fixed:
            self.registers[address] = value
        return None

    def _drive_for(self, coil: int, steps: int, now_s: float) -> None:
        self.coils[coil] = True
        self.releases_at_s[coil] = now_s + steps * STEP_S

    def pass_time(self, now_s: float) -> None:
        for coil, at_s in list(self.releases_at_s.items()):
            if at_s <= now_s:
                del self.releases_at_s[coil]
                self.coils[coil] = False
        due = self.due_s()
        if due is not None and due <= now_s and self.registers[ACTION] < 2:
            self.coils = dict.fromkeys(self.coils, self.registers[ACTION] == 1)

    def due_s(self) -> float | None:
        steps = self.registers.get(WATCHDOG, 0)
        return self.fed_at_s + steps * STEP_S if steps else None

    def restart(self) -> None:
        """Lose the power for a moment: coils released, registers as delivered."""
        self.coils = dict.fromkeys(self.coils, False)
        self.registers = dict.fromkeys(self.registers, 0)
        self.releases_at_s.clear()


class ModbusDevice:
    """Units behind one door: a pseudo-terminal at ``link``, else a TCP port.

    ``echoes``: a two-wire adapter that brings our own bytes back. Everything public
    may be called from any thread.
    """

    def __init__(
        self,
        link: Path | None = None,
        *,
        units: tuple[int, ...] = (1,),
        echoes: bool = False,
        on_change: Callable[[], None] | None = None,
    ) -> None:
        self.link = link
        self.units = {number: Unit() for number in units}
        self.echoes = echoes
        self.on_change = on_change
        self.frames: list[bytes] = []
        self.connections_taken = 0
        self._passed_s = 0.0
        self._spoil: tuple[str, int | None] | None = None
        self._held: list[bytes] | None = None
        self._changed = threading.Condition(threading.RLock())
        self._pending: dict[int, bytearray] = {}
        self._pty: tuple[int, int] | None = None
        self._listening: socket.socket | None = None
        self._connections: dict[int, socket.socket] = {}
        self._watched: set[int] = set()
        self._closing: list[int] = []
        self._wake_read, self._wake_write = os.pipe()
        self._ending = False
        self.failed: BaseException | None = None
        self.port = 0
        self._thread = threading.Thread(target=self._run, daemon=True)

    # ---- life

    def __enter__(self) -> Self:
        self.plug_in()
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        with self._changed:
            self._ending = True
            self._wake()
        self._thread.join(timeout=20)
        assert not self._thread.is_alive(), "the device's thread hangs"
        self.unplug()
        os.close(self._wake_read)
        os.close(self._wake_write)
        if self.failed is not None and error is None:
            raise self.failed

    def plug_in(self) -> None:
        with self._changed:
            if self.link is not None:
                master, slave = os.openpty()
                tty.setraw(slave)
                os.set_blocking(master, False)
                self._pty = master, slave
                self.link.unlink(missing_ok=True)
                self.link.symlink_to(os.ttyname(slave))
            else:
                self._listening = socket.create_server(("127.0.0.1", self.port))
                self.port = self._listening.getsockname()[1]
            self._wake()

    def unplug(self) -> None:
        """The port or the server is gone; what the units hold stays as it is."""
        with self._changed:
            closing = [each.fileno() for each in self._connections.values()]
            if self._listening is not None:
                closing.append(self._listening.fileno())
            if self._pty is not None:
                closing.append(self._pty[0])
            self._settled(closing)
            self.hang_up()
            if self._listening is not None:
                self._listening.close()
                self._listening = None
            if self._pty is not None:
                assert self.link is not None
                self.link.unlink(missing_ok=True)
                for end in reversed(self._pty):
                    os.close(end)
                self._pty = None
            self._pending.clear()
            if self._held is not None:
                self._held = []

    def hang_up(self) -> None:
        """Close all connections, and go on listening."""
        with self._changed:
            self._settled(list(self._connections))
            for each in self._connections.values():
                each.close()
            self._connections.clear()

    def _settled(self, closing: list[int]) -> None:
        """Wait until the device's thread does not wait on what will be closed."""
        if threading.current_thread() is self._thread or not self._thread.is_alive():
            return
        self._closing = closing
        self._wake()
        gone = self._changed.wait_for(lambda: not self._watched & set(closing), 20)
        self._closing = []
        assert gone, "the device's thread still waits on what is to be closed"

    # ---- behaviour

    def spoil(self, kind: str, times: int | None = None) -> None:
        """Spoil the next replies, ``times`` of them or all until ``fair``."""
        assert kind in SPOILS, kind
        with self._changed:
            self._spoil = kind, times

    def fair(self) -> None:
        with self._changed:
            self._spoil = None

    def hold(self) -> None:
        """Keep replies back; requests still act."""
        with self._changed:
            self._held = []

    def let_go(self) -> None:
        with self._changed:
            held, self._held = self._held or [], None
            for data in held:
                self._send(data)

    def say(self, data: bytes) -> None:
        """Send bytes that nobody asked for."""
        with self._changed:
            self._send(data)

    def hand(self, coil: int, *, driven: bool, unit: int = 1) -> None:
        with self._changed:
            self.units[unit].coils[coil] = driven
            self._told()

    def pass_time(self, for_s: float) -> None:
        """Let the units' own clocks run ahead."""
        with self._changed:
            self._passed_s += for_s
            self._pass_time()

    # ---- what was seen

    def driven(self, coil: int = 0, unit: int = 1) -> bool:
        with self._changed:
            self._pass_time()
            return self.units[unit].coils[coil]

    def heard(self) -> list[bytes]:
        """The frames so far, in order."""
        with self._changed:
            return list(self.frames)

    def forget(self) -> None:
        with self._changed:
            self.frames.clear()

    def wait_until(
        self, holds: Callable[[ModbusDevice], bool], timeout_s: float = 20.0
    ) -> None:
        """Wait until something is true; fails when it stays false."""
        with self._changed:
            held = self._changed.wait_for(lambda: holds(self), timeout_s)
        assert held, f"not within {timeout_s} s; heard {self.heard()}"

    # ---- the device's own thread

    def _now_s(self) -> float:
        return time.monotonic() + self._passed_s

    def _run(self) -> None:
        try:
            while not self._ending:
                self._turn()
        except Exception as error:  # noqa: BLE001 - told to whoever ends it
            self.failed = error

    def _turn(self) -> None:
        with self._changed:
            doors = {each for each in self._connections if each not in self._closing}
            if self._listening is not None:
                doors.add(self._listening.fileno())
            if self._pty is not None:
                doors.add(self._pty[0])
            doors -= set(self._closing)
            self._watched = doors
            self._changed.notify_all()
        ready, _, _ = select.select([self._wake_read, *doors], [], [], 0.05)
        with self._changed:
            self._watched = set()
            self._pass_time()
            self._changed.notify_all()
            for each in ready:
                if each == self._wake_read:
                    os.read(each, 4096)
                else:
                    self._hear(each)

    def _hear(self, door: int) -> None:
        listening = self._listening
        if listening is not None and door == listening.fileno():
            connection, _ = listening.accept()
            self._connections[connection.fileno()] = connection
            self.connections_taken += 1
            return
        if self._pty is not None and door == self._pty[0]:
            data = _read(lambda: os.read(door, 4096))
        elif door in self._connections:
            data = _read(lambda: self._connections[door].recv(4096))
            if not data:
                self._connections.pop(door).close()
        else:
            return
        self._pending.setdefault(door, bytearray()).extend(data)
        self._parse(door)
        self._changed.notify_all()

    def _parse(self, door: int) -> None:
        pending = self._pending[door]
        length = 8 if self.link is not None else 12
        while len(pending) >= length and door in self._pending:
            frame = bytes(pending[:length])
            del pending[:length]
            self.frames.append(frame)
            if self.link is not None and self.echoes:
                self._send(frame)
            self._obey(frame)

    def _obey(self, frame: bytes) -> None:
        if self.link is not None:
            if check_of(frame[:-2]) != frame[-2:]:
                return
            number, pdu, head = frame[0], frame[1:-2], b""
        else:
            number, pdu, head = frame[6], frame[7:], frame[:4]
        unit = self.units.get(number)
        if unit is None:
            return
        reply = unit.reply(pdu, self._now_s())
        self._told()
        if unit.mute:
            return
        for data in self._spoiled(number, pdu, reply, head):
            if self._held is not None:
                self._held.append(data)
            else:
                self._send(data)

    def _spoiled(
        self, number: int, pdu: bytes, reply: bytes, head: bytes
    ) -> list[bytes]:
        kind = "" if self._spoil is None else self._spoil[0]
        if self._spoil is not None and self._spoil[1] is not None:
            left = self._spoil[1] - 1
            self._spoil = (kind, left) if left else None
        if kind.startswith("exception-"):
            reply = bytes((pdu[0] | 0x80, int(kind.partition("-")[2])))
        if kind == "other-coil":
            other = bytes((reply[1], reply[2] ^ 1)) if pdu[0] in (5, 6) else b"\2\0"
            reply = reply[:1] + other + reply[3:]
        if kind == "other-function":
            reply = bytes((reply[0] ^ 2,)) + reply[1:]
        if kind == "other-unit":
            number ^= 2
        if kind == "silent":
            return []
        if kind == "hang-up":
            self.hang_up()
            return []
        if self.link is None:
            return [self._tcp(kind, number, reply, head)]
        data = bytes((number,)) + reply
        data += check_of(data)
        return {
            "bad-check": [data[:-1] + bytes((data[-1] ^ 1,))],
            "cut": [data[:-3]],
            "noise-first": [b"\x00\xff\x00" + data],
            "babble": [b"\x55" * 300],
        }.get(kind, [data])

    @staticmethod
    def _tcp(kind: str, number: int, reply: bytes, head: bytes) -> bytes:
        if kind == "other-transaction":
            head = bytes((head[0], head[1] ^ 1)) + head[2:]
        if kind == "no-header":
            return b"HTTP/1.1 400 Bad Request\r\n\r\n"
        data = head + struct.pack(">HB", 1 + len(reply), number) + reply
        return data[:-1] if kind == "cut" else data

    def _send(self, data: bytes) -> None:
        if self._pty is not None:
            os.write(self._pty[0], data)
        for door, each in list(self._connections.items()):
            try:
                each.sendall(data)
            except ConnectionError:
                # The other side gave it up meanwhile; those that stay get theirs.
                self._connections.pop(door).close()

    def _pass_time(self) -> None:
        before = [dict(unit.coils) for unit in self.units.values()]
        for unit in self.units.values():
            unit.pass_time(self._now_s())
        if before != [unit.coils for unit in self.units.values()]:
            self._told()

    def _told(self) -> None:
        if self.on_change is not None:
            self.on_change()
        self._changed.notify_all()

    def _wake(self) -> None:
        os.write(self._wake_write, b".")


def _read(read: Callable[[], bytes]) -> bytes:
    try:
        return read()
    except (BlockingIOError, ConnectionResetError):
        return b""
