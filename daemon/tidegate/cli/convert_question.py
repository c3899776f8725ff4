"""What ``tidegate convert`` was asked: options of the command line into a design.

Every error is a click.UsageError, one sentence with what is allowed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

import click

from tidegate.cli.convert_parts import bank_of, source_of, wire_of
from tidegate.cli.convert_quantities import current_or_power, quantity
from tidegate.eliminator.asked import Asked
from tidegate.eliminator.cell import CELLS, Cell
from tidegate.eliminator.measured import Measured
from tidegate.eliminator.regulator import Kind, Load
from tidegate.words import visible

Given = Mapping[str, Any]
# Option, field of the design, kind of quantity.
_QUANTITIES: Final = (
    ("--for", "for_s", "time"),
    ("--length", "length_m", "length"),
    ("--contacts", "contacts_ohm", "ohm"),
    ("--copper", "copper_c", "celsius"),
    ("--efficiency", "efficiency", "efficiency"),
    ("--dropout", "dropout_v", "volt"),
    ("--thermal", "thermal_k_per_w", "thermal"),
    ("--allowed-drop", "drop_v", "volt"),
    ("--esr", "esr_ohm", "ohm"),
    ("--tolerance", "tolerance", "share"),
    ("--ageing", "ageing", "share"),
    ("--ambient", "ambient_c", "celsius"),
    ("--sink", "sink_a", "sink"),
    ("--fuse", "fuse_a", "current"),
    ("--melting", "melting_a2s", "melting"),
)


def asked_of(given: Given, *, measured: Measured | None, chemistry: str) -> Asked:
    """Return the design. ``given`` is by option, ``None`` where nobody said it;
    ``chemistry`` is the one to take then.
    """
    load, peak = _loads(given, measured)
    cell = _cell(given, chemistry)
    fields: dict[str, Any] = {
        field: quantity(option, given[option], kind)
        for option, field, kind in _QUANTITIES
        if given[option] is not None
    }
    out_v = cell.aim_v
    if given["--out"] is not None:
        out_v = quantity("--out", given["--out"], "volt")
    asked = Asked(
        load=load,
        peak=peak,
        out_v=out_v,
        cell=cell,
        is_configured=given["--configured"],
        **fields,
        **_parts(given),
    )
    if given["--stranding"] is not None:
        allowance = quantity("--stranding", given["--stranding"], "share")
        asked = replace(asked, wire=asked.wire.stranded(allowance))
    if given["--bank"] is not None:
        bank = bank_of(
            given["--bank"],
            esr_ohm=asked.esr_ohm,
            tolerance=asked.tolerance,
            ageing=asked.ageing,
        )
        asked = replace(asked, bank=bank)
    _fits(asked, given)
    notes = () if measured is None else (measured.sentence(),)
    return replace(asked, assumed=_assumed(asked, given), notes=notes)


def _loads(given: Given, measured: Measured | None) -> tuple[Load, Load]:
    load = peak = None
    if measured is not None:
        load, peak = measured.load, measured.peak
    if given["--load"] is not None:
        load = peak = _load("--load", given["--load"])
    if given["--peak"] is not None:
        peak = _load("--peak", given["--peak"])
    assert load is not None
    assert peak is not None
    return load, peak


def _load(option: str, text: str) -> Load:
    current_a, power_w = current_or_power(option, text)
    return Load(current_a=current_a, power_w=power_w)


def _cell(given: Given, chemistry: str) -> Cell:
    cell = CELLS[given["--chemistry"] or chemistry]
    if given["--full"] is not None:
        cell = cell.full_at(quantity("--full", given["--full"], "volt"))
    if given["--cut-off"] is not None:
        cut_off_v = quantity("--cut-off", given["--cut-off"], "volt")
        cell = replace(cell, cut_off_v=cut_off_v)
    return cell


def _parts(given: Given) -> dict[str, Any]:
    found: dict[str, Any] = {}
    if given["--source"] is not None:
        found["source"] = source_of(given["--source"])
    if given["--cable"] is not None:
        found["wire"] = wire_of(given["--cable"])
    if given["--regulator"] is not None:
        found["kind"] = Kind(given["--regulator"])
    if given["--blocking"] is not None:
        found["blocking"] = given["--blocking"]
    if given["--port"] is not None:
        found["is_port_fed"] = given["--port"] == "fed"
    precharge = given["--precharge"]
    if precharge == "none":
        found["precharge_ohm"] = 0.0
    elif precharge not in (None, "auto"):
        found["precharge_ohm"] = quantity("--precharge", precharge, "ohm")
    return found


def _fits(asked: Asked, given: Given) -> None:
    """Refuse what cannot be a design at all, whatever the checks would say."""
    peak_w, load_w = asked.peak.w(asked.out_v), asked.load.w(asked.out_v)
    if peak_w < load_w * (1 - 1e-9):
        raise click.UsageError(
            f"--peak {visible(given['--peak'])}: a peak is not less than the "
            f"load, which is {load_w:.3g} W at {asked.out_v:g} V."
        )
    if asked.drop_v >= asked.out_v:
        raise click.UsageError(
            f"--allowed-drop {asked.drop_v:g}V: allowed is less than the output, "
            f"{asked.out_v:g}V."
        )
    if asked.kind is Kind.LINEAR and given["--efficiency"] is not None:
        raise click.UsageError(
            "--efficiency belongs to --regulator switching or buck-boost; a linear one "
            "has Vout/Vin."
        )
    if asked.kind is Kind.BUCK_BOOST and given["--dropout"] is not None:
        raise click.UsageError(
            "--dropout belongs to --regulator linear or switching; one that also steps "
            "up has none."
        )
    if asked.melting_a2s is not None and asked.fuse_a is None:
        raise click.UsageError(
            "--melting belongs to --fuse: say its rating, --fuse 2A."
        )


def _assumed(asked: Asked, given: Given) -> tuple[str, ...]:
    """Return the options that nobody gave, with the value that was taken."""
    values = {
        "--for": f"{1000 * asked.for_s:g}ms",
        "--source": asked.source.name.replace(" ", ""),
        "--cable": asked.wire.name.replace(" ", ""),
        "--length": f"{asked.length_m:g}m",
        "--contacts": f"{1000 * asked.contacts_ohm:g}mohm",
        "--stranding": f"{100 * asked.wire.allowance:g}%",
        "--regulator": asked.kind.value,
        "--efficiency": f"{100 * asked.efficiency:g}%",
        "--out": f"{asked.out_v:g}V",
        "--dropout": f"{asked.dropout_v:g}V",
        "--allowed-drop": f"{asked.drop_v:g}V",
        "--esr": f"{1000 * asked.esr_ohm:g}mohm",
        "--tolerance": f"{100 * asked.tolerance:g}%",
        "--ageing": f"{100 * asked.ageing:g}%",
        "--ambient": f"{asked.ambient_c:g}C",
        "--chemistry": asked.cell.chemistry,
        "--full": f"{asked.cell.full_v:g}V",
        "--cut-off": f"{asked.cell.cut_off_v:g}V",
        "--blocking": asked.blocking,
        "--sink": f"{asked.sink_a:g}A",
    }
    if asked.kind is Kind.LINEAR:
        del values["--efficiency"]
    if asked.kind is Kind.BUCK_BOOST:
        del values["--dropout"]
    return tuple(
        f"{option} {value}" for option, value in values.items() if given[option] is None
    )
