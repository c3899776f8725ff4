"""The Battery service's level and level status: bytes to values, nothing else.

Battery Level is one octet, 0 to 100. Battery Level Status is one octet of flags, two
of power state (little endian), then, as the flags say, two of an identifier, one of a
level, one of additional status. Power state: bit 0 present, 1-2 wired source, 3-4
wireless source (0 no, 1 yes, 2 unknown), 5-6 charge state, 7-8 charge level, 9-11
charging type, 12-14 faults. Additional status: bits 0-1 service required, 2 fault.

Source: Bluetooth SIG, Battery Service 1.1, as Zephyr implements it
(subsys/bluetooth/services/bas: ``enum bt_bas_bls_*``); assigned numbers 0x180F, 0x2A19,
0x2BED.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Final

SERVICE: Final = "0000180f-0000-1000-8000-00805f9b34fb"
LEVEL: Final = "00002a19-0000-1000-8000-00805f9b34fb"
LEVEL_STATUS: Final = "00002bed-0000-1000-8000-00805f9b34fb"

_HAS_IDENTIFIER: Final = 1 << 0
_HAS_LEVEL: Final = 1 << 1
_HAS_ADDITIONAL: Final = 1 << 2

_FAULTS: Final = (
    (1 << 12, "battery fault"),
    (1 << 13, "fault of the external source"),
    (1 << 14, "other fault"),
)
_SERVICE_REQUIRED: Final = 1
_BATTERY_FAULT: Final = 1 << 2


class BadValue(ValueError):
    """The octets are not what the service defines."""


class ChargeState(IntEnum):
    """What the battery does. ``INACTIVE``: it could be discharged, and is not."""

    UNKNOWN = 0
    CHARGING = 1
    DISCHARGING = 2
    INACTIVE = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelStatus:
    """What a Battery Level Status says. ``None``: it does not say.

    ``wired``, ``wireless``: whether such a source is connected. ``complaints`` are in
    words, empty where the service has none.
    """

    present: bool
    wired: bool | None
    wireless: bool | None
    charge_state: ChargeState
    level_percent: int | None
    complaints: tuple[str, ...]

    @property
    def powered(self) -> bool | None:
        """Whether any source is connected; no only where both are known to be away."""
        if self.wired or self.wireless:
            return True
        return False if self.wired is False and self.wireless is False else None


def level_percent(value: bytes) -> int:
    """Return a Battery Level as it is; what lies above 100 is reserved.

    Errors: BadValue.
    """
    if len(value) != 1:
        raise BadValue(f"a battery level has one octet, not {_shown(value)}")
    return value[0]


def level_status(value: bytes) -> LevelStatus:
    """Return what a Battery Level Status says. Errors: BadValue.

    Octets after those that the flags announce are those of a later version.
    """
    if len(value) < 3:
        raise BadValue(f"a battery level status has 3 octets or more: {_shown(value)}")
    flags, power = value[0], int.from_bytes(value[1:3], "little")
    rest = value[5:] if flags & _HAS_IDENTIFIER else value[3:]
    due = bool(flags & _HAS_LEVEL) + bool(flags & _HAS_ADDITIONAL)
    if len(rest) < due or (flags & _HAS_IDENTIFIER and len(value) < 5):
        raise BadValue(f"the flags announce more than there is: {_shown(value)}")
    level = rest[0] if flags & _HAS_LEVEL else None
    additional = rest[due - 1] if flags & _HAS_ADDITIONAL else 0
    return LevelStatus(
        present=bool(power & 1),
        wired=_source(power >> 1),
        wireless=_source(power >> 3),
        charge_state=ChargeState(power >> 5 & 0b11),
        level_percent=level,
        complaints=_complaints(power, additional),
    )


def _source(bits: int) -> bool | None:
    return {0: False, 1: True}.get(bits & 0b11)


def _complaints(power: int, additional: int) -> tuple[str, ...]:
    found = [words for bit, words in _FAULTS if power & bit]
    if additional & _BATTERY_FAULT and _FAULTS[0][1] not in found:
        found.append(_FAULTS[0][1])
    if additional & 0b11 == _SERVICE_REQUIRED:
        found.append("service required")
    return tuple(found)


def _shown(value: bytes) -> str:
    return value[:16].hex(" ").upper() or "nothing"
