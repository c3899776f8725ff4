"""Modbus requests and replies: values to bytes and back, nothing else.

A request names a function, an address and one word; that is enough for the four
functions that a relay needs. Addresses are those on the wire, from 0.

Function 05 knows two values, FF00 for driven and 0000 for released. A third one that
many boards take, 5500, turns the coil over; it cannot be made here, because nobody
could say afterwards where the coil is.

Source: Modbus Application Protocol Specification V1.1b3, sections 6.1, 6.3, 6.5, 6.6
and 7; Modbus over Serial Line V1.02, sections 2.5.1 and 6.2 (frame and CRC); Modbus
Messaging on TCP/IP Implementation Guide V1.0b, section 3.1 (header). Section numbers
are from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Final

BROADCAST: Final = 0
FIRST_UNIT: Final = 1
LAST_UNIT: Final = 247
# What a device that speaks TCP itself may be called, by the Implementation Guide.
TCP_UNIT: Final = 255
LAST_ADDRESS: Final = 0xFFFF

HEADER: Final = 7
_CRC: Final = 2
_LONGEST_PDU: Final = 253
_FAILED: Final = 0x80
_DRIVEN: Final = 0xFF00
_RELEASED: Final = 0x0000
_TURN_OVER: Final = 0x5500
_FEW: Final = 16

EXCEPTIONS: Final = {
    0x01: "illegal function",
    0x02: "illegal data address",
    0x03: "illegal data value",
    0x04: "server device failure",
    0x05: "acknowledge, still at it",
    0x06: "server device busy",
    0x08: "memory parity error",
    0x0A: "gateway path unavailable",
    0x0B: "gateway target device failed to respond",
}


class Function(IntEnum):
    """What is asked for."""

    READ_COILS = 0x01
    READ_REGISTERS = 0x03
    WRITE_COIL = 0x05
    WRITE_REGISTER = 0x06


class FrameError(ValueError):
    """What arrived is not the reply to what was asked."""


class Incomplete(FrameError):
    """Fewer bytes than the reply has."""


class Garbled(FrameError):
    """The check or the header is wrong."""


class OtherUnit(FrameError):
    """A sound reply of a unit that was not asked."""


class OtherReply(FrameError):
    """A sound reply of the right unit, to something else."""


class ExceptionReply(ValueError):
    """The unit understood and cannot do it. ``code`` is its reason."""

    def __init__(self, code: int) -> None:
        super().__init__(f"exception {code}, {EXCEPTIONS.get(code, 'not a known one')}")
        self.code = code


@dataclass(frozen=True, slots=True)
class Request:
    """One request; ``word`` is the count of a read and the value of a write."""

    function: Function
    address: int
    word: int

    def __post_init__(self) -> None:
        for name in ("address", "word"):
            value = getattr(self, name)
            if not 0 <= value <= 0xFFFF:
                raise ValueError(f"{name} {value} is not within 0..65535")

    @property
    def is_read(self) -> bool:
        """Whether its reply tells what it did not know."""
        return self.function in (Function.READ_COILS, Function.READ_REGISTERS)

    def encode(self) -> bytes:
        """Return the protocol data unit."""
        return b"".join(
            value.to_bytes(length, "big")
            for value, length in ((self.function, 1), (self.address, 2), (self.word, 2))
        )


def read_coil(address: int) -> Request:
    """Return the request for the state of one coil."""
    return Request(Function.READ_COILS, address, 1)


def write_coil(address: int, *, driven: bool) -> Request:
    """Return the request that drives or releases one coil."""
    return Request(Function.WRITE_COIL, address, _DRIVEN if driven else _RELEASED)


def read_register(address: int) -> Request:
    """Return the request for one holding register."""
    return Request(Function.READ_REGISTERS, address, 1)


def write_register(address: int, value: int) -> Request:
    """Return the request that sets one holding register."""
    return Request(Function.WRITE_REGISTER, address, value)


def write_count(address: int, count: int) -> Request:
    """Return a vendor's variant of function 05: a count where the coil's value stands.

    Such an address is a timed output. A count that would be a value of an ordinary
    coil is refused, should the address turn out to be one.
    """
    if count in (_DRIVEN, _RELEASED, _TURN_OVER):
        raise ValueError(f"{count} is a value of an ordinary coil, not a count")
    return Request(Function.WRITE_COIL, address, count)


def value(pdu: bytes, request: Request) -> int:
    """Return what a reply tells: a coil as 0 or 1, a register, or what was written.

    Errors: ExceptionReply; OtherReply.
    """
    if not _belongs(pdu, request):
        raise OtherReply(f"not a reply to function {request.function:02X}: {_hex(pdu)}")
    if pdu[0] & _FAILED:
        raise ExceptionReply(pdu[1])
    if request.function is Function.READ_COILS:
        return pdu[2] & 1
    return int.from_bytes(pdu[-2:], "big")


def _belongs(pdu: bytes, request: Request) -> bool:
    if len(pdu) == 2:
        return pdu[0] == request.function | _FAILED
    if not request.is_read:
        return pdu == request.encode()
    size = _data_length(request)
    return len(pdu) == 2 + size and pdu[:2] == bytes((request.function, size))


def _data_length(request: Request) -> int:
    if request.function is Function.READ_COILS:
        return (request.word + 7) // 8
    return 2 * request.word


# ---- on a serial line


def crc(data: bytes) -> bytes:
    """Return the check of a frame, low byte first."""
    register = 0xFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = register >> 1 ^ (0xA001 if register & 1 else 0)
    return register.to_bytes(2, "little")


def rtu_frame(unit: int, request: Request) -> bytes:
    """Return the frame of a request on a serial line."""
    _check_unit(unit)
    body = bytes((unit,)) + request.encode()
    return body + crc(body)


def find_reply(data: bytes, unit: int, request: Request) -> bytes | None:
    """Return the reply among these bytes, ``None`` while there is none.

    Noise before a frame is passed over, for an adapter that turns round makes some;
    so is a sound frame of another unit or to another request, which is a late one.
    """
    normal = 2 + _data_length(request) if request.is_read else 5
    for start in range(len(data)):
        for length in (normal, 2):
            frame = data[start : start + 1 + length + _CRC]
            if len(frame) < 1 + length + _CRC or frame[0] != unit:
                continue
            pdu = frame[1:-_CRC]
            if _belongs(pdu, request) and crc(frame[:-_CRC]) == frame[-_CRC:]:
                return pdu
    return None


def what_is_wrong(data: bytes, unit: int, request: Request) -> FrameError:
    """Return why there is no reply among the bytes that came."""
    # The frames of the four functions have 5 to 8 bytes.
    for length in range(8, 4, -1):
        for start in range(len(data) - length + 1):
            frame = data[start : start + length]
            if crc(frame[:-_CRC]) != frame[-_CRC:]:
                continue
            if frame[0] == unit:
                return OtherReply(f"a reply to another request: {_hex(frame)}")
            return OtherUnit(
                f"unit {frame[0]} replied, {unit} was asked: {_hex(frame)}"
            )
    if len(data) < 5:
        return Incomplete(f"{len(data)} bytes only: {_hex(data)}")
    return Garbled(f"no sound frame in it: {_hex(data)}")


# ---- over TCP


@dataclass(frozen=True, slots=True)
class Header:
    """The head of a reply; ``length`` is that of the data unit after it."""

    transaction: int
    unit: int
    length: int


def tcp_frame(transaction: int, unit: int, request: Request) -> bytes:
    """Return the frame of a request over TCP."""
    _check_unit(unit)
    pdu = request.encode()
    head = transaction.to_bytes(2, "big") + b"\0\0" + (1 + len(pdu)).to_bytes(2, "big")
    return head + bytes((unit,)) + pdu


def header(data: bytes) -> Header:
    """Return the header that these seven bytes are. Errors: Garbled."""
    length = int.from_bytes(data[4:6], "big") - 1
    if len(data) != HEADER or data[2:4] != b"\0\0" or not 2 <= length <= _LONGEST_PDU:
        raise Garbled(f"not the header of a Modbus frame: {_hex(data)}")
    return Header(int.from_bytes(data[:2], "big"), data[6], length)


def check_header(head: Header, *, transaction: int, unit: int) -> None:
    """Raise OtherReply or OtherUnit unless the reply is the one that is due."""
    if head.transaction != transaction:
        raise OtherReply(f"transaction {head.transaction}, not {transaction}")
    if head.unit != unit:
        raise OtherUnit(f"unit {head.unit} replied, {unit} was asked")


def _check_unit(unit: int) -> None:
    if not FIRST_UNIT <= unit <= TCP_UNIT:
        raise ValueError(f"unit {unit} is not within {FIRST_UNIT}..{TCP_UNIT}")


def _hex(data: bytes) -> str:
    # Enough to recognise what it is; a talkative peer must not flood the log.
    shown = data[:_FEW].hex(" ").upper()
    return f"{shown} …" if len(data) > _FEW else shown
