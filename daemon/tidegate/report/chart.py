"""The picture of a station: charge over its window, supply, alarms, temperature.

Time runs left to right on one axis for all strips. Gaps stay gaps. Shape, fill and
words carry what colour does, so the picture says the same in black and white.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import tzinfo
from typing import Final, Self

from tidegate.report.axis import ticks, zone_name
from tidegate.report.ink import CHARACTER, picture_of
from tidegate.report.plot import (
    MEDIUM,
    NARROW,
    WIDE,
    Layout,
    Paper,
    joined,
    spread,
)
from tidegate.report.story import Span, Story
from tidegate.report.track import Track
from tidegate.report.window import behind

LABEL: Final = 18
STRIP: Final = 16
LANE: Final = 22
HEAT_HEIGHT: Final = 70
GAP: Final = 10
# Supply spans shorter than this on the paper, on average, cannot be told apart.
DENSE_APART: Final = 3
# Many different codes in one log would make a picture of alarms only.
LANES_MOST: Final = 12
SHADED: Final = ": mean and extremes"
OTHERS: Final = "other codes"
# The limit of heat is drawn where the battery came this near to it.
NEAR_HOT_C: Final = 3.0


def pictures(told: Story, zone: tzinfo, *, finding: str) -> str:
    """Return the picture in each layout; the page shows the one that fits."""
    tracks = Tracks.of(told)
    return "".join(
        picture(told, zone, finding=finding, layout=layout, tracks=tracks)
        for layout in (WIDE, MEDIUM, NARROW)
    )


def picture(
    told: Story,
    zone: tzinfo,
    *,
    finding: str,
    layout: Layout,
    tracks: Tracks | None = None,
) -> str:
    """Return the picture as one SVG element. ``finding`` is its text alternative."""
    chart = _Chart(told, zone, layout, tracks or Tracks.of(told))
    strips = [chart.soc(), chart.supply(), chart.alarms(), chart.heat()]
    axis = chart.time_axis()
    return picture_of(
        f"station {layout.name}",
        [axis, *strips],
        width=layout.width,
        height=chart.top,
        finding=finding,
    )


@dataclass(frozen=True, slots=True)
class Tracks:
    """The curves of a story, looked through once for all layouts."""

    soc: Track
    heat: Track

    @classmethod
    def of(cls, told: Story) -> Self:
        """Return those of a story."""
        return cls(
            Track(told.soc, told.from_ms, told.until_ms),
            Track(told.heat, told.from_ms, told.until_ms),
        )


class _Chart:
    """Draws strip under strip; ``top`` is where the next one begins."""

    def __init__(
        self, told: Story, zone: tzinfo, layout: Layout, tracks: Tracks
    ) -> None:
        self.top = 0.0
        self._told = told
        self._zone = zone
        self._layout = layout
        self._tracks = tracks
        self._paper = Paper(layout, told.from_ms, told.until_ms)

    def _curve(
        self,
        kind: str,
        track: Track,
        y: Callable[[float], float],
        *,
        per_unit: float,
    ) -> tuple[str, bool]:
        """Return the curve, and whether it is the shaded one."""
        paper = self._paper
        if track.is_blot(width=paper.right - paper.left, per_unit=per_unit):
            return paper.envelope(kind, track, y), True
        return paper.curves(kind, track.lines, y), False

    # --- charge -----------------------------------------------------------------------

    def soc(self) -> str:
        """Return the charge over the window, marks and floor labelled at the right."""
        told, paper, height = self._told, self._paper, self._layout.soc_height
        top = self.top + LABEL
        self.top = top + height + GAP

        def y(soc_percent: float) -> float:
            return round(top + (1 - soc_percent / 100) * height, 2)

        curve, is_shaded = self._curve(
            "soc", self._tracks.soc, y, per_unit=height / 100
        )
        said = f"charge (SoC){SHADED}" if is_shaded else "state of charge (SoC)"
        title = paper.text(paper.left, top - 5, said)

        levels = [("floor", told.policy.floor_percent)]
        if told.policy.marks is not None:
            low, high = told.policy.marks.low_percent, told.policy.marks.high_percent
            levels = [("high", high), ("low", low), *levels]
        grid = "".join(
            paper.across("grid", y(soc))
            + paper.text(paper.left - 6, y(soc) + 4, f"{soc} %", anchor="end")
            for soc in (0, 50, 100)
        )
        parts = [behind(paper, told.in_force, y, under=grid)]
        places = spread(
            [y(soc) + 4 for _, soc in levels], apart=14, top=top + 4, bottom=y(0) + 4
        )
        parts += [
            paper.text(paper.right + 6, place, f"{name} {soc:g} %")
            for place, (name, soc) in zip(places, levels, strict=True)
        ]
        return title + "".join(parts) + curve

    # --- supply -----------------------------------------------------------------------

    def supply(self) -> str:
        """Return the strip of the supply: filled, open, or nothing where unknown."""
        paper, spans = self._paper, self._told.supply
        if not spans:
            return self._title("supply: unknown")
        on = [span for span in spans if span.label == "on"]
        is_dense = len(spans) * DENSE_APART > paper.right - paper.left
        title = self._title(
            "supply: filled height = share of time on"
            if is_dense
            else "supply: filled = on, open = off"
        )
        top = self.top
        self.top += STRIP + GAP
        if is_dense:
            known = paper.bars("off", joined(spans), top=top, height=STRIP, least=0)
            return (
                title
                + known
                + paper.shares("share", on, top=top, height=STRIP, column=DENSE_APART)
            )
        off = [span for span in spans if span.label == "off"]
        return title + "".join(
            paper.bars(kind, those, top=top, height=STRIP, least=0)
            for kind, those in (("off", off), ("on", on))
        )

    # --- alarms -----------------------------------------------------------------------

    def alarms(self) -> str:
        """Return a lane for each code: a mark where it began, a bar as it stood."""
        if not self._told.alarms:
            return self._title("alarms: none")
        title = self._title("alarms: mark = began, bar = stood")
        lanes = "".join(
            self._lane(code, spans) for code, spans in lanes_of(self._told.alarms)
        )
        self.top += GAP
        return title + lanes

    def _lane(self, code: str, spans: list[Span]) -> str:
        paper = self._paper
        wide = CHARACTER * len(code) + 8
        after = max(paper.x(span.until_ms) for span in spans) + 8
        before = paper.x(spans[0].from_ms) - 8
        if after + wide <= self._layout.width:
            said = paper.text(after, self.top + LANE - 5, code)
        elif before - wide >= 0:
            said = paper.text(before, self.top + LANE - 5, code, anchor="end")
        else:
            said = paper.text(paper.left, self.top + LABEL - 5, code)
            self.top += LABEL
        top = self.top
        self.top += LANE
        marks = "".join(
            f"M{paper.x(span.from_ms):g},{top + 8:g}l-5,-7h10z" for span in spans
        )
        bars = paper.bars("alarm", spans, top=top + 8, height=LANE - 11, least=1)
        return f'{bars}<path class="mark" d="{marks}"/>{said}'

    # --- temperature ------------------------------------------------------------------

    def heat(self) -> str:
        """Return the temperature, if there is any, between its extremes."""
        values = [value for line in self._told.heat for _, value in line]
        if not values:
            return ""
        paper, hot = self._paper, self._told.policy.hot_c
        top = self.top + LABEL
        self.top = top + HEAT_HEIGHT + GAP
        is_near = max(values) >= hot - NEAR_HOT_C
        low, high = min(values), max(*values, hot) if is_near else max(values)
        spread_c = max(high - low, 1.0)

        def y(celsius: float) -> float:
            return round(top + (1 - (celsius - low) / spread_c) * HEAT_HEIGHT, 2)

        curve, is_shaded = self._curve(
            "heat", self._tracks.heat, y, per_unit=HEAT_HEIGHT / spread_c
        )
        said = f"temperature{SHADED}" if is_shaded else "battery temperature"
        title = paper.text(paper.left, top - 5, said)
        levels = [(max(values), f"{max(values):.0f} °C")]
        if f"{low:.0f}" != f"{max(values):.0f}":
            levels.append((low, f"{low:.0f} °C"))
        limit = ""
        if is_near:
            levels.append((hot, f"hot {hot:g} °C"))
            limit = paper.across("floor", y(hot))
        levels.sort(reverse=True)
        places = spread(
            [y(celsius) + 4 for celsius, _ in levels],
            apart=14,
            top=top + 4,
            bottom=top + HEAT_HEIGHT + 4,
        )
        labels = "".join(
            paper.text(paper.right + 6, place, label)
            for place, (_, label) in zip(places, levels, strict=True)
        )
        return title + limit + curve + labels

    # --- time -------------------------------------------------------------------------

    def time_axis(self) -> str:
        """Return the ticks of all strips above, and the zone."""
        told, paper, bottom = self._told, self._paper, self.top
        self.top += 2 * LABEL + 6
        parts = []
        for at_ms, label in ticks(
            told.from_ms, told.until_ms, self._zone, most=self._layout.ticks
        ):
            x = paper.x(at_ms)
            half = CHARACTER * len(label) / 2
            place = min(max(x, half), self._layout.width - half)
            parts.append(paper.down("grid", x, top=LABEL, bottom=bottom))
            parts.append(paper.text(place, bottom + LABEL - 4, label, anchor="middle"))
        zone = zone_name(told.from_ms, told.until_ms, self._zone)
        named = paper.text(paper.left, bottom + 2 * LABEL, f"local time, {zone}")
        return "".join(parts) + named

    def _title(self, said: str) -> str:
        self.top += LABEL
        return self._paper.text(self._paper.left, self.top - 5, said)


def lanes_of(alarms: list[Span]) -> Iterator[tuple[str, list[Span]]]:
    """Yield each code with its spans, in the order of their beginnings."""
    lanes: dict[str, list[Span]] = {}
    for span in alarms:
        is_full = span.label not in lanes and len(lanes) >= LANES_MOST - 1
        lanes.setdefault(OTHERS if is_full else span.label, []).append(span)
    yield from lanes.items()
