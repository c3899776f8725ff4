"""The cell that is stood in for: between which voltages its device expects it.

From memory of cells' data sheets; the label of the pack that comes out overrules it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

# A charger begins again so far under full (from memory of chargers' data sheets).
RECHARGE_BELOW_V: Final = 0.1
SOURCE: Final = "cells' data sheets (from memory)"


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """Voltages of one cell: discharged, full, the one to aim at, and the one at which a
    device may shut down.
    """

    chemistry: str
    end_v: float
    full_v: float
    aim_v: float
    cut_off_v: float

    def full_at(self, full_v: float) -> Cell:
        """Return it charged to another voltage: 4.35 and 4.4 V cells exist."""
        return replace(self, full_v=full_v)

    @property
    def recharge_v(self) -> float:
        """Where a charger that was done begins again."""
        return self.full_v - RECHARGE_BELOW_V


def _of(chemistry: str) -> Cell:
    if chemistry == "lfp":
        return Cell(
            chemistry=chemistry,
            end_v=2.5,
            full_v=3.65,
            aim_v=3.3,
            cut_off_v=2.8,
        )
    return Cell(
        chemistry=chemistry,
        end_v=3.0,
        full_v=4.2,
        aim_v=3.85,
        cut_off_v=3.3,
    )


CELLS: Final = {
    name: _of(name) for name in ("unknown", "lco", "nmc", "nca", "lmo", "lfp")
}


def why_aim(cell: Cell) -> str:
    """Return why the output is aimed where it is, in a sentence or two."""
    if cell.chemistry == "lfp":
        return (
            f"About {cell.aim_v:g} V is the level of an LFP cell over most of its "
            f"charge, well between {cell.end_v:g} and {cell.full_v:g} V (from memory)."
        )
    return (
        "About 3.8 to 4.2 V: a device that tells the level by voltage then sees a cell "
        "half full or better, far from its low-battery limit (from memory: 3.3 to "
        f"3.6 V) and not above the {cell.full_v:g} V at which it would call it faulty. "
        "Lower leaves more for cable and regulator; higher leaves more for hold-up."
    )
