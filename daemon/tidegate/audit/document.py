"""An audit as one JSON document, under the stable names of ``audit --json``."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from tidegate.audit.result import Audit, Bin
from tidegate.cyclelog.signing import moment
from tidegate.wear.account import Account

_HOUR_S: Final = 3600.0


def as_document(audit: Audit) -> dict[str, Any]:
    """Return the document. Names keep; times are RFC 3339 in UTC, absent is null."""
    read = audit.readings
    return {
        "station": audit.station,
        "from": moment(audit.from_ms),
        "to": moment(audit.until_ms),
        "readings": read.count,
        "readings_rejected": read.rejected,
        "reads_failed": read.failed,
        "covered_hours": round(read.covered_s / _HOUR_S, 3),
        "gaps": [
            {"from": moment(gap.from_ms), "to": moment(gap.until_ms), "why": gap.why}
            for gap in read.gaps
        ],
        "lost_rows": read.lost_rows,
        "cycles": _cycles(audit),
        "soc": _soc(audit),
        "temperature": _temperature(audit),
        "switchings": _switchings(audit),
        "alarms": [
            {
                "code": each.code,
                "from": moment(each.from_ms),
                "to": None if each.until_ms is None else moment(each.until_ms),
            }
            for each in audit.alarms
        ],
        "commissionings": [
            {
                "at": moment(each.at_ms),
                "verdict": each.verdict,
                "by": each.by,
                "switchings": each.switchings,
            }
            for each in audit.commissionings
        ],
        "wear": _wear(audit),
        "measured": _measured(audit),
        "notes": list(audit.notes),
        "head": {
            "file": str(audit.head.path),
            "link": audit.head.link,
            "number": audit.head.number,
            "row": audit.head.row,
            "at": moment(audit.head.wall_ms),
        },
        "version": audit.version,
    }


def _cycles(audit: Audit) -> dict[str, Any]:
    cycles = audit.cycles
    return {
        "half_cycles": [
            {
                "depth_percent": round(each.depth_percent, 2),
                "mean_percent": round(each.mean_percent, 2),
                "count": each.count,
            }
            for each in cycles.half_cycles
        ],
        "efc": round(cycles.efc, 4),
        "efc_in_gaps": round(cycles.efc_in_gaps, 4),
        "days": round(cycles.days, 4),
        "efc_per_year": _rounded(cycles.efc_per_year, 2),
    }


def _soc(audit: Audit) -> dict[str, Any]:
    soc, marks = audit.soc, audit.marks
    return {
        "mean_percent": _rounded(soc.mean_percent, 2),
        "lowest_percent": soc.lowest_percent,
        "highest_percent": soc.highest_percent,
        "hours_above_80_percent": round(soc.hours_above_80_percent, 3),
        "low_mark_percent": None if marks is None else marks.low_percent,
        "high_mark_percent": None if marks is None else marks.high_percent,
        "in_window_percent": _rounded(soc.in_window_percent, 2),
        "hours_with_window": round(soc.window_s / _HOUR_S, 3),
        "histogram": _bins(soc.histogram, "percent"),
    }


def _temperature(audit: Audit) -> dict[str, Any]:
    heat = audit.temperature
    return {
        "sensor": heat.sensor,
        "mean_c": _rounded(heat.mean_c, 2),
        "lowest_c": heat.lowest_c,
        "highest_c": heat.highest_c,
        "hours_at_or_above_45_c": round(heat.hours_above_45_c, 3),
        "assumed_c": heat.assumed_c,
        "histogram": _bins(heat.histogram, "c"),
    }


def _bins(bins: Sequence[Bin], unit: str) -> list[dict[str, Any]]:
    return [
        {
            f"from_{unit}": each.low,
            f"to_{unit}": each.high,
            "hours": round(each.seconds / _HOUR_S, 4),
        }
        for each in bins
    ]


def _switchings(audit: Audit) -> dict[str, Any]:
    made = audit.switchings
    return {
        "count": made.count,
        "per_day": _rounded(made.per_day, 2),
        "unconfirmed": made.unconfirmed,
        "missing": made.missing,
        "reasons": dict(made.reasons),
        "commissioning": made.proving,
        "repeats": made.repeats,
        "failed": made.failed,
        "unlogged": made.unlogged,
        "operations": made.operations,
        "operations_by_others": made.others,
        "operations_of_log": made.operations_of_log,
        "has_contact": made.has_contact,
        "life": made.life,
        "life_years": _rounded(made.life_years, 2),
    }


def _wear(audit: Audit) -> dict[str, Any]:
    wear = audit.wear
    years, _ = audit.deciding
    return {
        **_losses(wear),
        "days": 0.0 if wear is None else round(wear.days, 4),
        "hold_percent": None if wear is None else wear.hold_percent,
        "chemistry": audit.chemistry,
        "at_this_pace": [
            {"years": each.years, **_losses(each.account)}
            for each in audit.at_this_pace
        ],
        "verdict_years": years,
    }


def _losses(wear: Account | None) -> dict[str, Any]:
    return {
        "models": [
            {
                "name": each.name,
                "loss_percent": round(each.loss_percent, 4),
                "float_loss_percent": round(each.float_loss_percent, 4),
                "hold_loss_percent": round(each.hold_loss_percent, 4),
                "outside": list(each.outside),
                "float_outside": list(each.float_outside),
                "hold_outside": list(each.hold_outside),
                "counts": each.counts,
            }
            for each in (() if wear is None else wear.models)
        ],
        "better_than_float": {
            "k": 0 if wear is None else wear.better,
            "n": 0 if wear is None else wear.of,
        },
    }


def _measured(audit: Audit) -> dict[str, Any]:
    found = audit.measured
    return {
        "capacity_ah": _rounded(found.capacity_ah, 4),
        "capacity_sigma_ah": _rounded(found.capacity_sigma_ah, 4),
        "capacity_sigma_of": found.sigma_of or None,
        "swings": found.swings,
        "why_no_capacity": found.why_no_capacity or None,
        "resistance_ohm": _rounded(found.resistance_ohm, 6),
        "resistance_steps": [
            {
                "at": moment(each.at_ms),
                "ohm": round(each.ohm, 6),
                "soc_percent": each.soc_percent,
                "temperature_c": each.temperature_c,
            }
            for each in found.steps
        ],
        "why_no_resistance": found.why_no_resistance or None,
        "design_ah": found.design_ah,
        "gauge_full_ah": found.gauge_full_ah,
    }


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
