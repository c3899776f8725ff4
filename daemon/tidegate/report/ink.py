"""Shapes and text as SVG. A shape gets a class and no colour: the page's style says
what a class looks like, on a screen and on paper.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from html import escape
from typing import Final

from tidegate.words import visible

# The advance of a character of a picture's text, on the generous side.
CHARACTER: Final = 7.2
# From one line of text to the next.
LINE: Final = 18


def picture_of(
    kind: str, parts: Iterable[str], *, width: float, height: float, finding: str
) -> str:
    """Return an SVG element; ``finding`` is its text alternative."""
    body = "\n".join(part for part in parts if part)
    return (
        f'<svg class="{kind}" viewBox="0 0 {width:g} {height:g}" role="img" '
        f'aria-label="{escape(visible(finding))}">\n{body}\n</svg>'
    )


def text(
    x: float, y: float, said: str, *, anchor: str = "start", kind: str = "tick"
) -> str:
    """Return a line of text; ``y`` is its base line."""
    return (
        f'<text class="{kind}" x="{x:g}" y="{y:g}" text-anchor="{anchor}">'
        f"{escape(visible(said))}</text>"
    )


def path(kind: str, drawn: str) -> str:
    """Return a shape of SVG path commands."""
    return f'<path class="{kind}" d="{drawn}"/>'


def bar(kind: str, *, x: float, y: float, width: float, height: float) -> str:
    """Return a filled rectangle."""
    return path(kind, f"M{x:g},{y:g}h{width:g}v{height:g}h{-width:g}z")


def across(kind: str, y: float, *, left: float, right: float) -> str:
    """Return a level line."""
    return path(kind, f"M{left:g},{y:g}H{right:g}")


def round_step(most: float, *, steps: int) -> float:
    """Return 1, 2 or 5 times a power of ten, so that about ``steps`` reach ``most``."""
    wanted = most / steps
    power = 10.0 ** math.floor(math.log10(wanted))
    return next(
        each * power for each in (1, 2, 5, 10) if each * power >= wanted * 0.999
    )


def share_of(part: float, whole: float) -> str:
    """Return a share in percent: whole from 10 %, a tenth below."""
    percent = 100 * part / whole if whole else 0.0
    if 0 < percent < 0.05:
        return "<0.1 %"
    return f"{percent:.0f} %" if percent >= 9.95 or not percent else f"{percent:.1f} %"


def hours_of(seconds: float) -> str:
    """Return hours: whole from 10 h, a tenth below, minutes under one hour."""
    hours = seconds / 3600
    if hours >= 9.95:
        return f"{hours:,.0f} h"
    return f"{hours:.1f} h" if hours >= 1 else f"{seconds / 60:.0f} min"
