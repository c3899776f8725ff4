"""The numbers of a sizing as rows: what, how much, in which unit."""

from __future__ import annotations

from collections.abc import Iterator

from tidegate.eliminator.asked import Asked
from tidegate.eliminator.bank import Task, rated_v, ripple_most_a
from tidegate.eliminator.checks_back import taken_v
from tidegate.eliminator.checks_bank import bank_text, peak_text
from tidegate.eliminator.holdup import needed_f, step_v
from tidegate.eliminator.inrush import Fuse, Inrush
from tidegate.eliminator.regulator import Kind, Load, gives_a
from tidegate.eliminator.sizing import Sizing
from tidegate.eliminator.units import shown
from tidegate.eliminator.wire import USB_2_LONGEST_M

Rows = list[tuple[str, str]]
_BANKS_MOST = 4
_DOUBLE_LAYER = (
    "double-layer: cells of less than 3 V each, from memory, so several in series, "
    "balanced; mind their resistance"
)


def numbers(sizing: Sizing) -> Rows:
    """Return all rows: cable, regulator, bank, start."""
    return [
        *_cable(sizing),
        *_regulator(sizing),
        *_bank(sizing),
        *_start(sizing),
    ]


def _cable(sizing: Sizing) -> Iterator[tuple[str, str]]:
    asked, found, wire = sizing.asked, sizing.feed, sizing.asked.wire
    stranded = f" + {100 * wire.allowance:g} % for strands" if wire.allowance else ""
    yield (
        "cable",
        f"{wire.name}, {wire.area_mm2:.3g} mm², {wire.ohm_per_km:.2f} Ω/km at 20 °C"
        f"{stranded}",
    )
    if found is not None:
        both_v = found.source_v - found.far_v
        yield (
            "drop of cable and contacts",
            f"{shown(both_v, 'V')} at {shown(found.current_a, 'A')}, copper at "
            f"{found.copper_c:.0f} °C",
        )
    yield (
        "longest cable of it for this load",
        f"{shown(sizing.longest_m, 'm')}, with all else as it is",
    )
    if asked.source.is_usb and wire.gauge in USB_2_LONGEST_M:
        yield (
            "longest USB 2.0 cable of this gauge",
            f"{shown(USB_2_LONGEST_M[wire.gauge], 'm')} (seen in secondary sources "
            "only)",
        )


def _regulator(sizing: Sizing) -> Iterator[tuple[str, str]]:
    asked, found = sizing.asked, sizing.feed
    if found is None or sizing.highest_in_v is None:
        return
    regulator = asked.regulator
    efficiency = regulator.efficiency_at(found.in_v)
    if efficiency is not None:
        yield (
            "efficiency of the regulator",
            f"{100 * efficiency:.1f} % at the lowest input"
            + (" (Vout/Vin)" if asked.kind is Kind.LINEAR else ""),
        )
    heat_w = max(regulator.heat_w(asked.load, sizing.highest_in_v), 0.0)
    yield (
        "heat of the regulator",
        f"{shown(heat_w, 'W')} at the highest input, {shown(sizing.highest_in_v, 'V')}",
    )


def _bank(sizing: Sizing) -> Iterator[tuple[str, str]]:
    asked, bank = sizing.asked, sizing.bank
    if bank is None:
        return
    yield "capacitance needed, old", _needed(sizing.task, bank.parts)
    yield "the same as constant current or power", _other(sizing, bank.parts)
    kind = f" ({_DOUBLE_LAYER})" if bank.is_double_layer else ""
    given = "as asked" if asked.bank is not None else "E6, IEC 60063"
    yield (
        "bank",
        f"{bank_text(bank)} ({given}){kind}: {shown(bank.least_f, 'F')} when old, "
        f"{shown(bank.most_f, 'F')} at most",
    )
    others = [each for each in sizing.banks if each.parts != bank.parts]
    if others and asked.bank is None:
        yield "or", "; ".join(bank_text(each) for each in others[:_BANKS_MOST])
    step = step_v(asked.peak, from_v=asked.out_v, esr_ohm=bank.esr_ohm)
    if step is not None:
        yield (
            "taken at once by its resistance",
            f"{shown(step, 'V')}, {shown(bank.esr_ohm, 'Ω')}",
        )
    highest_v = max(asked.source.high_v, asked.cell.full_v)
    ripple_a = ripple_most_a(asked.peak.a(asked.out_v))
    yield (
        "rated voltage, ripple",
        f"{rated_v(highest_v):g} V or more (1.25 × {shown(highest_v, 'V')}, should the "
        f"regulator fail), {shown(ripple_a, 'A')} or more (half of the peak, the most "
        "that an on-off load makes)",
    )
    yield from _meanwhile(sizing)
    yield "highest at the cell terminals", _highest(sizing)
    yield (
        "charger's test: what it takes",
        "8 mA for 1 s; the regulator gives it. The bank alone would fall by "
        f"{shown(taken_v(bank), 'V')}",
    )


def _highest(sizing: Sizing) -> str:
    asked = sizing.asked
    shorted = (
        f"{shown(asked.source.high_v, 'V')} if the regulator fails shorted: clamp it"
    )
    if asked.is_port_fed is False:
        return shorted
    return (
        f"{shorted}; {shown(asked.cell.full_v, 'V')} from the device's own charger "
        "while its port is fed: it pushes its whole current until there, then only "
        "what the dummy pack takes in"
    )


def _needed(task: Task, parts: int) -> str:
    needed = task.needed_f(parts)
    return "none does it" if needed is None else shown(needed, "F")


def _other(sizing: Sizing, parts: int) -> str:
    """Return what the other law says: a load is often neither one exactly."""
    asked = sizing.asked
    current_a = asked.peak.a(asked.out_v)
    loads = (Load(current_a=current_a), Load(power_w=current_a * asked.out_v))
    said = []
    for name, load in zip(("current", "power"), loads, strict=True):
        found = needed_f(
            load,
            from_v=asked.out_v,
            drop_v=asked.drop_v,
            for_s=asked.for_s,
            esr_ohm=asked.esr_ohm / parts,
        )
        value = "none does it" if found is None else shown(found, "F")
        said.append(f"{value} for constant {name}")
    return ", ".join(said)


def _meanwhile(sizing: Sizing) -> Iterator[tuple[str, str]]:
    """Yield what the source can do beside the bank, and how soon that is full again."""
    asked, found, bank = sizing.asked, sizing.feed, sizing.bank
    if found is None or bank is None:
        return
    most_a = gives_a(asked.way, asked.regulator, found, asked.may_give_a)
    if asked.peak.a(asked.out_v) <= most_a:
        yield (
            "with the source going on",
            f"it may give {shown(most_a, 'A')} at the output, as much as the peak: "
            "the bank is for its absence and its delay",
        )
    else:
        found_f = needed_f(
            # A power takes the most current at the end of the dip.
            Load(current_a=asked.peak.a(asked.out_v - asked.drop_v) - most_a),
            from_v=asked.out_v,
            drop_v=asked.drop_v,
            for_s=asked.for_s,
            esr_ohm=bank.esr_ohm,
        )
        assert found_f is not None or bank.esr_ohm > 0
        value = "none does it" if found_f is None else shown(found_f, "F")
        yield (
            "with the source going on",
            f"it gives {shown(most_a, 'A')} at the output, with this cable, of "
            f"{peak_text(asked)}: {value} would do",
        )
    spare_a = most_a - asked.load.a(asked.out_v)
    if spare_a > 0:
        again_s = bank.most_f * asked.drop_v / spare_a
        yield "full again after the dip", f"{shown(again_s, 's')} at best"


def _start(sizing: Sizing) -> Iterator[tuple[str, str]]:
    asked = sizing.asked
    if sizing.bare_start is None or sizing.start is None:
        return
    yield "inrush without any limit", _inrush(sizing.bare_start)
    if sizing.precharge_ohm:
        given = "as asked" if asked.precharge_ohm is not None else "E12, IEC 60063"
        yield (
            "pre-charge resistor",
            f"{shown(sizing.precharge_ohm, 'Ω')} ({given}); it must stand "
            f"{shown(sizing.start.energy_j, 'J')} in one pulse, "
            f"{shown(sizing.start.peak_a * sizing.start.volt, 'W')} at first",
        )
        yield "inrush with it", _inrush(sizing.start)
        bridged_s = sizing.start.bridged_s(sizing.bare_start.ohm, asked.may_give_a)
        yield "to be bridged", f"after {shown(bridged_s, 's')}, not before"
    if sizing.fuse is not None:
        yield (
            "fuse",
            f"{shown(sizing.fuse.rating_a, 'A')} time-lag, melting at "
            f"{shown(sizing.fuse.melting_a2s, 'A²s')} or later",
        )
        yield "a fault that surely melts it", _fault(asked, sizing.fuse)


def _fault(asked: Asked, chosen: Fuse) -> str:
    """Say whether the source gives enough for the fuse to melt at all."""
    said = (
        f"{shown(chosen.sure_a, 'A')}, within minutes (2.1 times its rating, IEC "
        "60127-2, from memory)"
    )
    if chosen.sure_a <= asked.may_give_a:
        return said
    return (
        f"{said}. The source is good for {shown(asked.may_give_a, 'A')}: if its own "
        "limit is there, the fuse may never melt, and cable and clamp must stand that "
        "current"
    )


def _inrush(start: Inrush) -> str:
    return (
        f"{shown(start.peak_a, 'A')}, {shown(start.charge_c, 'C')}, "
        f"{shown(start.energy_j, 'J')}, {shown(start.i2t_a2s, 'A²s')}"
    )
