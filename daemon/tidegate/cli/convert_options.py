"""The options of ``tidegate convert``, in the order in which its help tells them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final, TypeVar

import click

F = TypeVar("F", bound=Callable[..., Any])

CHEMISTRIES: Final = ("unknown", "lco", "nmc", "nca", "lmo", "lfp")
# Name, what it looks like, help. Values are read by ``convert_question``.
_TEXTS: Final = (
    ("--load", "AMOUNT", "What the device draws for long: 1.2A or 5W. Else its log."),
    ("--peak", "AMOUNT", "What it draws at most, carried by the bank. [the load]"),
    ("--for", "TIME", "How long the bank alone carries the peak. [10ms]"),
    ("--source", "SOURCE", "See above. [5V/3A]"),
    ("--cable", "WIRE", "A gauge or a cross-section: 24AWG or 0.5mm2. [24AWG]"),
    ("--length", "LENGTH", "Of the cable, one way. [1m]"),
    ("--contacts", "OHM", "All contacts together, and the fuse. [120mohm]"),
    ("--stranding", "PERCENT", "What strands add. [10% with a gauge, 0% with mm2]"),
    ("--copper", "CELSIUS", "Temperature of the copper. [what it settles at in air]"),
    ("--regulator", ("linear", "switching", "buck-boost"), "[linear]"),
    ("--efficiency", "PERCENT", "Of a regulator that switches. [90%]"),
    ("--out", "VOLTS", "At the cell terminals. [3.85V; lfp 3.3V]"),
    ("--dropout", "VOLTS", "What the regulator needs above its output. [0.3V]"),
    ("--thermal", "K/W", "From its junction to air: 40K/W. Else it cannot be told."),
    ("--allowed-drop", "VOLTS", "How far the hold-up may dip. [0.5V]"),
    ("--esr", "OHM", "Series resistance of one capacitor, when old. [30mohm]"),
    ("--tolerance", "PERCENT", "Of the capacitance. [20%]"),
    ("--ageing", "PERCENT", "What it loses with age. [20%]"),
    ("--bank", "PARTS", "Check these capacitors: 4x10mF. [sized]"),
    ("--ambient", "CELSIUS", "Of the air around. [40C]"),
    ("--chemistry", CHEMISTRIES, "Of the cell that comes out. [its log, or unknown]"),
    ("--full", "VOLTS", "What the cell is charged to: 4.35V, 4.4V. [4.2V; lfp 3.65V]"),
    ("--cut-off", "VOLTS", "Where the device shuts down. [3.3V; lfp 2.8V]"),
    ("--blocking", ("none", "diode", "ideal"), "What blocks the way back. [ideal]"),
    ("--port", ("fed", "unfed"), "The device's own port: has it supply as well?"),
    ("--sink", "CURRENT", "What the dummy pack can take in. [0A]"),
    ("--precharge", "OHM", "Resistor while the bank fills, or none. [sized]"),
    ("--fuse", "CURRENT", "Rating. [sized]"),
    ("--melting", "A2S", "I²t at which the fuse melts: 4A2s. [rating² × 1 s]"),
)


def design_options(function: F) -> F:
    """Add all that tells a design; each is ``None`` where nobody said it."""
    for name, kind, help_text in reversed(_TEXTS):
        function = _option(name, kind, help_text)(function)
        if name == "--cable":
            function = _configured(function)
    return function


def _configured(function: F) -> F:
    return click.option(
        "--configured",
        is_flag=True,
        help="A USB device behind the eliminator was configured for its current.",
    )(function)


def _option(name: str, kind: str | tuple[str, ...], help_text: str) -> Callable[[F], F]:
    # A word of Python cannot be a parameter's name.
    names = (name, "for_") if name == "--for" else (name,)
    if isinstance(kind, tuple):
        return click.option(*names, type=click.Choice(kind), help=help_text)
    return click.option(*names, metavar=kind, help=help_text)
