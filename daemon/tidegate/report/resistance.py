"""Resistance steps over time: dots as measured, no line between them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo
from typing import Final

from tidegate.audit.result import Step
from tidegate.report.axis import ticks, zone_name
from tidegate.report.ink import CHARACTER, LINE, picture_of, text
from tidegate.report.plot import Layout, Paper, spread

SMALL: Final = Layout(
    name="small", width=328, left=16, right=76, soc_height=0, ticks=3, points=0
)
HEIGHT: Final = 110
# More dots than this would lie on one another; every so many-th is drawn then.
DOTS_MOST: Final = 1_500


def resistance(
    steps: Sequence[Step],
    median_ohm: float,
    zone: tzinfo,
    *,
    from_ms: int,
    until_ms: int,
    finding: str,
) -> str:
    """Return the steps (at least one) between their extremes, with their median."""
    # A sample after the last row, or one that a settled clock put before the first.
    from_ms = min(from_ms, *(step.at_ms for step in steps))
    until_ms = max(until_ms, from_ms + 1, *(step.at_ms for step in steps))
    paper = Paper(SMALL, from_ms, until_ms)
    ohms = [step.ohm for step in steps]
    low, high = min(ohms), max(ohms)
    reach = max(high - low, 0.001)
    top = LINE + 8.0

    def y(ohm: float) -> float:
        return round(top + (1 - (ohm - low) / reach) * HEIGHT, 2)

    every = -(-len(steps) // DOTS_MOST)
    dots = "".join(
        f"M{paper.x(step.at_ms):g},{y(step.ohm):g}h0" for step in steps[::every]
    )
    levels = sorted({high: "", low: "", median_ohm: "median "}.items(), reverse=True)
    places = spread(
        [y(ohm) + 4 for ohm, _ in levels],
        apart=14,
        top=top + 4,
        bottom=top + HEIGHT + 4,
    )
    labels = []
    for place, (ohm, name) in zip(places, levels, strict=True):
        shown = f"{1000 * ohm:.0f} mΩ"
        labels.append(paper.text(paper.right + 6, place, shown))
        if name:
            labels.append(paper.across("floor", y(ohm)))
    parts = [
        text(paper.left, LINE - 5, "resistance steps; dashed = median"),
        *labels,
        f'<path class="dots" d="{dots}"/>',
        _time(paper, zone, top + HEIGHT + 8),
    ]
    return picture_of(
        "small resistance",
        parts,
        width=SMALL.width,
        height=top + HEIGHT + 2 * LINE + 14,
        finding=finding,
    )


def _time(paper: Paper, zone: tzinfo, bottom: float) -> str:
    said = []
    for at_ms, label in ticks(
        paper.from_ms, paper.until_ms, zone, most=paper.layout.ticks
    ):
        half = CHARACTER * len(label) / 2
        place = min(max(paper.x(at_ms), half), paper.layout.width - half)
        said.append(paper.text(place, bottom + LINE - 4, label, anchor="middle"))
    named = zone_name(paper.from_ms, paper.until_ms, zone)
    return "".join(said) + paper.text(
        paper.left, bottom + 2 * LINE, f"local time, {named}"
    )
