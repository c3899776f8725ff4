"""What no number tells: what a device asks of a pack, how to build and try, settings.

All of it is common practice or from memory, no source, unless a source is named.
"""

from __future__ import annotations

from typing import Final

BUILD: Final = (
    "The cell comes out first. A supply beside a cell that is still connected charges "
    "it without a charger; that is how cells burn.",
    "A cell that came out is still charged: insulate its leads, keep it away from what "
    "burns, and hand it to a licensed collector.",
    "Measure plus and minus at the dummy pack before it meets the device: swapped, "
    "they destroy its charger, and no check here sees that.",
    "A regulator that fails can put the whole voltage of the source on the cell "
    "terminals: put a clamp behind it, under what the device's data sheet stands. It "
    "must stand all that the source gives until the fuse melts, and for ever where the "
    "source gives less than melts it; a crowbar gets less hot than a Zener diode.",
    "A synchronous switching regulator may step up backwards when the device's charger "
    "lifts its output: behind a blocking diode its input then rises until something "
    "breaks. Take one that does not, by its data sheet, or leave the port unfed.",
    "The bank stays charged after the supply is gone: discharge it through a resistor "
    "before anybody solders or unplugs.",
    "The fuse sits at the source, where it spares the cable; it is rated for direct "
    "current at that voltage. A source without a limit of its own (a lead battery, a "
    "large supply) needs it most, and within a hand's width.",
    "While the pre-charge resistor is in the way the device must stay off, or the bank "
    "never fills. An NTC resistor that is still warm after a short outage limits "
    "nothing: bridge it, and let it cool, or use a soft start.",
    "Try it on the bench first: a supply with a current limit, an oscilloscope on the "
    "cell terminals, the device at its brightest and busiest, the outage pulled by "
    "hand.",
)
PACK_ASKS: Final = (
    "Thermistor: most packs have one, often 10 kΩ at 25 °C falling with warmth (from "
    "memory). Without it many devices find no pack, or one too hot or too cold. A "
    "fixed resistor says one temperature for ever: then nothing guards heat.",
    "Identity: a resistor or a chip on a contact of its own tells which pack it is; "
    "without it a device may refuse to start or to charge (from memory).",
    "Gauge bus: a gauge in the pack answers over two wires or one. A device that asks "
    "it may refuse to start without an answer, or shut down at the level that it last "
    "told (from memory).",
    "Level: from the voltage it stays where it is aimed; a gauge that counts charge "
    "counts down to empty although the voltage is there, and the device shuts down. "
    "The operating system may show 0 %, no battery, or always discharging; updates "
    "and bright screens may want a level first.",
    "Clock and start: a device that kept its clock on the battery loses it at each "
    "outage and needs the network for it, and it may stay off after one until its "
    "button is pressed.",
)
LIMITS: Final = (
    "What the device really draws in ms is known from an oscilloscope only, what its "
    "charger does from its data sheet; both are assumed here.",
    "Ripple, stability of the regulator with so much capacitance, warmth inside the "
    "device, radio noise and approvals are not looked at. A cable that is coiled, "
    "covered or in a duct gets warmer than in free air.",
    "Sources marked from memory or seen in secondary sources only were not checked "
    "against the standard's text: look them up before anything is signed.",
)
THEN: Final = (
    "From then on tidegate keeps the supply of the station on whatever else it reads "
    "(reason `no_battery`, the first of its rules): nothing is switched, no mark, no "
    "override off and no heat takes it away, `prove` refuses the station.",
    "Autonomy is none: an outage is dark at once, but for the ms of the hold-up. "
    "Planned rises do nothing for it.",
    "A relay in the supply is only something that can fail: bridge it, or take it out "
    "of the line, and its table and the window out of the settings.",
)


def settings_command(station: str) -> str:
    """Return the command that tells tidegate."""
    return f"tidegate settings set {station}.battery.fitted false"


def settings_lines(station: str) -> tuple[str, ...]:
    """Return the same as lines of the settings file."""
    return (f"[station.{station}]", "battery = { fitted = false }")
