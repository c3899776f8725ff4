"""Laws of HID reports: a mask is read bit by bit, a report moves one relay only."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from tidegate_backends.wire import hid_board as wire
from tidegate_backends.wire.hid_board import Form

CHANNELS = range(1, 9)
SERIALS = st.text(
    st.characters(min_codepoint=0x21, max_codepoint=0x7E), min_size=1, max_size=5
)


@given(st.sets(st.sampled_from(CHANNELS)), SERIALS, st.booleans())
def test_mask_tells_each_relay(driven: set[int], serial: str, numbered: bool) -> None:
    bits = "".join("1" if n in driven else "0" for n in reversed(CHANNELS))
    data = serial.encode().ljust(7, b"\0") + bytes((int(bits, 2),))
    told = wire.features(b"\0" + data if numbered else data)
    assert told.serial == serial
    assert {n for n in CHANNELS if told.driven(n)} == driven


@given(st.sampled_from(CHANNELS), st.booleans())
def test_no_two_orders_share_a_report(channel: int, driven: bool) -> None:
    for form in Form:
        mine = wire.report(form, channel, driven=driven)
        others = {
            wire.report(form, other, driven=state)
            for other in CHANNELS
            for state in (True, False)
            if (other, state) != (channel, driven)
        }
        assert mine not in others
        assert len(others) == 2 * len(CHANNELS) - 1


@given(st.binary(max_size=12))
def test_any_bytes_are_features_or_refused(data: bytes) -> None:
    try:
        told = wire.features(data)
    except wire.FrameError:
        return
    assert len(told.serial) <= 5
    assert told.mask == data[-1]
