"""Battery Level and Battery Level Status, octet by octet.

Source: Bluetooth SIG, Battery Service 1.1, as the enumerations ``bt_bas_bls_*`` of
Zephyr's implementation have it. The octets were computed by hand from those.
"""

from __future__ import annotations

import pytest

from tidegate_backends.wire import battery_service
from tidegate_backends.wire.battery_service import BadValue, ChargeState


@pytest.mark.parametrize(("octets", "percent"), [("00", 0), ("3D", 61), ("64", 100)])
def test_level(octets: str, percent: int) -> None:
    assert battery_service.level_percent(bytes.fromhex(octets)) == percent


def test_a_reserved_level_is_handed_on_as_it_is() -> None:
    """Whether it can be true is judged by others, who keep it as evidence."""
    assert battery_service.level_percent(b"\xff") == 255


@pytest.mark.parametrize("octets", ["", "3D 00"])
def test_a_level_has_one_octet(octets: str) -> None:
    with pytest.raises(BadValue, match="one octet"):
        battery_service.level_percent(bytes.fromhex(octets))


def test_the_whole_status() -> None:
    """1 (present) + 1<<1 (wired) + 1<<5 (charging) + 1<<7 (good) + 1<<9 (constant
    current) = 0x02A3, then the level.
    """
    status = battery_service.level_status(bytes.fromhex("02 A3 02 3D"))

    assert status.present
    assert status.wired is True
    assert status.wireless is False
    assert status.powered is True
    assert status.charge_state is ChargeState.CHARGING
    assert status.level_percent == 61
    assert status.complaints == ()


@pytest.mark.parametrize(
    ("power", "wired", "wireless", "powered"),
    [
        (0b00_00_1, False, False, False),
        (0b00_01_1, True, False, True),
        (0b01_00_1, False, True, True),
        (0b01_10_1, None, True, True),
        # Known to be away, and unknown: nobody can say that there is none.
        (0b10_00_1, False, None, None),
        (0b00_10_1, None, False, None),
        (0b11_11_1, None, None, None),  # reserved for future use
    ],
)
def test_sources(
    power: int, wired: bool | None, wireless: bool | None, powered: bool | None
) -> None:
    status = battery_service.level_status(bytes([0, power, 0]))

    assert (status.wired, status.wireless, status.powered) == (
        wired,
        wireless,
        powered,
    )


@pytest.mark.parametrize("state", list(ChargeState))
def test_charge_state(state: ChargeState) -> None:
    status = battery_service.level_status(bytes([0, state << 5 | 1, 0]))

    assert status.charge_state is state


def test_no_battery() -> None:
    assert not battery_service.level_status(bytes.fromhex("00 A2 02")).present


@pytest.mark.parametrize(
    ("octets", "complaints"),
    [
        ("00 01 10", ("battery fault",)),
        ("00 01 20", ("fault of the external source",)),
        ("00 01 40", ("other fault",)),
        ("00 01 30", ("battery fault", "fault of the external source")),
        # Additional status: service required (1), not (0), unknown (2), fault (bit 2).
        ("04 01 00 01", ("service required",)),
        ("04 01 00 00", ()),
        ("04 01 00 02", ()),
        ("04 01 00 05", ("battery fault", "service required")),
        # Said twice, told once.
        ("04 01 10 04", ("battery fault",)),
        # After an identifier and a level.
        ("07 01 00 34 12 3D 01", ("service required",)),
    ],
)
def test_complaints(octets: str, complaints: tuple[str, ...]) -> None:
    assert battery_service.level_status(bytes.fromhex(octets)).complaints == complaints


@pytest.mark.parametrize(
    ("octets", "percent"),
    [
        ("00 01 00", None),
        ("02 01 00 3D", 61),
        ("03 01 00 34 12 3D", 61),
        ("06 01 00 3D 00", 61),
        ("02 01 00 3D FF FF", 61),  # octets of a later version
    ],
)
def test_level_in_the_status(octets: str, percent: int | None) -> None:
    status = battery_service.level_status(bytes.fromhex(octets))

    assert status.level_percent == percent


@pytest.mark.parametrize(
    "octets",
    ["", "00", "00 01", "02 01 00", "01 01 00 34", "03 01 00 34 12", "06 01 00 3D"],
)
def test_cut_short(octets: str) -> None:
    with pytest.raises(BadValue):
        battery_service.level_status(bytes.fromhex(octets))
