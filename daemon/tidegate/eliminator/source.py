"""What may stand at the near end of the cable, and what may be drawn from it.

The texts of USB were not at hand: all of these are from memory, some of them seen in
data sheets of chips as well.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

# How far a plain supply may be off its voltage (common practice, no source).
PLAIN_TOLERANCE: Final = 0.05
USB_V: Final = 5.0
# The most that a port must stand at once: 10 µF at 5 V, from memory of USB 2.0, 7.2.4.1,
# and as a charge of its compliance test.
USB_INRUSH_C: Final = 50e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """A supply at the near end. ``configured_a`` is what a USB device may draw that
    was configured over the data lines, ``None`` where there is no such thing.
    ``far_least_v`` is what a device at the far end must still run at.
    """

    name: str
    low_v: float
    high_v: float
    current_a: float
    configured_a: float | None
    far_least_v: float | None
    needs: str
    source: str

    @property
    def is_usb(self) -> bool:
        """Whether the limits of USB hold for it."""
        return self.far_least_v is not None

    @property
    def nominal_v(self) -> float:
        """The voltage that it is called by."""
        return USB_V if self.is_usb else (self.low_v + self.high_v) / 2

    def may_give_a(self, *, is_configured: bool) -> float:
        """Return the current that may be drawn."""
        if is_configured and self.configured_a is not None:
            return self.configured_a
        return self.current_a


def plain(volt: float, ampere: float) -> Source:
    """Return a supply that is known by its label."""
    return Source(
        name=f"{volt:g} V/{ampere:g} A",
        low_v=volt * (1 - PLAIN_TOLERANCE),
        high_v=volt * (1 + PLAIN_TOLERANCE),
        current_a=ampere,
        configured_a=None,
        far_least_v=None,
        needs="Its label says what it gives; 5 % either way is taken for its voltage.",
        source="its label; 5 %: common practice, no source",
    )


def _usb(  # the columns of the table below
    name: str,
    volts: tuple[float, float, float],
    *,
    ampere: float,
    configured_a: float | None = None,
    needs: str,
    source: str,
) -> Source:
    return Source(
        name=name,
        low_v=volts[0],
        high_v=volts[1],
        current_a=ampere,
        configured_a=configured_a,
        far_least_v=volts[2],
        needs=needs,
        source=f"{source} (from memory)",
    )


_DATA: Final = (
    "A dummy pack has no data lines and is never configured, so only what an "
    "unconfigured device may draw counts."
)
_CC: Final = (
    "The cable's CC line needs a 5.1 kΩ resistor to ground at the eliminator, or there "
    "is no voltage at all; more than the default must be read from that line first."
)
_OLD: Final = (4.75, 5.25, 4.40)
_NEW: Final = (4.75, 5.50, 4.40)
_TYPE_C: Final = (4.75, 5.50, 4.00)
SOURCES: Final = {
    each.name: each
    for each in (
        _usb(
            "usb2",
            _OLD,
            ampere=0.1,
            configured_a=0.5,
            needs=_DATA,
            source="USB 2.0, 7.2.1 and 7.2.2",
        ),
        _usb(
            "usb3",
            _NEW,
            ampere=0.15,
            configured_a=0.9,
            needs=_DATA,
            source="USB 3.x, chapter 11",
        ),
        _usb(
            "bc1.2",
            _OLD,
            ampere=1.5,
            needs="The eliminator must find a charging port (D+ and D- shorted) before "
            "it draws this.",
            source="Battery Charging 1.2",
        ),
        _usb(
            "type-c",
            _TYPE_C,
            ampere=0.5,
            needs=_CC,
            source="USB Type-C, default current as USB 2.0",
        ),
        _usb("type-c-1.5a", _TYPE_C, ampere=1.5, needs=_CC, source="USB Type-C"),
        _usb("type-c-3a", _TYPE_C, ampere=3.0, needs=_CC, source="USB Type-C"),
    )
}
