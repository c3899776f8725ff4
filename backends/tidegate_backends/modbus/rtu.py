"""A Modbus bus on a serial port.

After a request the line listens until the reply is there or the time is over. Bytes
that are no frame and after which nothing comes earn one repeat, for every request may
be repeated. A sound frame of another unit, or to another request, is a late one: it is
passed over, and the waiting goes on. Two cases need more care:

- A two-wire adapter may bring our own bytes back, and the reply to a write looks just
  like the request. The reply to a read does not, so each read shows whether the line
  echoes; on one that does, a write is believed at the second copy only.
- A read tells not which coil it is about. After a silence, whoever asks the same unit
  by the same function waits until a late reply has passed (``late_s``), and what came
  is dropped; so does who comes after a repeat, which may earn two replies. A reply to
  another function shows what it is: an "on" does not wait for a read that was lost.

Source: Modbus over Serial Line V1.02, section 2.4.1 (a reply of an unexpected unit
keeps the time running), 2.5.1.1 (silence of 3.5 characters, 1.75 ms above 19200 baud);
section numbers from memory.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING, Final

from tidegate.errors import Malformed
from tidegate_backends.modbus.link import (
    Link,
    NotYet,
    Silent,
    Spoiled,
    no,
    silent,
    spoiled,
)
from tidegate_backends.tty.port import SerialPort
from tidegate_backends.wire import modbus as wire
from tidegate_backends.wire.modbus import Function, Request

if TYPE_CHECKING:
    import serial

PARITIES: Final = {"none": "N", "even": "E", "odd": "O"}
# A character has 11 bits on the bus: start, 8 data, parity or a second stop, stop.
_CHARACTER_BITS: Final = 11
_SILENT_CHARACTERS: Final = 3.5
_LEAST_SILENCE_S: Final = 0.00175
# A frame has no pauses, but what an adapter hands on has; theirs are 16 ms and less
# (latency timers of USB adapters, common practice, no source).
_GAP_S: Final = 0.2
# More than any reply and its echo: somebody else is talking.
_AT_MOST: Final = 256
_SPOILED_REMEDY: Final = (
    "Check baud and parity, that each unit has a number of its own, and that nobody "
    "else sends on the bus."
)


def silence_s(baud: int) -> float:
    """Return the rest that parts two frames."""
    return max(_LEAST_SILENCE_S, _SILENT_CHARACTERS * _CHARACTER_BITS / baud)


class RtuLink(Link):
    """A bus. Errors: those of ``SerialPort`` too."""

    def __init__(
        self,
        path: str,
        *,
        baud: int,
        parity: str,
        stop_bits: int,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        super().__init__(f"{baud} baud, parity {parity}, {stop_bits} stop")
        self._clock = clock
        self._port = SerialPort(
            path,
            baud=baud,
            parity=PARITIES[parity],
            stop_bits=stop_bits,
            pause_s=silence_s(baud),
            extra="modbus",
        )
        self._character_s = _CHARACTER_BITS / baud
        self._echoes = False
        self._late_until_s: dict[tuple[int, Function], float] = {}

    def open(self, limit_s: float) -> None:
        self._port.open()

    def retire(self) -> None:
        self._port.retire()

    def late_s(self, unit: int, request: Request) -> float:
        """Return how long a late reply could still be mistaken for the one to this."""
        until_s = self._late_until_s.get((unit, request.function), 0.0)
        return max(0.0, until_s - self._clock())

    def ask(self, unit: int, request: Request, *, limit_s: float, target: str) -> int:
        if (late_s := self.late_s(unit, request)) > 0:
            raise NotYet(late_s)
        exchange = partial(
            self._exchange, unit, request, limit_s=limit_s, target=target
        )
        try:
            pdu = self._twice(
                exchange, repeats=lambda: self._expect_late(unit, request, limit_s)
            )
            return wire.value(pdu, request)
        except wire.ExceptionReply as reply:
            raise no(reply, target=target) from reply
        except Silent as nothing:
            self._expect_late(unit, request, limit_s)
            raise silent(unit, limit_s, target=target) from nothing
        except Spoiled as error:
            self._expect_late(unit, request, limit_s)
            raise spoiled(error, target=target, remedy=_SPOILED_REMEDY) from error

    def _twice(
        self, attempt: Callable[[], bytes], *, repeats: Callable[[], None]
    ) -> bytes:
        """Return what an attempt yields; a spoiled reply earns one repeat.

        So does a port that failed and opened again, as after a re-plug.
        """
        try:
            return attempt()
        except (Spoiled, Malformed):
            pdu = attempt()
            repeats()
            return pdu

    def _expect_late(self, unit: int, request: Request, limit_s: float) -> None:
        self._late_until_s[unit, request.function] = self._clock() + limit_s

    def _exchange(
        self, unit: int, request: Request, *, limit_s: float, target: str
    ) -> bytes:
        """Return the reply to one request. Errors: Silent, Spoiled."""
        frame = wire.rtu_frame(unit, request)
        with self._port.watched(limit_s=limit_s, target=target) as line:
            self._port.send(line, frame)
            # Written is not sent: the frame itself takes its time on the bus.
            end_s = self._clock() + limit_s + len(frame) * self._character_s
            data = b""
            while len(data) < _AT_MOST and (left_s := end_s - self._clock()) > 0:
                part = _some(line, min(left_s, _GAP_S) if data else left_s)
                data += part
                pdu = self._reply(data, frame, unit, request)
                if pdu is not None:
                    return pdu
                if not part and _is_spoiled(data, frame, unit, request):
                    break
        if data in (b"", frame):
            raise Silent  # our own bytes are no answer either
        raise Spoiled(str(wire.what_is_wrong(data, unit, request)))

    def _reply(
        self, data: bytes, frame: bytes, unit: int, request: Request
    ) -> bytes | None:
        if data != frame and frame.startswith(data):
            return None  # our own bytes, or the first of a reply that is the same
        before, echo, after = data.partition(frame)
        if request.is_read:
            pdu = wire.find_reply(after if echo else before, unit, request)
            # Noise in front of a reply may be an echo that was spoiled: no proof that
            # the line brings nothing back.
            if echo or (pdu is not None and before[1:].startswith(pdu)):
                self._echoes = bool(echo)
            return pdu
        if self._echoes:
            return wire.find_reply(after, unit, request)
        return wire.find_reply(data, unit, request)


def _is_spoiled(data: bytes, frame: bytes, unit: int, request: Request) -> bool:
    """Return whether no more is to be expected after bytes that are no reply.

    Ours come back at once and a late frame comes when it likes: both leave it open.
    """
    if data in (b"", frame):
        return False
    wrong = wire.what_is_wrong(data, unit, request)
    return isinstance(wrong, wire.Garbled | wire.Incomplete)


def _some(line: serial.Serial, limit_s: float) -> bytes:
    """Return what is there, at least one byte unless the time is over."""
    line.timeout = limit_s
    return line.read(max(1, line.in_waiting))
