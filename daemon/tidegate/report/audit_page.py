"""The page of an audit: verdict, pictures, numbers, evidence and limits, cautions."""

from __future__ import annotations

from datetime import tzinfo
from pathlib import Path

from tidegate.audit.result import Audit
from tidegate.cyclelog.placing import Placing
from tidegate.report import audit_finding as said
from tidegate.report import audit_numbers as rows
from tidegate.report.ahead import deciding, lasting
from tidegate.report.audit_evidence import evidence, models_said, verifying
from tidegate.report.cautions import CAUTIONS
from tidegate.report.chart import pictures
from tidegate.report.histogram import charge_histogram, heat_histogram
from tidegate.report.lanes import ROOMS
from tidegate.report.limits import limits
from tidegate.report.matrix import matrix
from tidegate.report.models import models
from tidegate.report.parts import document, escape, paragraphs, table
from tidegate.report.resistance import resistance
from tidegate.report.story import Story, story
from tidegate.report.switchings import switchings


def write(
    audit: Audit,
    log: Path,
    to: Path,
    *,
    zone: tzinfo,
    remark: str = "",
    placing: Placing | None = None,
) -> None:
    """Write an audit of a cycle log as one HTML file.

    ``remark`` stands under the verdict, such as where the data come from;
    ``placing`` is that of the log's history, if it is known already.
    Errors: LogError where the log cannot be read or knows no such station, OSError
    where the file cannot be written.
    """
    told = story(
        log,
        audit.station,
        since_ms=audit.from_ms,
        until_ms=audit.until_ms,
        placing=placing,
    )
    # Whatever a station is called, it must not keep the page from being written.
    to.write_text(page(audit, told, zone, remark=remark), "utf-8", errors="replace")


def page(audit: Audit, told: Story, zone: tzinfo, *, remark: str = "") -> str:
    """Return the whole page. ``told`` is the story of the same station and time."""
    body = [
        f"<h1>{escape(said.verdict(audit))}</h1>",
        f'<p class="remark">{escape(remark)}</p>' if remark else "",
        *_pictures(audit, told, zone),
        *_numbers(audit, zone),
        *_happened(audit, zone),
        "<h2>Evidence</h2>",
        paragraphs(evidence(audit, told, zone)),
        '<section class="page">\n<h2>Limits</h2>',
        paragraphs(limits(audit)),
        "<h2>Cautions</h2>",
        paragraphs(CAUTIONS),
        "</section>",
        f"<footer>{paragraphs(verifying(audit, zone))}</footer>",
    ]
    return document(f"{audit.station}: audit of the battery", body)


# --- pictures -------------------------------------------------------------------------


def _pictures(audit: Audit, told: Story, zone: tzinfo) -> list[str]:
    seen = said.station_seen(audit, zone)
    parts = [
        "<h2>Charge and supply over time</h2>",
        _figure(pictures(told, zone, finding=seen)),
    ]
    shown = deciding(audit)
    if shown:
        over = lasting(audit)
        seen = said.models_seen(shown[-1][1], over=over)
        drawn = "".join(models(shown, room, finding=seen) for room in ROOMS)
        parts += [f"<h2>Loss by model {over}</h2>", _figure(drawn)]
    parts.append(paragraphs(models_said(audit)))
    pair = [*_of_battery(audit, told), *_of_work(audit, zone)]
    if pair:
        parts.append("<h2>Charge, heat, cycles and relay</h2>")
        parts.append(f'<div class="pair">{"".join(map(_figure, pair))}</div>')
    return parts


def _figure(drawn: str) -> str:
    return f"<figure>{drawn}</figure>"


def _of_battery(audit: Audit, told: Story) -> list[str]:
    parts = []
    if any(each.seconds > 0 for each in audit.soc.histogram):
        seen = said.charge_seen(audit)
        parts.append(charge_histogram(audit.soc.histogram, audit.marks, finding=seen))
    bins = audit.temperature.histogram
    if any(each.seconds > 0 for each in bins):
        seen = said.heat_seen(audit)
        parts.append(heat_histogram(bins, told.policy.hot_c, finding=seen))
    return parts


def _of_work(audit: Audit, zone: tzinfo) -> list[str]:
    parts = []
    if audit.cycles.half_cycles:
        seen = said.cycles_seen(audit)
        parts.append(matrix(audit.cycles.half_cycles, finding=seen))
    made = audit.switchings
    if made.operations or made.reasons:
        parts.append(switchings(made, finding=said.switchings_seen(audit)))
    steps, median = audit.measured.steps, audit.measured.resistance_ohm
    if steps and median is not None:
        parts.append(
            resistance(
                steps,
                median,
                zone,
                from_ms=audit.from_ms,
                until_ms=audit.until_ms,
                finding=said.resistance_seen(audit.measured),
            )
        )
    return parts


# --- tables ---------------------------------------------------------------------------


def _numbers(audit: Audit, zone: tzinfo) -> list[str]:
    parts = [
        "<h2>Numbers</h2>",
        table("numbers", ("what", "value"), rows.overview(audit, zone)),
    ]
    if deciding(audit):
        ahead = " In years: if it goes on like this." if audit.at_this_pace else ""
        parts.append(f"<h3>Loss of capacity by model, estimates.{ahead}</h3>")
        parts.append(table("models", *rows.by_model(audit)))
    parts.append("<h3>Measured, apart from any model</h3>")
    parts.append(table("numbers", ("what", "value"), rows.measured(audit)))
    return [*parts, *_counts(audit)]


def _counts(audit: Audit) -> list[str]:
    """Return the tables behind the small pictures, side by side where there is room."""
    found = [
        ("Cycles by depth", ("depth", "cycles", "EFC"), rows.by_depth_rows(audit)),
        (
            "Time by charge",
            ("charge", "share", "time"),
            rows.by_bin(audit.soc.histogram, "%"),
        ),
        (
            "Time by temperature",
            ("temperature", "share", "time"),
            rows.by_bin(audit.temperature.histogram, "°C"),
        ),
    ]
    tables = [
        f"<div><h3>{title}</h3>{table('counts', head, counted)}</div>"
        for title, head, counted in found
        if counted
    ]
    return [f'<div class="pair">{"".join(tables)}</div>'] if tables else []


def _happened(audit: Audit, zone: tzinfo) -> list[str]:
    parts = []
    reasons = rows.reasons(audit)
    if reasons:
        parts.append("<h2>Reasons of switchings</h2>")
        parts.append(table("reasons", ("reason", "switchings"), reasons))
    gaps, more = rows.gaps(audit, zone)
    parts.append("<h2>Gaps</h2>")
    head = ("from", "for", "why")
    parts.append(table("gaps", head, gaps) if gaps else "<p>None.</p>")
    parts.append(paragraphs([more] if more else []))
    alarms = rows.alarms(audit, zone)
    parts.append("<h2>Alarms</h2>")
    columns = ("what it says", "times", "together", "last began")
    parts.append(table("codes", columns, alarms) if alarms else "<p>None.</p>")
    return parts
