"""The stable form of ``convert --json``: units are in the names of its keys."""

from __future__ import annotations

from typing import Any, Final

from tidegate.eliminator import advice
from tidegate.eliminator.asked import Asked
from tidegate.eliminator.bank import Bank, rated_v, ripple_most_a
from tidegate.eliminator.check import Check
from tidegate.eliminator.inrush import Fuse, Inrush
from tidegate.eliminator.regulator import Load
from tidegate.eliminator.sizing import Sizing
from tidegate.eliminator.usual import usual

_UNITS: Final = {"A": "a", "V": "v", "°C": "c", "C": "coulomb", "A²s": "a2s"}
_DIGITS: Final = 9


def as_document(
    sizing: Sizing, *, station: str | None, cautions: tuple[str, ...]
) -> dict[str, Any]:
    """Return the document of a sizing; ``cautions`` stand first, as for people."""
    asked = sizing.asked
    return {
        "cautions": list(cautions),
        "station": station,
        "passes": sizing.passes,
        "failed": [each.code for each in sizing.failed],
        "cannot_be_told": [each.code for each in sizing.untold],
        "asked": _asked(asked),
        "assumed": list(asked.assumed),
        "notes": list(asked.notes),
        "checks": [_check(each) for each in sizing.checks],
        "feed": _feed(sizing),
        "longest_cable_m": _rounded(sizing.longest_m),
        "hold_up": _hold_up(sizing),
        "start": _start(sizing),
        "fuse": None if sizing.fuse is None else _fuse(sizing.fuse),
        "five_to_4_2_v": _usual(asked),
        "settings_command": advice.settings_command(station or "STATION"),
        "to_build": list(advice.BUILD),
        "pack_asks": list(advice.PACK_ASKS),
        "limits": list(advice.LIMITS),
    }


def _rounded(value: float | None) -> float | None:
    return None if value is None else float(f"{value:.{_DIGITS}g}")


def _start(sizing: Sizing) -> dict[str, Any]:
    start, bare = sizing.start, sizing.bare_start
    bridged_s = None
    if start is not None and bare is not None and sizing.precharge_ohm:
        bridged_s = start.bridged_s(bare.ohm, sizing.asked.may_give_a)
    return {
        "precharge_ohm": _rounded(sizing.precharge_ohm),
        "bridged_after_s": _rounded(bridged_s),
        "with_precharge": _inrush(start),
        "without": _inrush(bare),
    }


def _fuse(fuse: Fuse) -> dict[str, Any]:
    return {
        "rating_a": fuse.rating_a,
        "melting_a2s": _rounded(fuse.melting_a2s),
        "surely_melts_a": _rounded(fuse.sure_a),
    }


def _usual(asked: Asked) -> dict[str, Any]:
    case = usual(asked)
    return {
        "source_v": _rounded(case.source_v),
        "room_v": _rounded(case.room_v),
        "lost_v": _rounded(case.lost_v),
        "dropout_v": _rounded(case.dropout_v),
        "holds": case.holds,
    }


def _load(load: Load) -> dict[str, float | None]:
    return {"current_a": load.current_a, "power_w": load.power_w}


def _asked(asked: Asked) -> dict[str, Any]:
    return {
        "load": _load(asked.load),
        "peak": _load(asked.peak),
        "for_s": asked.for_s,
        "source": asked.source.name,
        "source_low_v": _rounded(asked.source.low_v),
        "source_high_v": _rounded(asked.source.high_v),
        "source_may_give_a": asked.may_give_a,
        "cable": asked.wire.name,
        "cable_ohm_per_km": _rounded(asked.wire.ohm_per_km),
        "stranding_percent": _rounded(100 * asked.wire.allowance),
        "length_m": asked.length_m,
        "contacts_ohm": asked.contacts_ohm,
        "copper_c": asked.copper_c,
        "regulator": asked.kind.value,
        "out_v": asked.out_v,
        "dropout_v": asked.dropout_v,
        "efficiency_percent": _rounded(100 * asked.efficiency),
        "thermal_k_per_w": asked.thermal_k_per_w,
        "ambient_c": asked.ambient_c,
        "allowed_drop_v": asked.drop_v,
        "esr_ohm": asked.esr_ohm,
        "tolerance_percent": _rounded(100 * asked.tolerance),
        "ageing_percent": _rounded(100 * asked.ageing),
        "chemistry": asked.cell.chemistry,
        "cell_full_v": asked.cell.full_v,
        "cut_off_v": asked.cell.cut_off_v,
        "blocking": asked.blocking,
        "port_is_fed": asked.is_port_fed,
        "sink_a": asked.sink_a,
    }


def _check(check: Check) -> dict[str, Any]:
    unit = _UNITS[check.unit]
    return {
        "code": check.code,
        "name": check.name,
        "outcome": check.outcome.value.replace(" ", "_"),
        f"value_{unit}": _rounded(check.value),
        f"limit_{unit}": _rounded(check.limit),
        "limit_is": "at_most" if check.is_most else "at_least",
        f"margin_{unit}": _rounded(check.margin),
        "formula": check.formula,
        "source": check.source,
        "mend": list(check.mend),
    }


def _feed(sizing: Sizing) -> dict[str, float | None] | None:
    found = sizing.feed
    if found is None:
        return None
    share = sizing.asked.regulator.efficiency_at(found.in_v)
    return {
        "source_v": _rounded(found.source_v),
        "current_a": _rounded(found.current_a),
        "copper_c": _rounded(found.copper_c),
        "cable_ohm": _rounded(found.cable_ohm),
        "after_cable_v": _rounded(found.after_cable_v),
        "far_v": _rounded(found.far_v),
        "regulator_input_v": _rounded(found.in_v),
        "highest_input_v": _rounded(sizing.highest_in_v),
        "efficiency_percent": _rounded(None if share is None else 100 * share),
    }


def _hold_up(sizing: Sizing) -> dict[str, Any]:
    asked, bank = sizing.asked, sizing.bank
    highest_v = max(asked.source.high_v, asked.cell.full_v)
    return {
        "needed_f": _rounded(sizing.task.needed_f(1 if bank is None else bank.parts)),
        "bank": None if bank is None else _bank(bank),
        "choices": [_bank(each) for each in sizing.banks],
        "rated_v": rated_v(highest_v),
        "ripple_most_a": _rounded(ripple_most_a(asked.peak.a(asked.out_v))),
    }


def _bank(bank: Bank) -> dict[str, Any]:
    return {
        "parts": bank.parts,
        "part_f": bank.part_f,
        "marked_f": _rounded(bank.marked_f),
        "least_f": _rounded(bank.least_f),
        "esr_ohm": _rounded(bank.esr_ohm),
        "is_double_layer": bank.is_double_layer,
    }


def _inrush(start: Inrush | None) -> dict[str, float | None] | None:
    if start is None:
        return None
    return {
        "peak_a": _rounded(start.peak_a),
        "charge_coulomb": _rounded(start.charge_c),
        "energy_j": _rounded(start.energy_j),
        "i2t_a2s": _rounded(start.i2t_a2s),
        "to_95_percent_s": _rounded(start.settled_s),
    }
