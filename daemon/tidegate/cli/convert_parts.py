"""The parts that ``tidegate convert`` is told: source, cable, bank, blocking.

Every error is a click.UsageError, one sentence with what is allowed.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable
from typing import Final

import click

from tidegate.cli.convert_quantities import quantity
from tidegate.eliminator.bank import Bank
from tidegate.eliminator.source import SOURCES, Source, plain
from tidegate.eliminator.wire import AWG_RANGE, CLASS_5, Wire, of_area, of_gauge
from tidegate.words import visible

_GAUGE: Final = re.compile(r"\s*(?:AWG\s*([0-9]+)|([0-9]+)\s*AWG)\s*", re.IGNORECASE)
_AREA: Final = re.compile(r"\s*([0-9]+(?:\.[0-9]+)?)\s*mm(?:2|²|\^2)\s*")
_BANK: Final = re.compile(r"\s*([0-9]{1,3})\s*[x×]\s*(.+)")
_MOST_PARTS: Final = 100


def source_of(text: str) -> Source:
    """Return the source of a name, or of a voltage and a current."""
    if text in SOURCES:
        return SOURCES[text]
    volt, slash, ampere = text.partition("/")
    if slash:
        return plain(
            quantity("--source", volt, "volt"), quantity("--source", ampere, "current")
        )
    close = difflib.get_close_matches(text, SOURCES, n=1, cutoff=0.6)
    hint = (
        f"did you mean {close[0]}?"
        if close
        else f"it is {one_of(SOURCES)}, or a voltage and a current: 5V/3A."
    )
    raise click.UsageError(f"--source {visible(text)}: there is none; {hint}")


def wire_of(text: str) -> Wire:
    """Return the wire of a gauge or of a metric size."""
    if (match := _GAUGE.fullmatch(text)) is not None:
        gauge = int(match[1] or match[2])
        if AWG_RANGE[0] <= gauge <= AWG_RANGE[1]:
            return of_gauge(gauge)
        raise click.UsageError(
            f"--cable {visible(text)}: allowed is {AWG_RANGE[0]}AWG to "
            f"{AWG_RANGE[1]}AWG."
        )
    if (match := _AREA.fullmatch(text)) is not None:
        area_mm2 = float(match[1])
        if area_mm2 in CLASS_5:
            return of_area(area_mm2)
        sizes = one_of(f"{each:g}" for each in CLASS_5)
        raise click.UsageError(
            f"--cable {visible(text)}: there is no such size; it is {sizes} mm2."
        )
    raise click.UsageError(
        f"--cable {visible(text)}: write a gauge or a cross-section with its unit: "
        "24AWG or 0.5mm2."
    )


def bank_of(text: str, *, esr_ohm: float, tolerance: float, ageing: float) -> Bank:
    """Return the bank of so many parts, such as 4x10mF."""
    match = _BANK.fullmatch(text)
    parts, part = (int(match[1]), match[2]) if match else (1, text)
    if not 1 <= parts <= _MOST_PARTS:
        raise click.UsageError(
            f"--bank {visible(text)}: allowed is 1 to {_MOST_PARTS} parts, such as "
            "4x10mF."
        )
    return Bank(
        parts=parts,
        part_f=quantity("--bank", part, "farad"),
        part_esr_ohm=esr_ohm,
        tolerance=tolerance,
        ageing=ageing,
    )


def one_of(names: Iterable[str]) -> str:
    """Return names as a choice in words."""
    *most, last = names
    return f"{', '.join(most)} or {last}"
