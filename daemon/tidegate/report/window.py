"""The charge window and the floor behind the charge, as they were in force."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from tidegate.report.ink import path
from tidegate.report.plot import Paper
from tidegate.report.story import InForce, Span


def behind(
    paper: Paper, told: Sequence[InForce], y: Callable[[float], float], *, under: str
) -> str:
    """Return pale bands with their edges, ``under`` (a grid), and dashed floors."""
    bands, edges, floors = [], [], []
    for each in told:
        left, right = paper.x(each.from_ms), paper.x(each.until_ms)
        floors.append(f"M{left:g},{y(each.floor_percent):g}H{right:g}")
        if each.marks is None:
            continue
        low, high = y(each.marks.low_percent), y(each.marks.high_percent)
        span = Span(each.from_ms, each.until_ms)
        bands.append(
            paper.bars("window", [span], top=high, height=round(low - high, 2), least=0)
        )
        edges.append(f"M{left:g},{high:g}H{right:g}M{left:g},{low:g}H{right:g}")
    drawn_edges = path("edge", "".join(edges)) if edges else ""
    return "".join(bands) + drawn_edges + under + path("floor", "".join(floors))
