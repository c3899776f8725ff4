"""A triage as one JSON document, under the stable names of ``triage --json``."""

from __future__ import annotations

from datetime import date
from typing import Any

from tidegate.cyclelog.signing import moment
from tidegate.triage.evidence import Evidence
from tidegate.triage.inspection import KEYS, Inspection
from tidegate.triage.limits import LIMITS, Number, band_of
from tidegate.triage.result import Change, Triage


def as_document(triage: Triage, cautions: tuple[str, ...]) -> dict[str, Any]:
    """Return the document. Names keep; absent is null.

    ``cautions`` stand first, as they do for people.
    """
    return {
        "cautions": list(cautions),
        "station": triage.station,
        "answer": triage.answer.value,
        "answer_words": triage.words,
        "provisional": triage.is_provisional,
        "certain": triage.is_certain,
        "look_first": [
            {"key": each.key, "text": each.text} for each in triage.look_first
        ],
        "reasons": [{"code": each.code, "text": each.text} for each in triage.reasons],
        "steps": list(triage.steps),
        "would_change": [_change(each) for each in triage.would_change],
        "evidence": None if triage.evidence is None else _evidence(triage.evidence),
        "without_log": triage.without_log or None,
        "inspection": _inspection(triage.inspection),
        "limits": [
            {"name": each.name, "text": each.text, "source": each.source}
            for each in LIMITS
        ],
    }


def _change(change: Change) -> dict[str, Any]:
    return {
        "answer": change.answer.value,
        "code": change.code,
        "text": change.text or None,
        "lacks": list(change.lacks),
    }


def _inspection(inspection: Inspection) -> dict[str, Any]:
    found = {key: getattr(inspection, key) for key in KEYS}
    return {
        key: value.isoformat() if isinstance(value, date) else value
        for key, value in found.items()
    }


def _evidence(found: Evidence) -> dict[str, Any]:
    return {
        "file": str(found.path),
        "kind": "cycle_log" if found.is_log else "csv",
        "from": moment(found.from_ms) if found.is_calendar else None,
        "to": moment(found.until_ms) if found.is_calendar else None,
        "covered_hours": round(found.covered_s / 3600, 3),
        "unseen_hours": round(found.unseen_s / 3600, 3),
        "capacity": _capacity(found),
        "resistance": _resistance(found),
        "charge": _charge(found),
        "heat": _heat(found),
        "autonomy": _autonomy(found),
        "collapses": _collapses(found),
        "switchings": _switchings(found),
        "alarms_standing": list(found.standing),
        "alarms_ever": list(found.ever),
        "window": None
        if found.marks is None
        else {
            "low_percent": found.marks.low_percent,
            "high_percent": found.marks.high_percent,
        },
        "floor_percent": found.floor_percent,
        "battery_fitted": found.fitted,
        "chemistry": found.chemistry,
    }


def _collapses(found: Evidence) -> list[dict[str, Any]]:
    return [
        {
            "at": moment(each.at_ms) if found.is_calendar else None,
            "cell_v": round(each.cell_v, 3),
            "soc_percent": each.soc_percent,
        }
        for each in found.collapses
    ]


def _capacity(found: Evidence) -> dict[str, Any]:
    made = found.measured
    return {
        "capacity_ah": _rounded(made.capacity_ah, 4),
        "capacity_sigma_ah": _rounded(made.capacity_sigma_ah, 4),
        "swings": made.swings,
        "design_ah": made.design_ah,
        "gauge_full_ah": made.gauge_full_ah,
        "why_not": made.why_no_capacity or None,
    }


def _resistance(found: Evidence) -> dict[str, Any]:
    moved, made = found.trend, found.measured
    document: dict[str, Any] = {
        "median_ohm": _rounded(made.resistance_ohm, 6),
        "steps": len(made.steps),
        "why_not": made.why_no_resistance or None,
        "trend": None,
        "why_no_trend": found.why_no_trend or None,
    }
    if moved is not None:
        document["trend"] = {
            "start_ohm": round(moved.start_ohm, 6),
            "start_sigma_ohm": round(moved.start_sigma_ohm, 6),
            "end_ohm": round(moved.end_ohm, 6),
            "end_sigma_ohm": round(moved.end_sigma_ohm, 6),
            "ratio": _bounds(moved.ratio),
            "growth_percent_per_year": round(100 * moved.per_year, 2),
            "days": moved.days,
            "normalised_by_temperature": moved.by_heat,
            "normalised_by_charge": moved.by_charge,
        }
    return document


def _charge(found: Evidence) -> dict[str, Any]:
    soc = found.soc
    return {
        "mean_percent": _rounded(soc.mean_percent, 2),
        "hours_above_80_percent": round(soc.hours_above_80_percent, 3),
        "hours_at_or_above_95_percent": round(found.full_hours, 3),
        "share_above_80_percent": _bounds(found.high_share),
    }


def _heat(found: Evidence) -> dict[str, Any]:
    heat = found.temperature
    return {
        "sensor": heat.sensor,
        "mean_c": _rounded(heat.mean_c, 2),
        "highest_c": heat.highest_c,
        "last_c": found.last_c,
        "hours_at_or_above_45_c": round(heat.hours_above_45_c, 3),
        "share_at_or_above_45_c": _bounds(found.warm_share),
        "jeita_band_of_highest": None
        if heat.highest_c is None
        else band_of(heat.highest_c),
    }


def _autonomy(found: Evidence) -> dict[str, Any] | None:
    made = found.autonomy
    if made is None:
        return None
    return {
        "rate_percent_per_h": _bounds(made.rate),
        "hours_from_full_to_floor_h": _bounds(made.hours),
        "falls": made.runs,
        "widest_percent": made.widest_percent,
    }


def _switchings(found: Evidence) -> dict[str, Any] | None:
    made = found.switchings
    if made is None:
        return None
    return {
        "count": made.count,
        "missing": made.missing,
        "unconfirmed": made.unconfirmed,
        "failed": made.failed,
    }


def _bounds(number: Number | None) -> dict[str, float] | None:
    if number is None:
        return None
    return {
        "value": round(number.value, 4),
        "low": round(number.low, 4),
        "high": round(number.high, 4),
    }


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
