"""The paper that pictures are drawn on: one time axis, and the shapes as SVG.

Every shape gets a class and no colour; the page's style says what a class looks like.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from html import escape
from typing import Final

from tidegate.report.story import Line, Span

# The advance of a character of the picture's text, on the generous side.
CHARACTER: Final = 7.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """How a picture is laid out, in its own units; one unit is about a pixel."""

    name: str
    width: int
    left: int
    right: int
    soc_height: int
    ticks: int
    points: int


# The page shows the one that fits its width, so that the text keeps its size.
WIDE: Final = Layout(
    name="wide", width=960, left=48, right=84, soc_height=220, ticks=10, points=4_000
)
MEDIUM: Final = Layout(
    name="medium", width=660, left=48, right=84, soc_height=210, ticks=7, points=2_600
)
NARROW: Final = Layout(
    name="narrow", width=360, left=50, right=80, soc_height=190, ticks=3, points=1_200
)


@dataclass(frozen=True, slots=True)
class Paper:
    """A time span laid over the width of a layout."""

    layout: Layout
    from_ms: int
    until_ms: int

    @property
    def left(self) -> int:
        """Where time begins."""
        return self.layout.left

    @property
    def right(self) -> int:
        """Where time ends."""
        return self.layout.width - self.layout.right

    def x(self, at_ms: float) -> float:
        """Return where a time is."""
        share = (at_ms - self.from_ms) / (self.until_ms - self.from_ms)
        return round(self.left + share * (self.right - self.left), 2)

    def text(self, x: float, y: float, said: str, *, anchor: str = "start") -> str:
        """Return a line of text; ``y`` is its base line."""
        return (
            f'<text class="tick" x="{x:g}" y="{y:g}" text-anchor="{anchor}">'
            f"{escape(said)}</text>"
        )

    def across(self, kind: str, y: float) -> str:
        """Return a line from the beginning of time to its end."""
        return f'<path class="{kind}" d="M{self.left},{y:g}H{self.right}"/>'

    def down(self, kind: str, x: float, *, top: float, bottom: float) -> str:
        """Return a line at one time."""
        return f'<path class="{kind}" d="M{x:g},{top:g}V{bottom:g}"/>'

    def curves(
        self, kind: str, lines: Sequence[Line], y: Callable[[float], float]
    ) -> str:
        """Return lines as one shape. A lone point is a dot, nothing is bridged."""
        total = sum(len(line) for line in lines)
        pieces = []
        for line in lines:
            most = max(4, self.layout.points * len(line) // total)
            steps = [
                f"{self.x(at_ms):g},{y(value):g}"
                for at_ms, value in thinned(line, most)
            ]
            pieces.append("M" + " ".join(steps) + ("h0" if len(steps) == 1 else ""))
        return f'<path class="{kind}" d="{"".join(pieces)}"/>' if pieces else ""

    def bars(
        self,
        kind: str,
        spans: Iterable[Span],
        *,
        top: float,
        height: float,
        least: float,
    ) -> str:
        """Return spans as one shape, each at least ``least`` wide."""
        pieces = []
        for span in spans:
            x = self.x(span.from_ms)
            width = max(round(self.x(span.until_ms) - x, 2), least)
            pieces.append(f"M{x:g},{top:g}h{width:g}v{height:g}h-{width:g}z")
        return f'<path class="{kind}" d="{"".join(pieces)}"/>' if pieces else ""


def thinned(line: Line, most: int) -> Line:
    """Return at most about ``most`` points that keep every peak: first, lowest,
    highest and last of each of equal slices.
    """
    if len(line) <= most:
        return line
    size = -(-4 * len(line) // most)
    kept: Line = []
    for start in range(0, len(line), size):
        piece = line[start : start + size]
        ends = {0, len(piece) - 1}
        values = [value for _, value in piece]
        ends |= {values.index(min(values)), values.index(max(values))}
        kept += [piece[index] for index in sorted(ends)]
    return kept


def spread(
    wanted: Sequence[float], *, apart: float, top: float, bottom: float
) -> list[float]:
    """Return places as near as can be to the ``wanted`` ones (which rise), so far
    apart that labels do not overlap, between ``top`` and ``bottom`` if they fit.
    """
    placed: list[float] = []
    for place in wanted:
        placed.append(max(place, placed[-1] + apart if placed else top))
    limit = bottom
    for index in range(len(placed) - 1, -1, -1):
        placed[index] = min(placed[index], limit)
        limit = placed[index] - apart
    return placed
