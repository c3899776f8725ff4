"""From the source to the output: current, voltages, warmth of the wire, heat."""

from __future__ import annotations

import math
from collections.abc import Iterator

from tidegate.eliminator import mend
from tidegate.eliminator.asked import Asked
from tidegate.eliminator.cell import CELLS
from tidegate.eliminator.cell import SOURCE as CELL_SOURCE
from tidegate.eliminator.check import Check, Outcome, weighed
from tidegate.eliminator.regulator import JUNCTION_MOST_C, Feed, Kind
from tidegate.eliminator.units import shown
from tidegate.eliminator.wire import ALPHA_PER_K, MOST_C

_OHM = "Ohm's law, there and back"
_COOLING = (
    "Newton's law of cooling, 10 W/(m² K) over the insulation of one conductor, "
    "60 °C of plain PVC (from memory)"
)

_JUNCTION = "Junction of the regulator"
_JUNCTION_SOURCE = (
    "P = (Vin - Vout) I, or the losses; limit of most data sheets (from memory)"
)

_SAY_THERMAL = (
    "say what data sheet and heat sink give from junction to air: --thermal 40K/W",
)


def checks(
    asked: Asked, found: Feed | None, highest_in_v: float | None
) -> Iterator[Check]:
    """Yield the checks of the way from the source to the cell terminals."""
    yield _current(asked, found)
    if asked.source.far_least_v is not None:
        yield _far(asked, found, asked.source.far_least_v)
    yield _copper(asked, found)
    yield _dropout(asked, found)
    yield _level(asked)
    yield _junction(asked, highest_in_v)


def blocked_text(asked: Asked) -> str:
    """Return why no voltage is found."""
    return (
        f"no state settles: a load of {load_text(asked)} cannot pass through this "
        "cable from this source (P R is more than V²/4, or the wire runs hot)"
    )


def load_text(asked: Asked) -> str:
    """Return the load that is drawn for long."""
    load = asked.load
    if load.current_a is not None:
        return shown(load.current_a, "A")
    assert load.power_w is not None
    return shown(load.power_w, "W")


def _current(asked: Asked, found: Feed | None) -> Check:
    load_a = asked.load.a(asked.out_v)
    if found is None:
        formula = blocked_text(asked)
    elif asked.kind is Kind.LINEAR:
        formula = f"I in = I out = {shown(load_a, 'A')} (linear)"
    else:
        formula = (
            f"I in = {shown(asked.out_v, 'V')} × {shown(load_a, 'A')} / "
            f"{100 * asked.efficiency:g} % / {shown(found.in_v, 'V')}"
        )
    return weighed(
        "source_current",
        "Current from the source",
        value=None if found is None else found.current_a,
        limit=asked.may_give_a,
        unit="A",
        is_most=True,
        formula=formula,
        source=asked.source.source,
        mend=mend.source(asked, found),
    )


def _far(asked: Asked, found: Feed | None, least_v: float) -> Check:
    return weighed(
        "far_voltage",
        "Voltage at the far end of the cable",
        value=None if found is None else found.far_v,
        limit=least_v,
        unit="V",
        is_most=False,
        formula=blocked_text(asked) if found is None else _drop_text(asked, found),
        source=f"{_OHM}; {asked.wire.source}; {asked.source.source}",
        mend=mend.cable(asked, lambda each: each.far_v >= least_v),
    )


def _drop_text(asked: Asked, found: Feed) -> str:
    return (
        f"{shown(found.source_v, 'V')} - {shown(found.current_a, 'A')} × "
        f"({shown(found.cable_ohm, 'Ω')} cable at {found.copper_c:.0f} °C + "
        f"{shown(found.contacts_ohm, 'Ω')} contacts)"
    )


def _copper(asked: Asked, found: Feed | None) -> Check:
    """Settled in air, whatever temperature the drop was asked for."""
    wire = asked.wire
    settled_c = (
        math.inf if found is None else wire.settled_c(found.current_a, asked.ambient_c)
    )
    if found is None or not math.isfinite(settled_c):
        formula = blocked_text(asked)
    else:
        formula = (
            f"{asked.ambient_c:g} °C + I² r/G, I = {shown(found.current_a, 'A')}, "
            f"r = {1000 * wire.ohm_per_m(settled_c):.1f} Ω/km there, "
            f"G = {1000 * wire.gives_w_per_m_k:.1f} mW/(m K); "
            f"α = {ALPHA_PER_K:g} /K"
        )
    return weighed(
        "copper",
        "Temperature of the wire",
        value=settled_c if math.isfinite(settled_c) else None,
        limit=MOST_C,
        unit="°C",
        is_most=True,
        formula=formula,
        source=_COOLING,
        mend=mend.warm_wire(asked),
    )


def _dropout(asked: Asked, found: Feed | None) -> Check:
    needs_v = asked.regulator.needs_v
    if asked.kind is Kind.BUCK_BOOST:
        needs = f"it runs from {shown(needs_v, 'V')} up (assumed)"
    else:
        needs = (
            f"it needs {shown(asked.out_v, 'V')} out + "
            f"{shown(asked.dropout_v, 'V')} drop-out"
        )
    if found is None:
        formula = blocked_text(asked)
    else:
        formula = (
            f"{_drop_text(asked, found)} - {shown(asked.way.blocking_v, 'V')} "
            f"blocking; {needs}"
        )
    return weighed(
        "regulator_input",
        "Voltage left for the regulator",
        value=None if found is None else found.in_v,
        limit=needs_v,
        unit="V",
        is_most=False,
        formula=formula,
        source=f"{_OHM}; {asked.wire.source}; drop-out: as asked, from its data sheet",
        mend=(
            *mend.cable(asked, lambda each: each.in_v >= needs_v),
            *mend.regulator(asked),
        ),
    )


def _level(asked: Asked) -> Check:
    cell = asked.cell
    used = f"from {cell.end_v:g} to {cell.full_v:g} V"
    lfp = CELLS["lfp"]
    if cell.chemistry == "unknown":
        formula = (
            f"nobody said the chemistry: {used} is taken. LFP ends at "
            f"{lfp.full_v:g} V: read the label of the pack, and say --chemistry"
        )
    else:
        formula = f"a cell of {cell.chemistry} chemistry is used {used}"
    return weighed(
        "output_level",
        "Output, not above a full cell",
        value=asked.out_v,
        limit=cell.full_v,
        unit="V",
        is_most=True,
        formula=formula,
        source=CELL_SOURCE,
        mend=(f"aim lower: --out {cell.aim_v:g}V",),
    )


def _junction(asked: Asked, highest_in_v: float | None) -> Check:
    if highest_in_v is None:
        return _junction_untold("what it rests on fails: mend that first", mend=())
    heat_w = max(asked.regulator.heat_w(asked.load, highest_in_v), 0.0)
    formula = _heat_text(asked, highest_in_v, heat_w)
    most_k_per_w = None
    if heat_w:
        most_k_per_w = max((JUNCTION_MOST_C - asked.ambient_c) / heat_w, 0.0)
    per_w = asked.thermal_k_per_w
    if per_w is None:
        if most_k_per_w:
            most = shown(most_k_per_w, "K/W")
            formula += f"; with at most {most} from junction to air it passes"
        return _junction_untold(formula, mend=_SAY_THERMAL)
    return weighed(
        "junction",
        _JUNCTION,
        value=asked.ambient_c + heat_w * per_w,
        limit=JUNCTION_MOST_C,
        unit="°C",
        is_most=True,
        formula=f"{formula}; {asked.ambient_c:g} °C + P × {shown(per_w, 'K/W')}",
        source=_JUNCTION_SOURCE,
        mend=mend.heat(asked, most_k_per_w),
    )


def _junction_untold(formula: str, *, mend: tuple[str, ...]) -> Check:
    return Check(
        code="junction",
        name=_JUNCTION,
        outcome=Outcome.UNKNOWN,
        value=None,
        limit=JUNCTION_MOST_C,
        unit="°C",
        is_most=True,
        formula=formula,
        source=_JUNCTION_SOURCE,
        mend=mend,
    )


def _heat_text(asked: Asked, in_v: float, heat_w: float) -> str:
    load_a = shown(asked.load.a(asked.out_v), "A")
    if asked.kind is Kind.LINEAR and in_v < asked.out_v:
        return (
            f"{shown(in_v, 'V')} at the highest input is less than it is to give, so it "
            "passes all of that on"
        )
    if asked.kind is Kind.LINEAR:
        return (
            f"P = ({shown(in_v, 'V')} - {shown(asked.out_v, 'V')}) × {load_a} = "
            f"{shown(heat_w, 'W')} at the highest input"
        )
    return (
        f"P = {shown(asked.out_v, 'V')} × {load_a} × (1/{100 * asked.efficiency:g} % - "
        f"1) = {shown(heat_w, 'W')}"
    )
