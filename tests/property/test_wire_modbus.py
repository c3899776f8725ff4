"""Laws of Modbus frames: what is spoiled is never taken for a reply."""

from __future__ import annotations

from hypothesis import assume, given
from hypothesis import strategies as st

from support.modbus_device import Unit, check_of
from tidegate_backends.wire import modbus as wire

UNITS = st.integers(1, 247)
REQUESTS = st.one_of(
    st.builds(wire.read_coil, st.integers(0, 7)),
    st.builds(
        lambda address, driven: wire.write_coil(address, driven=driven),
        st.integers(0, 7),
        st.booleans(),
    ),
    st.builds(wire.read_register, st.integers(0x10, 0x12)),
    st.builds(wire.write_register, st.integers(0x10, 0x12), st.integers(0, 0xFFFF)),
)


def reply(unit: int, request: wire.Request) -> bytes:
    """What a unit written from the standard says."""
    body = bytes((unit,)) + Unit().reply(request.encode(), 0.0)
    return body + check_of(body)


@given(UNITS, REQUESTS)
def test_both_sides_agree_on_the_frame(unit: int, request: wire.Request) -> None:
    frame = wire.rtu_frame(unit, request)
    assert check_of(frame[:-2]) == frame[-2:]


@given(UNITS, REQUESTS, st.binary(max_size=4))
def test_reply_is_found_after_noise(
    unit: int, request: wire.Request, noise: bytes
) -> None:
    pdu = wire.find_reply(noise + reply(unit, request), unit, request)
    assert pdu == reply(unit, request)[1:-2]


@given(UNITS, REQUESTS, st.data())
def test_one_flipped_bit_is_never_believed(
    unit: int, request: wire.Request, data: st.DataObject
) -> None:
    """A check of 16 bits sees every single error."""
    sound = reply(unit, request)
    bit = data.draw(st.integers(0, 8 * len(sound) - 1))
    spoiled = bytearray(sound)
    spoiled[bit // 8] ^= 1 << bit % 8
    assert wire.find_reply(bytes(spoiled), unit, request) is None


@given(UNITS, UNITS, REQUESTS)
def test_reply_of_another_unit_is_never_believed(
    unit: int, other: int, request: wire.Request
) -> None:
    assume(unit != other)
    assert wire.find_reply(reply(other, request), unit, request) is None


@given(st.binary(max_size=40), UNITS, REQUESTS)
def test_any_bytes_are_told_apart(
    data: bytes, unit: int, request: wire.Request
) -> None:
    if wire.find_reply(data, unit, request) is None:
        assert isinstance(wire.what_is_wrong(data, unit, request), wire.FrameError)
