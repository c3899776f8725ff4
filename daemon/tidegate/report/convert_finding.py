"""What a sizing comes to: the verdict in a sentence, and what the pictures show."""

from __future__ import annotations

from typing import Final

from tidegate.eliminator.checks_bank import bank_text, peak_text
from tidegate.eliminator.checks_feed import load_text
from tidegate.eliminator.regulator import Kind
from tidegate.eliminator.sizing import Sizing
from tidegate.eliminator.units import shown
from tidegate.report.finding import counted

REGULATORS: Final = {
    Kind.LINEAR: "a linear regulator",
    Kind.SWITCHING: "a switching regulator",
    Kind.BUCK_BOOST: "a buck-boost regulator",
}


def verdict(sizing: Sizing) -> str:
    """Return whether it may be built so, in one sentence."""
    failed, untold = sizing.failed, sizing.untold
    of = len(sizing.checks)
    if failed:
        named = "; ".join(_lower(each.name) for each in failed)
        verb = "fails" if len(failed) == 1 else "fail"
        more = f", and {len(untold)} cannot be told" if untold else ""
        return (
            f"Do not build it so: {len(failed)} of {counted(of, 'check')} {verb} "
            f"({named}){more}."
        )
    if untold:
        named = "; ".join(_lower(each.name) for each in untold)
        return (
            f"Not decided yet: none of {counted(of, 'check')} fails, but {len(untold)} "
            f"cannot be told ({named})."
        )
    return f"All {counted(of, 'check')} pass for {design(sizing)}."


def design(sizing: Sizing) -> str:
    """Return the design in words, whatever came of it."""
    asked = sizing.asked
    held = "no bank" if sizing.bank is None else bank_text(sizing.bank)
    return (
        f"{load_text(asked)} at {shown(asked.out_v, 'V')} from {asked.source.name} over "
        f"{asked.length_m:g} m of {asked.wire.name} and {REGULATORS[asked.kind]}, with "
        f"{held} for a hold-up of {peak_text(asked)} over {shown(asked.for_s, 's')}"
    )


def ladder_seen(sizing: Sizing) -> str:
    """Return what the voltage ladder shows, for whoever does not see it."""
    asked, found = sizing.asked, sizing.feed
    if found is None:
        return (
            f"Voltage ladder: {shown(asked.source.low_v, 'V')} at the source, and no "
            "voltage settles behind the cable."
        )
    return (
        f"Voltage ladder at {load_text(asked)}: {shown(found.source_v, 'V')} at the "
        f"source, {shown(found.after_cable_v, 'V')} after the cable, "
        f"{shown(found.far_v, 'V')} after the contacts, {shown(found.in_v, 'V')} at "
        f"the regulator, which needs {shown(asked.regulator.needs_v, 'V')}; "
        f"{shown(asked.out_v, 'V')} at the cell terminals, "
        f"{shown(asked.out_v - asked.drop_v, 'V')} with the allowed drop."
    )


def dip_seen(sizing: Sizing) -> str:
    """Return what the picture of the hold-up shows."""
    asked, curve = sizing.asked, sizing.dip()
    if not curve:
        return "Hold-up: no bank of capacitors does it."
    at_s, end_v = curve[-1]
    limit = shown(asked.out_v - asked.drop_v, "V")
    if at_s < asked.for_s:
        return (
            f"Hold-up of {peak_text(asked)}: the voltage breaks down after "
            f"{shown(at_s, 's')}."
        )
    return (
        f"Hold-up of {peak_text(asked)} for {shown(asked.for_s, 's')}: from "
        f"{shown(asked.out_v, 'V')} at once to {shown(curve[0][1], 'V')}, then down to "
        f"{shown(end_v, 'V')}; allowed is {limit}."
    )


def _lower(name: str) -> str:
    is_sign = not name[1].islower() and name[1] != " "
    return name if is_sign else name[0].lower() + name[1:]
