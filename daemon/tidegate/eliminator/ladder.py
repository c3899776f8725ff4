"""The voltages from the source down to the cell terminals, step by step."""

from __future__ import annotations

from dataclasses import dataclass

from tidegate.eliminator.check import Outcome
from tidegate.eliminator.regulator import feed
from tidegate.eliminator.sizing import Sizing


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """A place on the way. ``low_v`` is with the source at its lowest, ``high_v`` at
    its highest; ``limit_v`` is what it is held against there, if anything is.
    """

    name: str
    low_v: float
    high_v: float
    limit_name: str = ""
    limit_v: float | None = None
    fails: bool = False


def ladder(sizing: Sizing) -> list[Step]:
    """Return the steps; those between source and terminals are left out where no
    voltage settles.
    """
    source = sizing.asked.source
    first = Step(name="source", low_v=source.low_v, high_v=source.high_v)
    return [first, *_way(sizing), *_end(sizing)]


def _failed(sizing: Sizing) -> set[str]:
    return {each.code for each in sizing.checks if each.outcome is Outcome.FAILS}


def _way(sizing: Sizing) -> list[Step]:
    asked, low = sizing.asked, sizing.feed
    high = feed(asked.way, asked.regulator, asked.load, asked.source.high_v)
    if low is None or high is None:
        return []
    failed = _failed(sizing)
    return [
        Step(name="cable", low_v=low.after_cable_v, high_v=high.after_cable_v),
        Step(
            name="contacts",
            low_v=low.far_v,
            high_v=high.far_v,
            limit_name="least",
            limit_v=asked.source.far_least_v,
            fails="far_voltage" in failed,
        ),
        Step(
            name="regulator",
            low_v=low.in_v,
            high_v=high.in_v,
            limit_name="needs",
            limit_v=asked.regulator.needs_v,
            fails="regulator_input" in failed,
        ),
    ]


def _end(sizing: Sizing) -> list[Step]:
    asked, curve, failed = sizing.asked, sizing.dip(), _failed(sizing)
    terminals = Step(
        name="terminals",
        low_v=asked.out_v,
        high_v=asked.out_v,
        limit_name="full",
        limit_v=asked.cell.full_v,
        fails="output_level" in failed,
    )
    if not curve:
        return [terminals]
    held = Step(
        name="hold-up",
        low_v=curve[-1][1],
        high_v=curve[-1][1],
        limit_name="cut-off",
        limit_v=asked.cell.cut_off_v,
        fails=bool({"cut_off", "hold_up"} & failed),
    )
    return [terminals, held]
