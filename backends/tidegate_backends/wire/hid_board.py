"""Reports of relay boards on USB HID: values to bytes and back, nothing else.

Three forms are known, named here by what is in the report. Neither the ids nor the
name of a board are proof of its form: 16c0:05df is an id that any hobby project may
use, so the product string has to agree as well.

- ``feature-mask``: ``FF channel`` drives a coil, ``FD channel`` releases it; a feature
  report holds the board's own serial text and a bit for each coil (``USBRelay4``).
- ``one-byte``: ``F0 + channel`` drives, ``00 + channel`` releases; nothing can be read
  back (``HIDRelay``).
- ``four-byte``: the frames of a four-byte board (``wire/four_byte.py``) as a report;
  nothing can be read back (5131:2007).

Never made here: FE and FC, which move all coils at once, and FA, which changes the
serial text.

Source: no standard for what is in the reports. Public programs for these boards agree:
usbrelay (``libusbrelay.c``) and labgrid (``util/agents/usb_hid_relay.py``). A first
byte for the report's number, 00 where reports have none: Linux
Documentation/hid/hidraw.rst.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from tidegate_backends.wire import four_byte

# Number and length of the feature report as usbrelay asks for it.
FEATURE_REPORT: Final = 1
FEATURE_LENGTH: Final = 9

_LENGTH: Final = 9
_DRIVE: Final = 0xFF
_RELEASE: Final = 0xFD
_HIGH: Final = 0xF0
_SERIAL: Final = slice(0, 5)
_MASK: Final = 7
_FEATURES: Final = 8
_SHARED_ID: Final = (0x16C0, 0x05DF)
_FOUR_BYTE_ID: Final = (0x5131, 0x2007)
_COUNTED: Final = re.compile(r"USBRelay(\d{1,2})")


class Form(StrEnum):
    """What is in the reports."""

    FEATURE_MASK = "feature-mask"
    ONE_BYTE = "one-byte"
    FOUR_BYTE = "four-byte"


# A mask has eight bits; the others go as far as the public programs do.
LAST_CHANNEL: Final = {Form.FEATURE_MASK: 8, Form.ONE_BYTE: 9, Form.FOUR_BYTE: 8}


class FrameError(ValueError):
    """What arrived is not a feature report of such a board."""


@dataclass(frozen=True, slots=True)
class Features:
    """What a board tells of itself: its serial text, and which coils are driven."""

    serial: str
    mask: int

    def driven(self, channel: int) -> bool:
        """Return whether the coil of this channel, from 1, is driven."""
        return bool(self.mask >> (channel - 1) & 1)


def report(form: Form, channel: int, *, driven: bool) -> bytes:
    """Return the output report, its number first, that drives or releases a coil."""
    if not 1 <= channel <= LAST_CHANNEL[form]:
        raise ValueError(f"channel {channel} is not within 1..{LAST_CHANNEL[form]}")
    if form is Form.FOUR_BYTE:
        op = four_byte.Op.ON if driven else four_byte.Op.OFF
        return b"\0" + four_byte.encode(channel, op)
    if form is Form.ONE_BYTE:
        body = bytes(((_HIGH if driven else 0) + channel,))
    else:
        body = bytes((_DRIVE if driven else _RELEASE, channel))
    return (b"\0" + body).ljust(_LENGTH, b"\0")


def features(data: bytes) -> Features:
    """Return what a feature report says, with or without its number in front.

    Errors: FrameError.
    """
    if len(data) == _FEATURES + 1 and data[0] in (0, FEATURE_REPORT):
        data = data[1:]
    if len(data) != _FEATURES:
        raise FrameError(f"{len(data)} bytes, not {_FEATURES}: {data[:16].hex(' ')}")
    text = data[_SERIAL].split(b"\0")[0]
    if not text.isascii() or not text.decode("ascii").isprintable():
        raise FrameError(f"no serial text in it: {data.hex(' ')}")
    return Features(text.decode("ascii"), data[_MASK])


def form_of(vendor: int, product_id: int, product: str) -> Form | None:
    """Return the form of a device's reports, ``None`` for one that is no board."""
    if (vendor, product_id) == _FOUR_BYTE_ID:
        return Form.FOUR_BYTE
    if (vendor, product_id) != _SHARED_ID:
        return None
    if product.startswith("USBRelay"):
        return Form.FEATURE_MASK
    return Form.ONE_BYTE if product.startswith("HIDRelay") else None


def has_shared_id(vendor: int, product_id: int) -> bool:
    """Return whether a device has the id that boards share with anything else."""
    return (vendor, product_id) == _SHARED_ID


def relays_of(product: str) -> int | None:
    """Return how many relays a board's product string says it has."""
    match = _COUNTED.match(product)
    return int(match[1]) if match is not None else None
