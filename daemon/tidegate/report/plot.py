"""The paper that pictures over time are drawn on: one time axis, lines and bars."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from tidegate.report.ink import path, text
from tidegate.report.story import Line, Span
from tidegate.report.track import Track


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
        share = (at_ms - self.from_ms) / max(self.until_ms - self.from_ms, 1)
        return round(self.left + share * (self.right - self.left), 2)

    def text(self, x: float, y: float, said: str, *, anchor: str = "start") -> str:
        """Return a line of text; ``y`` is its base line."""
        return text(x, y, said, anchor=anchor)

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

    def envelope(self, kind: str, track: Track, y: Callable[[float], float]) -> str:
        """Return the mean as a line over a shade from lowest to highest."""
        shades, means = [], []
        for columns in track.envelope:
            tops = [
                f"{self.x(at_ms):g},{y(each.high):g}"
                for each in columns
                for at_ms in (each.from_ms, each.until_ms)
            ]
            bottoms = [
                f"{self.x(at_ms):g},{y(each.low):g}"
                for each in reversed(columns)
                for at_ms in (each.until_ms, each.from_ms)
            ]
            # The mean of a sliver at an end says nothing beside whole columns.
            least_ms = max(each.until_ms - each.from_ms for each in columns) / 3
            middles = [
                f"{self.x((each.from_ms + each.until_ms) / 2):g},{y(each.mean):g}"
                for each in columns
                if each.until_ms - each.from_ms >= least_ms
            ]
            shades.append(f"M{' '.join(tops + bottoms)}z")
            means.append("M" + " ".join(middles) + ("h0" if len(middles) == 1 else ""))
        return path(f"{kind} shade", "".join(shades)) + path(kind, "".join(means))

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

    def shares(
        self,
        kind: str,
        spans: Iterable[Span],
        *,
        top: float,
        height: float,
        column: float,
    ) -> str:
        """Return for each column how much of it the spans fill, from below.

        For spans (which rise and do not overlap) too short to be told apart.
        """
        filled: dict[int, float] = {}
        for span in spans:
            begin, end = self.x(span.from_ms), self.x(span.until_ms)
            first, last = ((x - self.left) / column for x in (begin, end))
            for place in range(int(first), int(last) + 1):
                inside = min(last, place + 1) - max(first, place)
                filled[place] = filled.get(place, 0.0) + inside
        pieces = []
        for place, share in sorted(filled.items()):
            x = self.left + place * column
            wide = min(column, self.right - x)
            if wide <= 0 or share <= 0:
                continue
            high = round(height * min(share * column / wide, 1), 2)
            pieces.append(f"M{x:g},{top + height:g}v-{high:g}h{wide:g}v{high:g}z")
        return f'<path class="{kind}" d="{"".join(pieces)}"/>' if pieces else ""


def joined(spans: Iterable[Span]) -> list[Span]:
    """Return spans (which rise) with those that touch made one."""
    found: list[Span] = []
    for span in spans:
        if found and span.from_ms <= found[-1].until_ms:
            found[-1] = Span(found[-1].from_ms, max(found[-1].until_ms, span.until_ms))
        else:
            found.append(Span(span.from_ms, span.until_ms))
    return found


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
