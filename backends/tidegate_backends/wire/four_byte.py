"""Four-byte relay frames: values to bytes and back, nothing else.

A frame is ``A0 channel op sum``; the sum is that of the first three bytes, cut to
eight bits. Operations 02 to 05 are answered with a state frame, in which the third
byte is the coil: 00 released, 01 driven. Older firmware knows 00 and 01 only and
answers nothing.

The sum does not see two bytes that changed places: ``A0 01 02 A3`` and
``A0 02 01 A3`` are both sound. So an answer is believed only if its channel is the
one that was asked and its third byte is a state.

Source: no standard exists. LC Technology's text for its USB switch, as shops reprint
it (optimusdigital.ro, product 12595), has the frame, 00 and 01; operations 02 to 06
are those that public programs for these boards list alike.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Final

START: Final = 0xA0
LENGTH: Final = 4
FIRST_CHANNEL: Final = 1
# A lone FF asks for all channels at once, so no channel is called that.
LAST_CHANNEL: Final = 0xFE


class Op(IntEnum):
    """The third byte of a request."""

    OFF = 0
    ON = 1
    OFF_ANSWERED = 2
    ON_ANSWERED = 3
    TOGGLE_ANSWERED = 4
    QUERY = 5


class FrameError(ValueError):
    """What arrived is not the answer to what was asked."""


class Incomplete(FrameError):
    """Fewer bytes than a frame has."""


class Overlong(FrameError):
    """More bytes than one frame: something else is on the line as well."""


class Garbled(FrameError):
    """The start byte or the sum is wrong."""


class OtherChannel(FrameError):
    """A sound frame, about a channel that was not asked for."""


class Echo(FrameError):
    """Our own request came back."""


class NotAState(FrameError):
    """A sound frame of the right channel that tells no state."""


@dataclass(frozen=True, slots=True)
class Frame:
    """One sound frame; ``code`` is an operation in a request, a state in an answer."""

    channel: int
    code: int


def encode(channel: int, op: Op) -> bytes:
    """Return the request for one channel."""
    if not FIRST_CHANNEL <= channel <= LAST_CHANNEL:
        raise ValueError(
            f"channel {channel} is not within {FIRST_CHANNEL}..{LAST_CHANNEL}"
        )
    body = bytes((START, channel, op))
    return body + bytes((_sum(body),))


def decode(data: bytes) -> Frame:
    """Return the one frame that these bytes are.

    Errors: Incomplete, Overlong, Garbled.
    """
    if len(data) < LENGTH:
        raise Incomplete(f"{len(data)} of {LENGTH} bytes: {_hex(data)}")
    if len(data) > LENGTH:
        raise Overlong(f"{len(data)} bytes where a frame has {LENGTH}: {_hex(data)}")
    if data[0] != START:
        raise Garbled(f"starts with {data[0]:02X}, not A0: {_hex(data)}")
    if data[3] != _sum(data[:3]):
        raise Garbled(f"sum {data[3]:02X}, not {_sum(data[:3]):02X}: {_hex(data)}")
    return Frame(channel=data[1], code=data[2])


def state(answer: bytes, *, asked: bytes) -> bool:
    """Return whether the coil is driven, from the answer to an answered request.

    Errors: any FrameError. Only for requests whose echo is not itself a state.
    """
    request = decode(asked)
    if request.code in (Op.OFF, Op.ON):
        raise ValueError("operations 00 and 01 have no answer that tells a state")
    if answer == asked:
        raise Echo(f"our own bytes came back: {_hex(answer)}")
    frame = decode(answer)
    if frame.channel != request.channel:
        raise OtherChannel(
            f"channel {frame.channel} answered, {request.channel} was asked: "
            f"{_hex(answer)}"
        )
    if frame.code not in (0, 1):
        raise NotAState(f"{frame.code:02X} is no state: {_hex(answer)}")
    return frame.code == 1


def _sum(body: bytes) -> int:
    return sum(body) & 0xFF


def _hex(data: bytes) -> str:
    # Enough to recognise what it is; a talkative peer must not flood the log.
    shown = data[:16].hex(" ").upper()
    return f"{shown} …" if len(data) > 16 else shown
