"""Four-byte relay frames: each known vector, each refusal.

Vectors marked "maker" are in LC Technology's text for its USB switch as shops reprint
it (optimusdigital.ro, product 12595; tilga.com, prod/5732195). The others are listed
alike by public programs for these boards, no maker's page seen. Sums recomputed by
hand. What has no mark in the refusals is synthetic.
"""

from __future__ import annotations

import pytest

from tidegate_backends.wire import four_byte
from tidegate_backends.wire.four_byte import Op

REQUESTS = [
    (1, Op.ON, "A0 01 01 A2"),  # maker
    (1, Op.OFF, "A0 01 00 A1"),  # maker
    (1, Op.OFF_ANSWERED, "A0 01 02 A3"),
    (1, Op.ON_ANSWERED, "A0 01 03 A4"),
    (1, Op.TOGGLE_ANSWERED, "A0 01 04 A5"),
    (1, Op.QUERY, "A0 01 05 A6"),
    (2, Op.ON, "A0 02 01 A3"),
    (2, Op.OFF, "A0 02 00 A2"),
    (3, Op.ON, "A0 03 01 A4"),
    (3, Op.OFF, "A0 03 00 A3"),
    (4, Op.ON, "A0 04 01 A5"),
    (4, Op.OFF, "A0 04 00 A4"),
    (8, Op.ON, "A0 08 01 A9"),
    (8, Op.OFF, "A0 08 00 A8"),
]


@pytest.mark.parametrize(("channel", "op", "frame"), REQUESTS)
def test_request_is_the_published_frame(channel: int, op: Op, frame: str) -> None:
    assert four_byte.encode(channel, op) == bytes.fromhex(frame)


@pytest.mark.parametrize(
    ("asked", "answer", "driven"),
    [
        ("A0 01 02 A3", "A0 01 00 A1", False),
        ("A0 01 03 A4", "A0 01 01 A2", True),
        ("A0 01 05 A6", "A0 01 00 A1", False),
        ("A0 01 05 A6", "A0 01 01 A2", True),
        ("A0 02 05 A7", "A0 02 01 A3", True),
    ],
)
def test_answer_tells_the_coil(asked: str, answer: str, driven: bool) -> None:
    got = four_byte.state(bytes.fromhex(answer), asked=bytes.fromhex(asked))
    assert got is driven


@pytest.mark.parametrize(
    ("answer", "error"),
    [
        pytest.param("", four_byte.Incomplete, id="nothing"),
        pytest.param("A0 01 01", four_byte.Incomplete, id="one byte short"),
        pytest.param("A0 01 01 A2 00", four_byte.Overlong, id="one byte more"),
        pytest.param("A0 01 01 A2 A0 01 00 A1", four_byte.Overlong, id="two frames"),
        pytest.param("A0 01 01 A3", four_byte.Garbled, id="sum one off"),
        pytest.param("A1 01 01 A3", four_byte.Garbled, id="start one off"),
        pytest.param("A0 02 01 A3", four_byte.OtherChannel, id="other channel"),
        pytest.param(
            "A0 00 01 A1", four_byte.OtherChannel, id="off with bytes swapped"
        ),
        pytest.param("A0 01 05 A6", four_byte.Echo, id="our own query"),
        pytest.param("A0 01 02 A3", four_byte.NotAState, id="an operation, no state"),
        pytest.param("43 48 31 3A", four_byte.Garbled, id="text: CH1:"),
    ],
)
def test_refuses(answer: str, error: type[four_byte.FrameError]) -> None:
    asked = four_byte.encode(1, Op.QUERY)
    with pytest.raises(error):
        four_byte.state(bytes.fromhex(answer), asked=asked)


def test_swapped_pair_is_told_apart_by_channel_not_by_sum() -> None:
    """A0 01 02 A3 and A0 02 01 A3: one sum, two meanings; both decode."""
    off_answered = bytes.fromhex("A0 01 02 A3")
    channel_two_on = bytes.fromhex("A0 02 01 A3")
    assert four_byte.decode(off_answered) == four_byte.Frame(1, 2)
    assert four_byte.decode(channel_two_on) == four_byte.Frame(2, 1)
    with pytest.raises(four_byte.OtherChannel):
        four_byte.state(channel_two_on, asked=off_answered)
    with pytest.raises(four_byte.NotAState):
        four_byte.state(off_answered, asked=four_byte.encode(1, Op.QUERY))


@pytest.mark.parametrize("channel", [-1, 0, 255, 256])
def test_no_such_channel(channel: int) -> None:
    with pytest.raises(ValueError, match=str(channel)):
        four_byte.encode(channel, Op.ON)


@pytest.mark.parametrize("op", [Op.OFF, Op.ON])
def test_plain_operations_have_no_answer_to_read(op: Op) -> None:
    """Their echo looks like a state, so believing one would prove nothing."""
    request = four_byte.encode(1, op)
    with pytest.raises(ValueError, match="no answer"):
        four_byte.state(request, asked=request)


def test_talkative_peer_is_cut_short_in_the_message() -> None:
    with pytest.raises(four_byte.Overlong) as caught:
        four_byte.decode(b"\xa0" * 5000)
    assert len(str(caught.value)) < 120
