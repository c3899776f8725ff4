"""The numbers of ``tidegate audit`` as text: a line each where they fit."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import tzinfo
from typing import Final

from tidegate.audit.result import AlarmSpan, Audit
from tidegate.report.audit_finding import (
    WARM_C,
    hours,
    lasting,
    length,
    milliohm,
    moment,
)
from tidegate.report.audit_words import (
    capacity,
    contact,
    cycled,
    effects,
    from_to,
    switched,
    unread,
)
from tidegate.report.axis import zone_name
from tidegate.report.finding import counted
from tidegate.report.ink import share_of

Rows = Iterator[tuple[str, str]]

ALARMS_MOST: Final = 5


def overview(audit: Audit, zone: tzinfo) -> Rows:
    """Yield label and value: what was read, charge, heat, work, cell, alarms."""
    yield "time", _time(audit, zone)
    yield "readings", _readings(audit)
    if audit.readings.gaps:
        yield "gaps", _gaps(audit, zone)
    yield "charge", _charge(audit)
    yield "battery", _heat(audit)
    yield "cycles", _cycles(audit)
    yield from _work(audit)
    yield from _cell(audit)
    yield from _alarms(audit, zone)


def _time(audit: Audit, zone: tzinfo) -> str:
    name = zone_name(audit.from_ms, audit.until_ms, zone)
    return f"{moment(audit.from_ms, zone)} to {moment(audit.until_ms, zone)} ({name})"


def _readings(audit: Audit) -> str:
    read = audit.readings
    span_s = max((audit.until_ms - audit.from_ms) / 1000, 0.001)
    said = (
        f"{read.count:,} cover {hours(read.covered_s / 3600)}, "
        f"{share_of(read.covered_s, span_s)}; {read.rejected:,} not trusted, "
        f"{read.failed:,} failed"
    )
    if read.lost_rows:
        said += f"; {counted(read.lost_rows, 'row')} lost"
    return said


def _gaps(audit: Audit, zone: tzinfo) -> str:
    found = audit.readings.gaps
    together = length(sum(gap.until_ms - gap.from_ms for gap in found))
    longest = max(found, key=lambda gap: gap.until_ms - gap.from_ms)
    many = "" if len(found) == 1 else f", together {together}, the longest"
    why = longest.why.replace("_", " ")
    since = moment(longest.from_ms, zone)
    return f"{len(found):,}{many} {lasting(longest)} from {since} ({why})"


def _charge(audit: Audit) -> str:
    soc = audit.soc
    if why := unread(audit):
        return why
    if soc.mean_percent is None:
        return f"{from_to(audit)}, at moments only, which cover no time"
    return (
        f"mean {soc.mean_percent:.0f} %, {from_to(audit)}; "
        f"{hours(soc.hours_above_80_percent)} above 80 %"
    )


def _heat(audit: Audit) -> str:
    heat = audit.temperature
    if heat.mean_c is None or heat.lowest_c is None or heat.highest_c is None:
        said = "no temperature in the log"
        if audit.wear is not None and heat.assumed_c is not None:
            said += f"; the models guess {heat.assumed_c:g} °C"
        return said
    return (
        f"mean {heat.mean_c:.0f} °C, {heat.lowest_c:.0f} to {heat.highest_c:.0f} °C; "
        f"{hours(heat.hours_above_45_c)} at or above {WARM_C:g} °C; sensor "
        f"{heat.sensor or 'not named'}"
    )


def _cycles(audit: Audit) -> str:
    count, *pace = cycled(audit).split(";")
    return ";".join([f"{count} equivalent full cycles (EFC)", *pace])


def _work(audit: Audit) -> Rows:
    made = audit.switchings
    said = switched(audit)
    if made.count:
        said += f"; {effects(made)}"
    yield "switchings", said
    if said := contact(made):
        yield "relay", said


def _cell(audit: Audit) -> Rows:
    found = audit.measured
    said = capacity(found)
    if found.capacity_ah is not None:
        said += f" over {counted(found.swings, 'swing')}"
    if found.design_ah is not None:
        said = f"{said.rstrip('.')}; design {found.design_ah:.2f} Ah"
    yield "capacity", said
    said = found.why_no_resistance
    if found.resistance_ohm is not None:
        steps = counted(len(found.steps), "switching")
        said = f"{milliohm(found.resistance_ohm)}, the median of {steps}, measured"
    yield "resistance", said


def _alarms(audit: Audit, zone: tzinfo) -> Rows:
    """Yield a line for each code: those that stand first, then the longest."""
    by_code: dict[str, list[AlarmSpan]] = {}
    for each in audit.alarms:
        by_code.setdefault(each.code, []).append(each)
    found = sorted(
        by_code.items(),
        key=lambda item: (not _stands(item[1]), -_lasted_ms(item[1], audit.until_ms)),
    )
    shown = found[:ALARMS_MOST]
    if len(found) > ALARMS_MOST:
        shown.pop()
    for place, (code, spans) in enumerate(shown):
        yield "" if place else "alarms", f"{code}: {_told(spans, audit.until_ms, zone)}"
    if rest := found[len(shown) :]:
        yield "", f"and of {len(rest)} other kinds"


def _told(spans: list[AlarmSpan], end_ms: int, zone: tzinfo) -> str:
    often = "once" if len(spans) == 1 else f"{len(spans):,} times"
    lasted = length(_lasted_ms(spans, end_ms))
    since = moment(spans[-1].from_ms, zone)
    last = since if len(spans) == 1 else f"last {since}"
    return f"{often}, {lasted}, {last}" + (", stands" if _stands(spans) else "")


def _stands(spans: list[AlarmSpan]) -> bool:
    return any(each.until_ms is None for each in spans)


def _lasted_ms(spans: list[AlarmSpan], end_ms: int) -> int:
    ends = (end_ms if each.until_ms is None else each.until_ms for each in spans)
    return sum(
        max(end - each.from_ms, 0) for end, each in zip(ends, spans, strict=True)
    )
