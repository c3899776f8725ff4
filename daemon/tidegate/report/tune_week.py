"""A week as it would run, recommended over present: the picture of a station.

Charge over its window, marks and floor named at the right, the supply below; both on
one axis of weekdays.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

from tidegate.core.policy import HOUR_MS, Marks, Policy
from tidegate.report.ink import picture_of
from tidegate.report.plot import MEDIUM, NARROW, WIDE, Layout, Paper, spread
from tidegate.report.story import InForce, Span
from tidegate.report.tune_load import DAYS
from tidegate.report.window import behind
from tidegate.tuning.paths import WEEK_H
from tidegate.tuning.week import Week

LAYOUTS: Final = (WIDE, MEDIUM, NARROW)
LABEL: Final = 18
STRIP: Final = 12
HEIGHT: Final = 110
GAP: Final = 12
_DAY_H: Final = 24
_MARGIN: Final = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """A week with its name and the marks it runs between."""

    name: str
    week: Week
    marks: Marks


def weeks(
    shown: tuple[Shown, ...], policy: Policy, layout: Layout, *, finding: str
) -> str:
    """Return the picture in one layout."""
    drawn = _Picture(shown, policy, layout)
    parts = [part for each in shown for part in drawn.panel(each)]
    axis = list(drawn.axis())
    return picture_of(
        f"week {layout.name}",
        [*axis, *parts],
        width=layout.width,
        height=drawn.top,
        finding=finding,
    )


def seen(shown: tuple[Shown, ...]) -> str:
    """Return in words what the picture shows."""
    told = []
    for each in shown:
        levels = [level for _, level in each.week.levels]
        on_h = sum(end - begin for begin, end in each.week.on)
        told.append(
            f"{each.name}: charge from {min(levels):.0f} to {max(levels):.0f} %, supply "
            f"on for {100 * on_h / WEEK_H:.0f} % of the week."
        )
    return " ".join(told)


class _Picture:
    """Panel under panel; ``top`` is where the next one begins."""

    def __init__(
        self, shown: tuple[Shown, ...], policy: Policy, layout: Layout
    ) -> None:
        self.top = 0.0
        self._policy = policy
        self._paper = Paper(layout, 0, WEEK_H * HOUR_MS)
        levels = [level for each in shown for _, level in each.week.levels]
        marks = [each.marks.high_percent for each in shown]
        self._most = min(100.0, max(*levels, *marks) + _MARGIN)
        self._least = max(0.0, min(policy.floor_percent, *levels) - _MARGIN)

    def panel(self, each: Shown) -> Iterator[str]:
        """Yield a week: its name, the charge over its window, the supply."""
        paper, top = self._paper, self.top + LABEL + 2
        yield paper.text(paper.left, self.top + LABEL - 5, each.name)
        self.top = top + HEIGHT + 6

        def y(percent: float) -> float:
            share = (self._most - percent) / (self._most - self._least)
            return round(top + share * HEIGHT, 2)

        force = InForce(
            from_ms=0,
            until_ms=WEEK_H * HOUR_MS,
            marks=each.marks,
            floor_percent=self._policy.floor_percent,
        )
        yield behind(paper, [force], y, under="")
        line = [(round(hour * HOUR_MS), level) for hour, level in each.week.levels]
        yield paper.curves("soc", [line], y)
        yield from self._levels(each.marks, top, y)
        yield from self._supply(each.week)

    def _levels(
        self, marks: Marks, top: float, y: Callable[[float], float]
    ) -> Iterator[str]:
        levels = [
            ("high", marks.high_percent),
            ("low", marks.low_percent),
            ("floor", self._policy.floor_percent),
        ]
        wanted = [y(percent) + 4 for _, percent in levels]
        places = spread(wanted, apart=14, top=top + 4, bottom=top + HEIGHT + 4)
        for place, (name, percent) in zip(places, levels, strict=True):
            yield self._paper.text(
                self._paper.right + 6, place, f"{name} {percent:g} %"
            )

    def _supply(self, week: Week) -> Iterator[str]:
        paper, top = self._paper, self.top
        self.top += STRIP + GAP
        whole = [Span(0, WEEK_H * HOUR_MS)]
        on = [
            Span(round(begin * HOUR_MS), round(end * HOUR_MS)) for begin, end in week.on
        ]
        yield paper.bars("off", whole, top=top, height=STRIP, least=0)
        yield paper.bars("on", on, top=top, height=STRIP, least=0.5)
        yield paper.text(paper.right + 6, top + STRIP - 1, "supply")

    def axis(self) -> Iterator[str]:
        """Yield the weekdays under all panels, and what the strips mean."""
        paper, bottom = self._paper, self.top
        self.top += 2 * LABEL + 2
        for day, name in enumerate(DAYS):
            x = paper.x(_DAY_H * day * HOUR_MS)
            yield paper.down("grid", x, top=LABEL, bottom=bottom)
            middle = paper.x(_DAY_H * (day + 0.5) * HOUR_MS)
            yield paper.text(middle, bottom + LABEL - 4, name, anchor="middle")
        yield paper.text(
            paper.left, bottom + 2 * LABEL - 2, "supply: filled = on, open = off"
        )
