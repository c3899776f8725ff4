"""Modbus bytes against published frames.

MAP is the Modbus Application Protocol Specification V1.1b3, SL Modbus over Serial Line
V1.02, IG the Messaging on TCP/IP Implementation Guide V1.0b. "Boards" are frames that
makers of relay boards and public programs for them print alike; their checks were
recomputed with the peer's own code, which is not ours.
"""

from __future__ import annotations

import pytest

from support.modbus_device import check_of
from tidegate_backends.wire import modbus as wire

COIL_0_ON = "01 05 00 00 FF 00 8C 3A"


@pytest.mark.parametrize(
    ("data", "check"),
    [
        # The check value of CRC-16/MODBUS in the CRC catalogue (reveng): 4B37.
        ("31 32 33 34 35 36 37 38 39", "37 4B"),
        # SL 6.2.2: "02 07" gives 1241, sent low byte first (number from memory).
        ("02 07", "41 12"),
        ("01 05 00 00 FF 00", "8C 3A"),  # boards
        ("01 0F 00 00 00 08 01 FF", "BE D5"),  # boards: all eight driven
        ("01 0F 00 00 00 08", "54 0D"),  # boards: its reply
        ("00 05 00 00 FF 00", "8D EB"),  # boards: to all units, never sent here
        ("01 05 00 00 55 00", "F2 9A"),  # boards: turn over, never sent here
        ("00 83 02", "91 31"),  # pymodbus's own tests
    ],
)
def test_check_of_published_bytes(data: str, check: str) -> None:
    given = bytes.fromhex(data)
    assert wire.crc(given) == bytes.fromhex(check)
    assert check_of(given) == bytes.fromhex(check)


@pytest.mark.parametrize(
    ("unit", "request_", "frame"),
    [
        (1, wire.write_coil(0, driven=True), COIL_0_ON),
        (1, wire.write_coil(0, driven=False), "01 05 00 00 00 00 CD CA"),
        (1, wire.write_coil(1, driven=True), "01 05 00 01 FF 00 DD FA"),
        # MAP 6.5 has coil 173 (00AC) driven; here unit 17 as in the guide's style.
        (17, wire.write_coil(0xAC, driven=True), "11 05 00 AC FF 00 4E 8B"),
        (1, wire.Request(wire.Function.READ_COILS, 0, 8), "01 01 00 00 00 08 3D CC"),
        (1, wire.read_coil(0), "01 01 00 00 00 01 FD CA"),  # recomputed
    ],
)
def test_frames_on_a_serial_line(unit: int, request_: wire.Request, frame: str) -> None:
    assert wire.rtu_frame(unit, request_) == bytes.fromhex(frame)


@pytest.mark.parametrize(
    ("request_", "pdu"),
    [
        # MAP 6.1 reads coils 20 to 38, 6.3 registers 108 to 110, 6.6 writes register 2.
        (wire.Request(wire.Function.READ_COILS, 0x13, 0x13), "01 00 13 00 13"),
        (wire.Request(wire.Function.READ_REGISTERS, 0x6B, 3), "03 00 6B 00 03"),
        (wire.write_register(1, 3), "06 00 01 00 03"),
        (wire.write_coil(0xAC, driven=True), "05 00 AC FF 00"),
    ],
)
def test_requests_of_the_specification(request_: wire.Request, pdu: str) -> None:
    assert request_.encode() == bytes.fromhex(pdu)


@pytest.mark.parametrize(
    ("reply", "request_", "told"),
    [
        # MAP 6.1: outputs 27 to 20 are CD, the first of them is driven.
        ("01 03 CD 6B 05", wire.Request(wire.Function.READ_COILS, 0x13, 0x13), 1),
        ("01 01 00", wire.read_coil(3), 0),
        ("03 02 02 2B", wire.read_register(0x6B), 0x022B),
        ("06 00 01 00 03", wire.write_register(1, 3), 3),
        ("05 00 AC FF 00", wire.write_coil(0xAC, driven=True), 0xFF00),
    ],
)
def test_replies_of_the_specification(
    reply: str, request_: wire.Request, told: int
) -> None:
    assert wire.value(bytes.fromhex(reply), request_) == told


def test_reply_among_published_bytes() -> None:
    """Boards: the reply to a read of eight coils, the first driven."""
    request = wire.Request(wire.Function.READ_COILS, 0, 8)
    data = bytes.fromhex("01 01 01 01 90 48")
    assert wire.find_reply(data, 1, request) == bytes.fromhex("01 01 01")
    assert wire.find_reply(b"\x00\xff" + data, 1, request) == bytes.fromhex("01 01 01")
    assert wire.find_reply(data[:-1], 1, request) is None
    assert wire.find_reply(data, 2, request) is None
    assert wire.find_reply(data, 1, wire.read_register(0)) is None


def test_exception_of_published_bytes() -> None:
    """Boards: unit 1 refuses function 05 with exception 2."""
    request = wire.write_coil(99, driven=True)
    pdu = wire.find_reply(bytes.fromhex("01 85 02 C3 51"), 1, request)
    assert pdu is not None
    with pytest.raises(wire.ExceptionReply, match="illegal data address") as caught:
        wire.value(pdu, request)
    assert caught.value.code == 2


def test_a_wrong_check_is_no_reply() -> None:
    """pymodbus's own tests: 00 83 02 91 31 is sound, with 21 at the end it is not."""
    request = wire.read_register(0)
    assert wire.find_reply(bytes.fromhex("00 83 02 91 31"), 0, request) is not None
    bad = bytes.fromhex("00 83 02 91 21")
    assert wire.find_reply(bad, 0, request) is None
    assert isinstance(wire.what_is_wrong(bad, 0, request), wire.Garbled)


@pytest.mark.parametrize(
    ("data", "what"),
    [
        ("01 05 00", wire.Incomplete),
        ("02 05 00 00 FF 00 8C 09", wire.OtherUnit),
        ("01 05 00 01 FF 00 DD FA", wire.OtherReply),
        ("01 05 00 00 FF 01 8C 3A", wire.Garbled),
    ],
)
def test_what_is_wrong_is_told(data: str, what: type[wire.FrameError]) -> None:
    request = wire.write_coil(0, driven=True)
    given = bytes.fromhex(data)
    assert wire.find_reply(given, 1, request) is None
    assert type(wire.what_is_wrong(given, 1, request)) is what


def test_frame_over_tcp() -> None:
    """The example of IG (from memory): transaction 1501 reads register 5 of unit FF."""
    frame = wire.tcp_frame(0x1501, 0xFF, wire.read_register(4))
    assert frame == bytes.fromhex("15 01 00 00 00 06 FF 03 00 04 00 01")
    head = wire.header(bytes.fromhex("15 01 00 00 00 05 FF"))
    assert head == wire.Header(transaction=0x1501, unit=0xFF, length=4)


@pytest.mark.parametrize(
    "head",
    [
        "15 01 00 01 00 05 FF",  # another protocol
        "15 01 00 00 00 02 FF",  # no room for a reply
        "15 01 00 00 FF 05 FF",  # longer than any
        "15 01 00 00 00 05",
        "48 54 54 50 2F 31 2E",  # a web server
    ],
)
def test_what_is_no_header(head: str) -> None:
    with pytest.raises(wire.Garbled):
        wire.header(bytes.fromhex(head))


def test_nothing_but_two_values_is_ever_made_for_a_coil() -> None:
    made = {wire.write_coil(0, driven=driven).word for driven in (True, False)}
    assert made == {0xFF00, 0x0000}
    for count in (0xFF00, 0x0000, 0x5500):
        with pytest.raises(ValueError, match="ordinary coil"):
            wire.write_count(0x200, count)


@pytest.mark.parametrize("unit", [0, 256])
def test_no_frame_to_all_units(unit: int) -> None:
    with pytest.raises(ValueError, match="unit"):
        wire.rtu_frame(unit, wire.read_coil(0))
    with pytest.raises(ValueError, match="unit"):
        wire.tcp_frame(1, unit, wire.read_coil(0))


@pytest.mark.parametrize("address", [-1, 0x10000])
def test_addresses_are_those_of_the_wire(address: int) -> None:
    with pytest.raises(ValueError, match="address"):
        wire.read_coil(address)
