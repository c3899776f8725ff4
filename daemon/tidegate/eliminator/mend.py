"""What would mend a check. What names a part was tried: with it the check passes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from tidegate.eliminator.asked import Asked
from tidegate.eliminator.regulator import Feed, Kind, feed
from tidegate.eliminator.source import SOURCES
from tidegate.eliminator.units import shown
from tidegate.eliminator.wire import MOST_C, thicker

# How finely a shorter cable is looked for.
_STEP_M = 0.1


def source(asked: Asked, found: Feed | None) -> tuple[str, ...]:
    """Return sources that may give the current, and less current."""
    if found is None:
        return cable(asked, lambda each: True)
    said = []
    most_a = asked.source.configured_a
    if not asked.is_configured and most_a is not None and found.current_a <= most_a:
        said.append(
            "let a USB device behind the eliminator be configured for "
            f"{shown(most_a, 'A')}: --configured"
        )
    stronger = [
        name for name, each in SOURCES.items() if each.current_a >= found.current_a
    ]
    if stronger:
        said.append(f"another source: {' or '.join(stronger)}")
    else:
        said.append(
            f"a supply of at least {shown(found.current_a, 'A')}: --source 5V/…A"
        )
    if asked.kind is Kind.LINEAR:
        switched = feed(
            asked.way,
            replace(asked.regulator, kind=Kind.SWITCHING),
            asked.load,
            asked.source.low_v,
        )
        if switched is not None and switched.current_a <= asked.may_give_a:
            said.append(
                "a regulator that takes less current than it gives: "
                "--regulator switching"
            )
    return tuple(said)


def cable(asked: Asked, passes: Callable[[Feed], bool]) -> tuple[str, ...]:
    """Return the next thicker wire, and the length, with which it passes."""

    def does(changed: Asked) -> bool:
        tried = feed(changed.way, changed.regulator, changed.load, changed.source.low_v)
        return tried is not None and passes(tried)

    said = []
    for wire in thicker(asked.wire):
        if does(replace(asked, wire=wire)):
            said.append(f"thicker cable: {wire.name}")
            break
    tenths = round(asked.length_m / _STEP_M)
    for tenth in range(tenths - 1, 0, -1):
        if does(replace(asked, length_m=tenth * _STEP_M)):
            said.append(f"shorter cable: {tenth * _STEP_M:.1f} m")
            break
    return tuple(said) or (
        "no cable of this kind does it: less load, or a source of higher voltage",
    )


def warm_wire(asked: Asked, found: Feed | None) -> tuple[str, ...]:
    """Return the next thicker wire that stays cool."""
    if found is None:
        return cable(asked, lambda each: True)
    for wire in thicker(asked.wire):
        if wire.settled_c(found.current_a, asked.ambient_c) <= MOST_C:
            return (f"thicker cable: {wire.name}",)
    return ("cooler surroundings, or less current",)


def regulator(asked: Asked) -> tuple[str, ...]:
    """Return other regulators and outputs that need less at their input."""
    said = []
    lower_v = asked.cell.aim_v
    if lower_v < asked.out_v and asked.kind is not Kind.BUCK_BOOST:
        said.append(f"a lower output: --out {lower_v:g}V")
    if asked.kind is not Kind.BUCK_BOOST:
        said.append(
            "a regulator that also steps up, near the device: --regulator buck-boost"
        )
    if asked.blocking == "diode":
        said.append("an ideal diode instead of a plain one: --blocking ideal")
    return tuple(said)


def heat(asked: Asked, most_k_per_w: float) -> tuple[str, ...]:
    """Return what keeps the junction cool."""
    said = []
    if most_k_per_w > 0:
        said.append(
            f"at most {shown(most_k_per_w, 'K/W')} from junction to air: a heat sink"
        )
    if asked.kind is Kind.LINEAR:
        said.append("less heat: --regulator switching")
    return tuple(said)
