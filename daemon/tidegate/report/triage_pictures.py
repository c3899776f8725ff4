"""The pictures of a triage: capacity against the rated one, resistance, charge."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import tzinfo
from typing import Final

from tidegate.report.audit_finding import hours, milliohm
from tidegate.report.histogram import charge_histogram
from tidegate.report.ink import LINE, bar, path, picture_of, text
from tidegate.report.plot import spread
from tidegate.report.resistance import resistance
from tidegate.report.triage_said import brought_to
from tidegate.triage.evidence import Evidence
from tidegate.triage.limits import LEAST_CAPACITY, SIGMAS

WIDTH: Final = 328
LEFT: Final = 8
# Room at the right for the end of a label that is centred at the rated capacity.
RIGHT: Final = 250
TOP: Final = LINE + 12
HEIGHT: Final = 26


def pictures(found: Evidence, zone: tzinfo) -> Iterator[str]:
    """Yield what there is to be seen of the log, what decides first."""
    yield from _capacity(found)
    yield from _resistance(found, zone)
    if any(each.seconds > 0 for each in found.soc.histogram):
        yield charge_histogram(
            found.soc.histogram,
            found.marks,
            finding=f"Time by charge: {hours(found.soc.hours_above_80_percent)} above 80 %, "
            f"{hours(found.full_hours)} at or above 95 %.",
        )


def _resistance(found: Evidence, zone: tzinfo) -> Iterator[str]:
    steps, median = found.measured.steps, found.measured.resistance_ohm
    if not steps or median is None or not found.is_calendar:
        return
    said = f"Resistance as measured, median {milliohm(median)}"
    if found.trend is not None:
        said += (
            f"; {brought_to(found.trend)}it went from {milliohm(found.trend.start_ohm)} to "
            f"{milliohm(found.trend.end_ohm)}"
        )
    yield resistance(
        steps,
        median,
        zone,
        from_ms=found.from_ms,
        until_ms=found.until_ms,
        finding=f"{said}.",
    )


def _capacity(found: Evidence) -> Iterator[str]:
    made = found.measured
    if made.capacity_ah is None or made.design_ah is None:
        return
    half = SIGMAS * (made.capacity_sigma_ah or 0.0)
    low, high = max(made.capacity_ah - half, 0.0), made.capacity_ah + half
    limit = LEAST_CAPACITY * made.design_ah
    most = max(made.design_ah, high)

    def x(value: float) -> float:
        return round(LEFT + (RIGHT - LEFT) * value / most, 2)

    middle = TOP + HEIGHT / 2
    bottom = TOP + HEIGHT + 6
    parts = [
        text(LEFT, LINE - 5, "capacity, measured ± two sigma; dashed = 80 %"),
        bar("off", x=LEFT, y=TOP, width=x(made.design_ah) - LEFT, height=HEIGHT),
        bar("share", x=LEFT, y=TOP + 4, width=x(made.capacity_ah) - LEFT, height=18),
        path("floor", f"M{x(limit):g},{TOP - 6}V{bottom:g}"),
        path(
            "bounds",
            f"M{x(low):g},{middle:g}H{x(high):g}"
            f"M{x(low):g},{middle - 6:g}v12M{x(high):g},{middle - 6:g}v12",
        ),
        text(RIGHT + 8, middle + 4, f"{made.capacity_ah:.2f} Ah", kind="name"),
        *_labels(x(limit), limit, x(made.design_ah), made.design_ah, bottom),
    ]
    percent = 100 * made.capacity_ah / made.design_ah
    yield picture_of(
        "small capacity",
        parts,
        width=WIDTH,
        height=bottom + LINE + 4,
        finding=f"Measured capacity {made.capacity_ah:.2f} Ah, from {low:.2f} to "
        f"{high:.2f} Ah, {percent:.0f} % of {made.design_ah:.2f} Ah; the limit is "
        f"{limit:.2f} Ah.",
    )


def _labels(
    limit_x: float, limit: float, design_x: float, design: float, bottom: float
) -> list[str]:
    places = spread([limit_x, design_x], apart=92, top=LEFT + 44, bottom=WIDTH - 44)
    said = (f"80 %: {limit:.2f} Ah", f"rated {design:.2f} Ah")
    return [
        text(place, bottom + LINE - 4, each, anchor="middle")
        for place, each in zip(places, said, strict=True)
    ]
