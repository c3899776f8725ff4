"""The Automation IO service's Digital characteristic: values to bytes and back.

A Digital is an array of two-bit values, signal 0 in the two lowest bits of the first
octet, four signals an octet. 00 is inactive, 01 active, 10 tri-state, 11 unknown; in
a write 11 leaves a signal as it is, so one signal is switched without a read before.
A descriptor, Number of Digitals, says how many of the values have a meaning.

Source: Bluetooth SIG, Automation IO Service 1.0, as the documentation of the library
bluetooth-sig-python restates it (not read in the original; some firmware puts signal 0
into the highest bits: switch that with the bytes it wants). Assigned numbers 0x1815,
0x2A56, 0x2909 as in the lists of bumble and Nordic's SDK.
"""

from __future__ import annotations

from enum import IntEnum
from typing import Final

SERVICE: Final = "00001815-0000-1000-8000-00805f9b34fb"
DIGITAL: Final = "00002a56-0000-1000-8000-00805f9b34fb"
NUMBER_OF_DIGITALS: Final = "00002909-0000-1000-8000-00805f9b34fb"

# One octet holds the descriptor, so there are never more.
MOST_SIGNALS: Final = 255
PER_OCTET: Final = 4
_BITS: Final = 2
_MASK: Final = 0b11


class Signal(IntEnum):
    """One two-bit value; ``UNKNOWN`` in a write means "leave it as it is"."""

    INACTIVE = 0b00
    ACTIVE = 0b01
    TRI_STATE = 0b10
    UNKNOWN = 0b11


class NoSuchSignal(ValueError):
    """The value has no such signal."""


def octets(signals: int) -> int:
    """Return how many octets so many signals take."""
    return -(-signals // PER_OCTET)


def command(signal: int, *, active: bool, signals: int) -> bytes:
    """Return the write that sets one of ``signals`` and leaves the others alone."""
    if not 0 <= signal < signals <= MOST_SIGNALS:
        raise NoSuchSignal(f"there is no signal {signal} among {signals}")
    bits = (1 << 8 * octets(signals)) - 1
    bits &= ~(_MASK << _BITS * signal)
    bits |= (Signal.ACTIVE if active else Signal.INACTIVE) << _BITS * signal
    return bits.to_bytes(octets(signals), "little")


def state(value: bytes, signal: int) -> Signal:
    """Return the state of one signal. Errors: NoSuchSignal."""
    if not 0 <= signal < PER_OCTET * len(value):
        shown = value[:16].hex(" ").upper() or "nothing"
        raise NoSuchSignal(f"no signal {signal} in {shown}")
    bits = value[signal // PER_OCTET] >> _BITS * (signal % PER_OCTET)
    return Signal(bits & _MASK)
