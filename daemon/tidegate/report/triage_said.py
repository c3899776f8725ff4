"""What a triage comes to, in sentences and in numbers with their units."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import tzinfo
from typing import Final

from tidegate.report.audit_finding import hours, length, milliohm
from tidegate.report.axis import local, zone_name
from tidegate.report.finding import counted
from tidegate.triage.evidence import Evidence
from tidegate.triage.inspection import SIGNS
from tidegate.triage.limits import (
    LEAST_CAPACITY,
    MOST_HIGH_SHARE,
    MOST_WARM_SHARE,
    SIGMAS,
    Number,
    band_of,
)
from tidegate.triage.result import WORDS, Change, Triage
from tidegate.triage.trend import Trend
from tidegate.words import alarm_text

Rows = Iterator[tuple[str, str]]

NAMELESS: Final = "this device"


def name_of(triage: Triage) -> str:
    """Return what the device is called."""
    return triage.station or NAMELESS


def verdict(triage: Triage) -> str:
    """Return the answer in a sentence or two; a demand comes before it."""
    name = name_of(triage)
    if triage.is_out:
        return f"{name}: {triage.words}. {triage.reasons[0].text}"
    if triage.is_provisional:
        demands = counted(len(triage.look_first), "demand")
        return (
            f"{name}: look first, before anything else ({demands}). Until then "
            f"“{triage.words}” is provisional, and nobody has said that it is safe."
        )
    said = f"{name}: {triage.words}. {why(triage)}"
    if not triage.is_certain:
        said += " Not certain: see what would change it."
    return said


def why(triage: Triage) -> str:
    """Return what weighs most: the first demand, else the first reason; of a worn
    battery also what shows that it is.
    """
    if triage.is_provisional:
        demands = counted(len(triage.look_first), "demand")
        return f"{demands}: {triage.look_first[0].text}"
    first, *more = triage.reasons
    if first.code.startswith("worn_") and more:
        return f"{first.text} {more[0].text}"
    return first.text


def change(each: Change) -> str:
    """Return what would turn the answer, as a sentence."""
    words = WORDS[each.answer]
    if each.lacks:
        at = f" (it turns with {each.text})" if each.text else ""
        return f"“{words}” is not ruled out{at}. It lacks: {'; '.join(each.lacks)}."
    return f"“{words}” with {each.text}."


# --- numbers --------------------------------------------------------------------------


def numbers(triage: Triage, zone: tzinfo) -> Rows:
    """Yield label and value: the inspection, then what the log holds."""
    yield "inspection", _inspection(triage)
    found = triage.evidence
    if found is None:
        yield "log", f"none: {triage.without_log or 'none was named'}"
        return
    yield "log", _log(found, zone)
    yield "capacity", _capacity(found)
    yield "resistance", _resistance(found)
    yield "charge", _charge(found)
    yield "heat", _heat(found)
    yield "autonomy", _autonomy(triage, found)
    if found.collapses:
        yield "voltage", _collapses(found)
    if found.switchings is not None:
        made = found.switchings
        yield (
            "switchings",
            f"{made.count:,}; {made.missing:,} without effect, {made.unconfirmed:,} "
            f"not confirmed, {made.failed:,} not taken by the relay",
        )
        told = (f"{alarm_text(code)} ({code})" for code in found.standing)
        yield "alarms", " ".join(told) or "none stands"
    if found.marks is not None:
        yield (
            "window",
            f"{found.marks.low_percent:g} to {found.marks.high_percent:g} % in force",
        )


def _inspection(triage: Triage) -> str:
    told = triage.inspection
    seen = len(SIGNS) - len(told.unseen())
    parts = [f"{seen} of {len(SIGNS)} signs looked at"]
    if told.on is not None:
        parts.append(f"on {told.on.isoformat()}")
    if told.by:
        parts.append(f"by {told.by}")
    said = " ".join(parts)
    if told.age_years is not None:
        said += f"; battery {told.age_years:g} years old"
    if told.full_years is not None:
        said += f", {told.full_years:g} of them full"
    if told.notes:
        said += f"; “{told.notes}”"
    return said


def _log(found: Evidence, zone: tzinfo) -> str:
    read = length(1000 * found.covered_s)
    said = f"{found.path.name}: {read} read"
    if found.unseen_s >= 60:
        said += f", {length(1000 * found.unseen_s)} not seen"
    if not found.is_calendar:
        return f"{said}; no dates"
    days = [
        local(at, zone).strftime("%Y-%m-%d") for at in (found.from_ms, found.until_ms)
    ]
    zoned = zone_name(found.from_ms, found.until_ms, zone)
    return f"{said}, {days[0]} to {days[1]} ({zoned})"


def _capacity(found: Evidence) -> str:
    made = found.measured
    if made.capacity_ah is None:
        said = f"not measured: {_clause(made.why_no_capacity)}"
        if made.gauge_full_ah is not None and made.design_ah is not None:
            said += (
                f"; the gauge believes in {made.gauge_full_ah:.2f} of "
                f"{made.design_ah:.2f} Ah"
            )
        return said
    half = SIGMAS * (made.capacity_sigma_ah or 0.0)
    said = f"{made.capacity_ah:.2f} ± {half:.2f} Ah over {_swings(made.swings)}"
    if made.design_ah is None:
        return f"{said}; the rated one is not known"
    percent = 100 * made.capacity_ah / made.design_ah
    return (
        f"{said}, {percent:.0f} % of {made.design_ah:.2f} Ah; limit "
        f"{LEAST_CAPACITY * made.design_ah:.2f} Ah"
    )


def _swings(count: int) -> str:
    return counted(count, "swing")


def _resistance(found: Evidence) -> str:
    moved, made = found.trend, found.measured
    if moved is None:
        if made.resistance_ohm is None:
            return f"not measured: {_clause(made.why_no_resistance)}"
        return (
            f"{milliohm(made.resistance_ohm)}, the median of "
            f"{counted(len(made.steps), 'step')}; no trend: "
            f"{_clause(found.why_no_trend)}"
        )
    return (
        f"{1000 * moved.start_ohm:.0f} ± {2000 * moved.start_sigma_ohm:.0f} mΩ at first, "
        f"{1000 * moved.end_ohm:.0f} ± {2000 * moved.end_sigma_ohm:.0f} mΩ at last "
        f"({brought_to(moved).strip() or 'warmth and charge hardly moved'}), {moved.ratio.value:.2f} times "
        f"({moved.ratio.low:.2f} to {moved.ratio.high:.2f}) within "
        f"{moved.years * 365:.0f} days; limit 2 times that when new"
    )


def brought_to(moved: Trend) -> str:
    """Return at what a trend is, of what moved in the log, with a space after it."""
    pairs = ((moved.by_heat, "25 °C"), (moved.by_charge, "60 %"))
    taken = [name for is_taken, name in pairs if is_taken]
    return f"at {' and '.join(taken)} " if taken else ""


def _charge(found: Evidence) -> str:
    soc, share = found.soc, found.high_share
    if soc.mean_percent is None or share is None:
        return "none that can be trusted"
    return (
        f"mean {soc.mean_percent:.0f} %; {hours(soc.hours_above_80_percent)} above 80 %, "
        f"{_share(share)} of the time; {hours(found.full_hours)} at or above 95 %; limit "
        f"{100 * MOST_HIGH_SHARE:.0f} %"
    )


def _heat(found: Evidence) -> str:
    heat, share = found.temperature, found.warm_share
    if heat.mean_c is None or heat.highest_c is None or share is None:
        return "no temperature in the log"
    return (
        f"mean {heat.mean_c:.0f} °C, highest {heat.highest_c:.0f} °C (JEITA: "
        f"{band_of(heat.highest_c)}); {hours(heat.hours_above_45_c)} at or above 45 °C, "
        f"{_share(share)} of the time; limit {100 * MOST_WARM_SHARE:.0f} %"
    )


def _share(share: Number) -> str:
    percents = [_percent(each) for each in (share.value, share.low, share.high)]
    if percents[1] == percents[2]:
        return percents[0]
    return f"{percents[0]} ({percents[1]} to {percents[2]})"


def _percent(share: float) -> str:
    percent = 100 * share
    return f"{percent:.0f} %" if percent >= 9.95 or percent == 0 else f"{percent:.1f} %"


def _autonomy(triage: Triage, found: Evidence) -> str:
    made, wanted = found.autonomy, triage.inspection.autonomy_wanted_h
    asked = "" if wanted is None else f"; wanted {wanted:g} h"
    if triage.inspection.autonomy_seen_h is not None:
        asked = f"; {triage.inspection.autonomy_seen_h:g} h by the clock{asked}"
    if made is None:
        return f"no fall of the charge without supply{asked}"
    return (
        f"{made.hours.value:.1f} h ({made.hours.low:.1f} to {made.hours.high:.1f}) from "
        f"full to {made.floor_percent:g} %, at {made.rate.value:.1f} %/h over "
        f"{counted(made.runs, 'fall')}, the widest of {made.widest_percent:.0f} points"
        f"{asked}"
    )


def _collapses(found: Evidence) -> str:
    worst = min(found.collapses, key=lambda each: each.cell_v)
    return (
        f"{worst.cell_v:.2f} V a cell at {worst.soc_percent:.0f} %, the lowest of "
        f"{counted(len(found.collapses), 'collapse')}"
    )


def _clause(sentence: str) -> str:
    said = sentence.rstrip(".") or "nothing tells why"
    return said[:1].lower() + said[1:]
