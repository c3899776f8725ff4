"""The answer as a JSON document, with units in its keys."""

from __future__ import annotations

from typing import Any

from tidegate.clock import rfc3339
from tidegate.taper.curve import Part
from tidegate.taper.evidence import Evidence
from tidegate.taper.finding import Finding, Judged
from tidegate.taper.meaning import confidence_said, meaning, next_steps
from tidegate.taper.measured import Measured
from tidegate.taper.missing import missing


def as_document(finding: Finding) -> dict[str, Any]:
    """Return the document. Absent is null."""
    return {
        "station": finding.station or None,
        "verdict": finding.verdict.value,
        "confidence": None if finding.confidence is None else finding.confidence.value,
        "confidence_means": confidence_said(finding) or None,
        "evidence": [_evidence(each) for each in finding.evidence],
        "charges": [_charge(each, finding) for each in finding.charges],
        "charges_found": finding.found,
        "missing": missing(finding),
        "meaning": meaning(finding),
        "next": next_steps(finding),
    }


def _evidence(each: Evidence) -> dict[str, Any]:
    return {
        "sign": each.sign.value,
        "points_to": each.points_to.value,
        "weight": each.weight,
        "figures": {key: _rounded(value) for key, value in each.figures.items()},
        "text": each.text,
    }


def _charge(each: Judged, finding: Finding) -> dict[str, Any]:
    measured, charge = each.measured, each.measured.charge
    is_calendar = finding.series.is_calendar
    return {
        "from": rfc3339(charge.from_ms) if is_calendar else None,
        "to": rfc3339(charge.until_ms) if is_calendar else None,
        "from_s": None if is_calendar else charge.from_ms / 1000,
        "to_s": None if is_calendar else charge.until_ms / 1000,
        "start_percent": charge.start_percent,
        "end_percent": charge.top_percent,
        "is_the_best": each is finding.best,
        "hours_by_fifth": _hours(measured, 20),
        "hours_by_tenth": _hours(measured, 10),
        "last_fifth_to_percent": measured.end_percent
        if measured.last_fifth_h
        else None,
        "ratio_last_fifth_to_fifth_before": _rounded(measured.ratio),
        "rate_percent_h": _rounded(measured.rate_percent_h),
        "current_a": _rounded(measured.plateau_a),
        "falls_at_percent": measured.shape.falls_at_percent,
        "voltage_held_from_percent": measured.shape.held_from_percent,
        "voltage_held_h": _rounded(measured.shape.held_h),
        "voltage_change_v": _rounded(measured.shape.voltage_change_v),
        "outside_normal_temperature_share": _rounded(measured.shape.heat_share),
        "rests": measured.rests,
        "gaps": len(charge.gaps),
        "parts": [_part(part) for part in measured.curve.parts],
    }


def _part(part: Part) -> dict[str, Any]:
    return {
        "low_percent": part.low_percent,
        "high_percent": part.high_percent,
        "hours": _rounded(part.hours),
        "sigma_h": _rounded(part.sigma_h),
        "rate_percent_h": _rounded(part.rate_percent_h),
        "current_a": _rounded(part.current_a),
        "voltage_v": _rounded(part.voltage_v),
        "power_w": _rounded(part.power_w),
        "temperature_c": _rounded(part.temperature_c),
    }


def _hours(measured: Measured, step: int) -> dict[str, float | None]:
    """Return the hours of each piece; of the last one up to where it was seen."""
    top = measured.end_percent
    found: dict[str, float | None] = {}
    for low in range(0, 100, step):
        high = low + step
        end = top if high == 100 and measured.is_full else float(high)
        found[f"{low}-{high}"] = _rounded(measured.curve.hours(float(low), end))
    return found


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 3)
