"""What would mend a check. What names a part was tried: with it the check passes."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

from tidegate.eliminator.asked import Asked
from tidegate.eliminator.regulator import JUNCTION_MOST_C, Feed, Kind, feed
from tidegate.eliminator.source import SOURCES, Source
from tidegate.eliminator.units import shown
from tidegate.eliminator.wire import MOST_C, thicker

# How finely a shorter cable is looked for.
_STEP_M = 0.1


def source(asked: Asked, found: Feed | None) -> tuple[str, ...]:
    """Return sources that may give the current, and less current."""
    if found is None:
        return cable(asked, lambda each: each.current_a <= asked.may_give_a)
    said = []
    most_a = asked.source.configured_a
    if not asked.is_configured and most_a is not None and found.current_a <= most_a:
        said.append(
            "let a USB device behind the eliminator be configured for "
            f"{shown(most_a, 'A')}: --configured"
        )
    stronger = [name for name, each in SOURCES.items() if _gives(asked, each)]
    if stronger:
        said.append(f"another source: {' or '.join(stronger)}")
    else:
        # Rounded up, so that it is enough as it is written.
        ampere = math.ceil(10 * found.current_a - 1e-9) / 10
        said.append(
            f"a supply of at least {shown(found.current_a, 'A')}: --source "
            f"{asked.source.nominal_v:g}V/{ampere:g}A"
        )
    if asked.kind is Kind.LINEAR:
        switched = _feed(replace(asked, kind=Kind.SWITCHING))
        if switched is not None and switched.current_a <= asked.may_give_a:
            said.append(
                "a regulator that takes less current than it gives: "
                "--regulator switching"
            )
    return tuple(said)


def _gives(asked: Asked, each: Source) -> bool:
    """Whether a source gives the current that is drawn from it at its own voltage, and
    enough of that arrives.
    """
    changed = replace(asked, source=each)
    tried = _feed(changed)
    return tried is not None and tried.current_a <= each.current_a and _reaches(changed)


def _feed(asked: Asked) -> Feed | None:
    return feed(asked.way, asked.regulator, asked.load, asked.source.low_v)


def _reaches(asked: Asked) -> bool:
    """Whether the regulator has enough at its input."""
    tried = _feed(asked)
    return tried is not None and tried.in_v >= asked.regulator.needs_v


def cable(asked: Asked, passes: Callable[[Feed], bool]) -> tuple[str, ...]:
    """Return the next thicker wire, and the length, with which it passes."""

    def does(changed: Asked) -> bool:
        tried = _feed(changed)
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


def warm_wire(asked: Asked) -> tuple[str, ...]:
    """Return the next thicker wire that stays cool."""
    for wire in thicker(asked.wire):
        tried = _feed(replace(asked, wire=wire))
        if tried is None:
            continue
        if wire.settled_c(tried.current_a, asked.ambient_c) <= MOST_C:
            return (f"thicker cable: {wire.name}",)
    return ("cooler surroundings, or less current",)


def regulator(asked: Asked) -> tuple[str, ...]:
    """Return other regulators and outputs that need less at their input."""
    lower_v = asked.cell.aim_v
    ways = (
        (
            "an ideal diode instead of a plain one: --blocking ideal",
            {"blocking": "ideal"},
        ),
        (f"a lower output: --out {lower_v:g}V", {"out_v": min(lower_v, asked.out_v)}),
        (
            "a regulator that also steps up, near the device: --regulator buck-boost",
            {"kind": Kind.BUCK_BOOST},
        ),
    )
    return tuple(said for said, changed in ways if _reaches(replace(asked, **changed)))


def heat(asked: Asked, most_k_per_w: float | None) -> tuple[str, ...]:
    """Return what keeps the junction cool; without any heat that is the air alone."""
    said = []
    if most_k_per_w:
        said.append(
            f"at most {shown(most_k_per_w, 'K/W')} from junction to air: a heat sink"
        )
    switched = replace(asked, kind=Kind.SWITCHING).regulator
    heat_w = switched.heat_w(asked.load, asked.source.high_v)
    if asked.kind is Kind.LINEAR and most_k_per_w and asked.thermal_k_per_w:
        hottest_c = asked.ambient_c + heat_w * asked.thermal_k_per_w
        if hottest_c <= JUNCTION_MOST_C:
            said.append("less heat: --regulator switching")
    return tuple(said) or ("cooler surroundings, or less load",)
