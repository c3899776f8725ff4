"""Marks of pictures and their legend: a class, a shape and words for each.

A shape for each, so that black and white says the same.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from tidegate.report.ink import CHARACTER, LINE, text

DISC: Final = "M-5.5,0a5.5,5.5 0 1,0 11,0a5.5,5.5 0 1,0 -11,0z"
DIAMOND: Final = "M0,-6.5l6.5,6.5l-6.5,6.5l-6.5,-6.5z"
SQUARE: Final = "M-5,-5h10v10h-10z"
TRIANGLE: Final = "M0,-6.5l6.5,11.5h-13z"
# The size of the mark of a shorter time.
SMALL: Final = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """How something is drawn: class, shape, size, and the words of its legend."""

    kind: str
    shape: str
    words: str
    size: float = 1.0


FULL: Final = Kind(kind="float", shape=DIAMOND, words="float at 100 %")
HELD: Final = Kind(kind="hold", shape=SQUARE, words="hold")


def mark(it: Kind, x: float, y: float, *, is_hollow: bool = False) -> str:
    """Return a mark at a place."""
    kind = f"{it.kind} hollow" if is_hollow else it.kind
    smaller = "" if it.size == 1.0 else f" scale({it.size:g})"
    return (
        f'<path class="{kind}" transform="translate({x:g},{y:g}){smaller}" '
        f'd="{it.shape}"/>'
    )


def legend(said: Iterable[tuple[Kind, bool]], *, width: float) -> tuple[str, float]:
    """Return marks (hollow or not) with their words, and where the next thing begins.

    On as many lines as it takes.
    """
    parts, x, y = [], 8.0, 10.0
    for it, is_hollow in said:
        wide = 32 + CHARACTER * len(it.words)
        if x > 8 and x + wide > width:
            x, y = 8.0, y + LINE
        parts.append(mark(it, x + 6, y, is_hollow=is_hollow))
        parts.append(text(x + 18, y + 4, it.words))
        x += wide + 8
    return "".join(parts), y + 16
