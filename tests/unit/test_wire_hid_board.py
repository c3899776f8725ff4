"""Reports of HID relay boards against what public programs send and read.

usbrelay (``libusbrelay.c``): output report 00 FF/FD channel, feature report asked for
by number 1 in 9 bytes, serial text in bytes 0 to 4, mask in byte 7; ``HIDRelay`` takes
F0 or 00 plus the channel. labgrid (``usb_hid_relay.py``): 5131:2007 takes the frames of
four-byte boards. There is no standard for these boards.
"""

from __future__ import annotations

import pytest

from tidegate_backends.wire import hid_board as wire
from tidegate_backends.wire.hid_board import Features, Form


@pytest.mark.parametrize(
    ("form", "channel", "driven", "report"),
    [
        (Form.FEATURE_MASK, 1, True, "00 FF 01 00 00 00 00 00 00"),
        (Form.FEATURE_MASK, 1, False, "00 FD 01 00 00 00 00 00 00"),
        (Form.FEATURE_MASK, 8, True, "00 FF 08 00 00 00 00 00 00"),
        (Form.ONE_BYTE, 1, True, "00 F1 00 00 00 00 00 00 00"),
        (Form.ONE_BYTE, 1, False, "00 01 00 00 00 00 00 00 00"),
        (Form.ONE_BYTE, 9, True, "00 F9 00 00 00 00 00 00 00"),
        (Form.FOUR_BYTE, 1, True, "00 A0 01 01 A2"),
        (Form.FOUR_BYTE, 2, True, "00 A0 02 01 A3"),
        (Form.FOUR_BYTE, 1, False, "00 A0 01 00 A1"),
    ],
)
def test_output_report(form: Form, channel: int, driven: bool, report: str) -> None:
    assert wire.report(form, channel, driven=driven) == bytes.fromhex(report)


@pytest.mark.parametrize(
    ("data", "told"),
    [
        # Values are invented; where they stand is the programs'.
        ("42 49 54 46 54 00 00 01", Features("BITFT", 0b0001)),
        ("00 42 49 54 46 54 00 00 05", Features("BITFT", 0b0101)),
        ("01 42 49 54 46 54 00 00 80", Features("BITFT", 0b10000000)),
        ("41 31 00 00 00 00 00 00", Features("A1", 0)),
        ("00 00 00 00 00 00 00 02", Features("", 2)),
    ],
)
def test_feature_report(data: str, told: Features) -> None:
    assert wire.features(bytes.fromhex(data)) == told


@pytest.mark.parametrize(
    "data", ["", "00", "42 49 54 46 54 00 00", "42 80 54 46 54 00 00 01"]
)
def test_what_is_no_feature_report(data: str) -> None:
    with pytest.raises(wire.FrameError):
        wire.features(bytes.fromhex(data))


def test_nine_bytes_without_a_number_in_front_are_none() -> None:
    with pytest.raises(wire.FrameError):
        wire.features(bytes.fromhex("42 49 54 46 54 00 00 01 00"))


@pytest.mark.parametrize(
    ("vendor", "product_id", "product", "form"),
    [
        (0x16C0, 0x05DF, "USBRelay1", Form.FEATURE_MASK),
        (0x16C0, 0x05DF, "USBRelay8", Form.FEATURE_MASK),
        (0x16C0, 0x05DF, "HIDRelay", Form.ONE_BYTE),
        (0x16C0, 0x05DF, "Clock of somebody's own", None),
        (0x16C0, 0x05DF, "", None),
        (0x5131, 0x2007, "", Form.FOUR_BYTE),
        (0x046D, 0xC31C, "USBRelay4", None),
    ],
)
def test_a_board_is_known_by_id_and_name(
    vendor: int, product_id: int, product: str, form: Form | None
) -> None:
    assert wire.form_of(vendor, product_id, product) is form


@pytest.mark.parametrize(
    ("product", "relays"),
    [("USBRelay4", 4), ("USBRelay16", 16), ("USBRelay", None), ("HIDRelay", None)],
)
def test_relays_of_a_name(product: str, relays: int | None) -> None:
    assert wire.relays_of(product) == relays


@pytest.mark.parametrize("form", list(Form))
def test_channels_end_where_the_form_does(form: Form) -> None:
    for channel in (0, wire.LAST_CHANNEL[form] + 1):
        with pytest.raises(ValueError, match="channel"):
            wire.report(form, channel, driven=True)
