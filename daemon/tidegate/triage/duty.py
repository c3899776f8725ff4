"""The facts about how a device lives: does it stand full, does it run warm."""

from __future__ import annotations

from tidegate.triage.evidence import Evidence
from tidegate.triage.fact import Fact, hours_of, missing, percent
from tidegate.triage.inspection import Inspection, Told
from tidegate.triage.limits import (
    HIGH_PERCENT,
    MOST_HIGH_SHARE,
    MOST_WARM_SHARE,
    SENSOR_C,
    WARM_C,
)


def stands_full(evidence: Evidence | None, inspection: Inspection) -> Fact:
    """Whether it stands above 80 % for much of its time."""
    code = "stands_full"
    share = None if evidence is None else evidence.high_share
    if share is None or evidence is None:
        return _stands_full_by_form(inspection)
    holds = share.reaches(MOST_HIGH_SHARE)
    hours = evidence.soc.hours_above_80_percent
    said = (
        f"It was above {HIGH_PERCENT:g} % for {hours_of(hours)}, {percent(share.value)} of "
        f"the time read"
    )
    if holds is None:
        said += f"; with what nobody saw {percent(share.low)} to {percent(share.high)}"
    return Fact(
        code=code,
        holds=holds,
        said=f"{said} (limit {100 * MOST_HIGH_SHARE:g} %).",
        turns=(
            f"{'less than' if holds else ''} {100 * MOST_HIGH_SHARE:g} % of its time "
            f"above {HIGH_PERCENT:g} %"
        ).strip(),
        lacks=() if holds is not None else ("a log with fewer gaps",),
    )


def _stands_full_by_form(inspection: Inspection) -> Fact:
    code = "stands_full"
    fed, holds_itself = inspection.always_fed, inspection.holds_itself
    if fed is Told.NO:
        return Fact(code=code, holds=False, said="It is not always on its supply.")
    if holds_itself is Told.YES:
        return Fact(code=code, holds=False, said="It holds its own charging back.")
    if fed is Told.YES and holds_itself is Told.NO:
        said = "It is always on its supply and charges itself full."
        return Fact(code=code, holds=True, said=said)
    lacks = []
    if fed is Told.UNKNOWN:
        lacks.append("whether it is always on its supply (always_fed)")
    if holds_itself is Told.UNKNOWN:
        lacks.append(
            "whether it holds its charging back (holds_itself, tidegate taper)"
        )
    said = "Whether it stands full is not known."
    return missing(code, said, *lacks)


def runs_warm(evidence: Evidence | None) -> Fact:
    """Whether it is at or above 45 °C for more than now and then."""
    code = "runs_warm"
    share = None if evidence is None else evidence.warm_share
    if share is None or evidence is None:
        return missing(
            code, "No temperature was logged.", "a log with the battery's temperature"
        )
    holds = share.reaches(MOST_WARM_SHARE)
    heat = evidence.temperature
    said = (
        f"It was at or above {WARM_C:g} °C for {hours_of(heat.hours_above_45_c)}, "
        f"{percent(share.value)} of the time, {heat.mean_c or 0.0:.0f} °C in the mean"
    )
    if holds is None:
        said += f"; with a sensor {SENSOR_C:g} °C off {percent(share.low)} to {percent(share.high)}"
    return Fact(
        code=code,
        holds=holds,
        said=f"{said} (limit {100 * MOST_WARM_SHARE:g} %).",
        turns=(
            f"{'less than' if holds else ''} {100 * MOST_WARM_SHARE:g} % of its time at "
            f"or above {WARM_C:g} °C"
        ).strip(),
        lacks=() if holds is not None else ("a second sensor, on the battery itself",),
    )
