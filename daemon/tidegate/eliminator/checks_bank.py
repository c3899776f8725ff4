"""Hold-up: how far the voltage dips while the bank carries the peak alone."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from tidegate.eliminator.asked import Asked
from tidegate.eliminator.bank import Bank, Task, choices
from tidegate.eliminator.check import Check, weighed
from tidegate.eliminator.holdup import voltage_v
from tidegate.eliminator.units import rounded_up, shown

_SOURCE = "conservation of charge or of energy, with the resistance in the loop"
_CUT_OFF = (
    "devices shut down at about 3.3 to 3.6 V (from memory), LFP 2.8 V (assumed): "
    "measure yours"
)


def checks(asked: Asked, task: Task, bank: Bank | None) -> Iterator[Check]:
    """Yield the checks of the hold-up."""
    end_v = None
    if bank is not None:
        end_v = voltage_v(
            asked.peak,
            from_v=asked.out_v,
            farad=bank.least_f,
            esr_ohm=bank.esr_ohm,
            at_s=asked.for_s,
        )
    formula = _law_text(asked, bank) if bank is not None else _none_text(asked)
    yield weighed(
        "hold_up",
        f"Dip over {shown(asked.for_s, 's')} of hold-up",
        value=None if end_v is None else asked.out_v - end_v,
        limit=asked.drop_v,
        unit="V",
        is_most=True,
        formula=formula,
        source=_SOURCE,
        mend=_mend(asked, task),
    )
    yield weighed(
        "cut_off",
        "Voltage left after the hold-up",
        value=end_v,
        limit=asked.cell.cut_off_v,
        unit="V",
        is_most=False,
        formula="output - dip" if end_v is not None else formula,
        source=_CUT_OFF,
        mend=_mend(asked, task) if bank is None else _mend_cut_off(asked, task),
    )


def bank_text(bank: Bank) -> str:
    """Return a bank as one would order it."""
    part = shown(bank.part_f, "F")
    return part if bank.parts == 1 else f"{bank.parts} × {part}"


def peak_text(asked: Asked) -> str:
    """Return the peak as it was asked."""
    if asked.peak.current_a is not None:
        return shown(asked.peak.current_a, "A")
    assert asked.peak.power_w is not None
    return shown(asked.peak.power_w, "W")


def _law_text(asked: Asked, bank: Bank) -> str:
    with_what = (
        f"C = {bank_text(bank)} × {1 - bank.tolerance:g} × {1 - bank.ageing:g} = "
        f"{shown(bank.least_f, 'F')}, R = {shown(bank.esr_ohm, 'Ω')}, "
        f"{peak_text(asked)} for {shown(asked.for_s, 's')}"
    )
    if asked.peak.current_a is not None:
        return f"I (R + t/C); {with_what}"
    return (
        "v from C ((v1² - v²)/2 - P R ln(v1/v)) = P t, v1 + P R/v1 = "
        f"{shown(asked.out_v, 'V')}; {with_what}"
    )


def _none_text(asked: Asked) -> str:
    return (
        f"no capacitance does it: at {peak_text(asked)} the resistance alone takes "
        f"more than the {shown(asked.drop_v, 'V')} allowed"
    )


def most_esr_ohm(asked: Asked) -> float:
    """Return the resistance that leaves half of the drop to the capacitance."""
    return asked.drop_v / 2 / asked.peak.a(asked.out_v - asked.drop_v / 2)


def _mend(asked: Asked, task: Task) -> tuple[str, ...]:
    needed = task.needed_f(1)
    if needed is None:
        return (
            "capacitors of less resistance, about "
            f"{shown(most_esr_ohm(asked), 'Ω')}: --esr",
            "a larger allowed drop: --allowed-drop",
        )
    marked = needed / (1 - asked.tolerance) / (1 - asked.ageing)
    assert math.isfinite(marked)
    return (
        f"more capacitance: {shown(rounded_up(marked), 'F')} as marked",
        "a shorter time or a larger allowed drop",
    )


def _mend_cut_off(asked: Asked, task: Task) -> tuple[str, ...]:
    least_v = asked.cell.cut_off_v
    said = []
    # Rounded to the safe side, so that it is enough as it is written.
    drop_v = math.floor(100 * (asked.out_v - least_v) + 1e-6) / 100
    if drop_v > 0 and choices(replace(task, drop_v=drop_v)):
        bank = ", and the bank as it is sized then" if asked.bank is not None else ""
        said.append(f"a smaller allowed drop: --allowed-drop {drop_v:.2f}V{bank}")
    out_v = math.ceil(100 * (least_v + asked.drop_v) - 1e-6) / 100
    if asked.bank is None and out_v <= asked.cell.full_v:
        said.append(f"a higher output: --out {out_v:.2f}V")
    return tuple(said) or ("a higher output and a smaller allowed drop",)
