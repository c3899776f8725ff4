"""Laws of the four-byte frames."""

from __future__ import annotations

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from tidegate_backends.wire import four_byte
from tidegate_backends.wire.four_byte import Op

channels = st.integers(four_byte.FIRST_CHANNEL, four_byte.LAST_CHANNEL)
ops = st.sampled_from(Op)
answered = st.sampled_from([op for op in Op if op not in (Op.OFF, Op.ON)])


def state_frame(channel: int, driven: bool) -> bytes:
    """The answer as the published text has it, written without our encoder."""
    body = [0xA0, channel, int(driven)]
    return bytes([*body, sum(body) % 256])


@given(channels, ops)
def test_round_trip(channel: int, op: Op) -> None:
    frame = four_byte.decode(four_byte.encode(channel, op))
    assert (frame.channel, frame.code) == (channel, op)


@given(channels, answered, st.booleans())
def test_state_comes_back(channel: int, op: Op, driven: bool) -> None:
    asked = four_byte.encode(channel, op)
    assert four_byte.state(state_frame(channel, driven), asked=asked) is driven


@given(channels, answered, st.booleans(), st.integers(0, 3), st.integers(1, 255))
def test_one_changed_byte_is_always_refused(
    channel: int, op: Op, driven: bool, where: int, change: int
) -> None:
    answer = bytearray(state_frame(channel, driven))
    answer[where] ^= change
    with pytest.raises(four_byte.FrameError):
        four_byte.state(bytes(answer), asked=four_byte.encode(channel, op))


@given(channels, answered, st.booleans(), st.permutations(range(4)))
def test_bytes_that_changed_places_never_lie(
    channel: int, op: Op, driven: bool, order: list[int]
) -> None:
    """The sum is blind to this; channel and state are not."""
    answer = state_frame(channel, driven)
    shuffled = bytes(answer[place] for place in order)
    assume(shuffled != answer)
    with pytest.raises(four_byte.FrameError):
        four_byte.state(shuffled, asked=four_byte.encode(channel, op))


@given(channels, answered, st.binary(max_size=12))
def test_any_bytes_are_a_state_or_a_frame_error(
    channel: int, op: Op, data: bytes
) -> None:
    asked = four_byte.encode(channel, op)
    try:
        driven = four_byte.state(data, asked=asked)
    except four_byte.FrameError:
        return
    assert data == state_frame(channel, driven)
