"""The cautions, one text for every place that shows them."""

from __future__ import annotations

from typing import Final

CAUTIONS: Final = (
    "tidegate is a control, not a safeguard (class A in the sense of IEC 60730-1). It "
    "relies on the device's own charger and protection.",
    "A swollen, hot, leaking or smelling pack: stop, disconnect it if that is safe, do "
    "not charge, press, pierce or ship it. Keep it away from what burns and hand it to "
    "a qualified person and a licensed collector; damaged cells have their own "
    "transport rules.",
    "Opening a device, cutting cell leads (one at a time, insulated at once) and "
    "soldering near a cell are work for trained people. Mains contacts are for a "
    "licensed electrician and a certified switch, under local code.",
    "Numbers here never overrule a cell maker's data sheet or local law.",
)
