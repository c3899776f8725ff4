"""The way back: what the device's own charger does to a pack that is none.

A charger looks for a battery by taking and pushing small currents, and then charges.
Source of the currents: the data sheet SLUS892B of one charger, battery detection: 8 mA
taken for 1 s, then 125 mA pushed for 0.5 s; no battery if that rises to recharge.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from tidegate.eliminator.asked import Asked
from tidegate.eliminator.bank import Bank
from tidegate.eliminator.check import Check, Outcome, weighed
from tidegate.eliminator.units import rounded_up, shown

TAKEN_A: Final = 0.008
TAKEN_S: Final = 1.0
PUSHED_A: Final = 0.125
PUSHED_S: Final = 0.5
_SOURCE: Final = (
    "one charger's data sheet, SLUS892B, battery detection; recharge 0.1 V under full "
    "(from memory). Another charger has other currents"
)


def checks(asked: Asked, bank: Bank | None) -> Iterator[Check]:
    """Yield the checks of the way back."""
    yield _pushed(asked, bank)
    yield _reverse(asked)


def taken_v(bank: Bank) -> float:
    """Return how far the bank alone falls while a charger takes its test current."""
    return TAKEN_A * TAKEN_S / bank.least_f


def enough_f(asked: Asked, *, esr_ohm: float) -> float | None:
    """Return the capacitance that takes in what the test pushes and nothing sinks;
    ``None`` if none can.
    """
    net_a = max(PUSHED_A - asked.sink_a, 0.0)
    room_v = asked.cell.recharge_v - asked.out_v - net_a * esr_ohm
    return net_a * PUSHED_S / room_v if room_v > 0 else None


def _pushed(asked: Asked, bank: Bank | None) -> Check:
    name = "What the device's charger pushes back"
    limit = asked.cell.recharge_v
    if asked.is_port_fed is False:
        return _pushed_as(
            asked,
            Outcome.PASSES,
            "nothing is pushed while the device's own port has no supply, as was said",
        )
    if bank is None:
        return _pushed_as(
            asked, Outcome.UNKNOWN, "what it rests on fails: mend that first"
        )
    net_a = max(PUSHED_A - asked.sink_a, 0.0)
    rise_v = net_a * (PUSHED_S / bank.least_f + bank.esr_ohm)
    text = (
        f"{shown(asked.out_v, 'V')} + ({shown(PUSHED_A, 'A')} - "
        f"{shown(asked.sink_a, 'A')} sunk) × ({shown(PUSHED_S, 's')} / "
        f"{shown(bank.least_f, 'F')} + {shown(bank.esr_ohm, 'Ω')}) = "
        f"{shown(asked.out_v + rise_v, 'V')}"
    )
    if asked.is_port_fed is None and asked.out_v + rise_v > limit:
        return _pushed_as(
            asked,
            Outcome.UNKNOWN,
            f"if the device's own port is fed as well: {text}, and it finds no battery",
        )
    return weighed(
        "charger_pushes",
        name,
        value=asked.out_v + rise_v,
        limit=limit,
        unit="V",
        is_most=True,
        formula=text,
        source=_SOURCE,
        mend=_mend(asked),
    )


def _pushed_as(asked: Asked, outcome: Outcome, formula: str) -> Check:
    return Check(
        code="charger_pushes",
        name="What the device's charger pushes back",
        outcome=outcome,
        value=None,
        limit=asked.cell.recharge_v,
        unit="V",
        is_most=True,
        formula=formula,
        source=_SOURCE,
        mend=() if outcome is Outcome.PASSES else _mend(asked),
    )


def _mend(asked: Asked) -> tuple[str, ...]:
    said = ["leave the device's own port without supply, and block it: --port unfed"]
    if asked.out_v <= asked.cell.recharge_v:
        said.append(
            "let the dummy pack take it in, such as a shunt regulator: --sink "
            f"{1000 * PUSHED_A:g}mA, with a limit of its own, as a charger that found a "
            "battery pushes much more, and all that is sunk is heat"
        )
    enough = enough_f(asked, esr_ohm=asked.esr_ohm)
    if enough:
        said.append(f"a bank of at least {shown(rounded_up(enough), 'F')}, old")
    return tuple(said)


def _reverse(asked: Asked) -> Check:
    is_blocked = asked.blocking != "none"
    highest_v = asked.out_v
    if asked.is_port_fed is not False:
        highest_v = max(highest_v, asked.cell.full_v)
    how = (
        f"blocked by the {asked.blocking} diode in front of the regulator"
        if is_blocked
        else "it flows through the regulator's own body diode, and takes the hold-up with it"
    )
    return Check(
        code="reverse_current",
        name="Current back into the source",
        outcome=Outcome.PASSES if is_blocked else Outcome.FAILS,
        value=None,
        limit=None,
        unit="A",
        is_most=True,
        formula=f"with the source off, up to {shown(highest_v, 'V')} at the cell "
        f"terminals stands against 0 V at the source: {how}",
        source="common practice, no source; the regulator's data sheet tells whether "
        "it blocks by itself",
        mend=()
        if is_blocked
        else (
            "a diode in front of the regulator: --blocking ideal, or --blocking diode",
        ),
    )
