"""The page of a taper answer: verdict, picture, numbers, evidence, limits, cautions."""

from __future__ import annotations

from datetime import tzinfo
from pathlib import Path
from typing import Final

from tidegate.report import taper_rows as rows
from tidegate.report.cautions import CAUTIONS
from tidegate.report.parts import document, escape, paragraphs, table
from tidegate.report.taper_picture import ROOMS, charge_over_level
from tidegate.taper.finding import Finding, Judged
from tidegate.taper.meaning import confidence_said, headline, meaning, next_steps
from tidegate.taper.missing import missing

LIMITS: Final = (
    "The level is what the gauge reports; a gauge that never sees the battery full or "
    "empty drifts, and its last percents may be guessed.",
    "The band is a range of cells and chargers, no measurement of this one: resistance "
    "times capacity from 0.1 to 1.2 Ohm Ah, end current from a tenth to a fiftieth of "
    "the capacity; engineering choices, no source.",
    "The signs (a voltage that falls by 0.2 to 0.4 V from mid charge on, a current that "
    "falls early, 10 to 12 h from 80 to 100 %) are common practice, no source.",
    "Uncertainties are those of the times of reads alone.",
    "The error rates are those of invented devices with a strong taper or with none; a "
    "mild one may be called either.",
    "Whoever uses the device more and more while it charges, or a supply that gives less "
    "and less, makes the same picture as a taper.",
)


def write(finding: Finding, to: Path, *, zone: tzinfo) -> None:
    """Write the answer as one HTML file. Errors: OSError."""
    to.write_text(page(finding, zone), "utf-8", errors="replace")


def page(finding: Finding, zone: tzinfo) -> str:
    """Return the whole page."""
    best = finding.best
    lacks = missing(finding)
    body = [
        f"<h1>{escape(headline(finding))}</h1>",
        f'<p class="remark">{escape(confidence_said(finding))}</p>'
        if finding.confidence
        else "",
        *([] if best is None else _picture(best)),
        "<h2>What it means</h2>",
        paragraphs([*meaning(finding), *next_steps(finding)]),
        *([] if best is None else _numbers(finding, best, zone)),
        *(["<h2>Missing</h2>", paragraphs(lacks)] if lacks else []),
        "<h2>Limits</h2>",
        paragraphs(LIMITS),
        "<h2>Cautions</h2>",
        paragraphs(CAUTIONS),
    ]
    return document(f"{finding.station or 'A device'}: does it taper?", body)


def _picture(best: Judged) -> list[str]:
    seen = alternative(best)
    drawn = "".join(
        charge_over_level(best.measured, room, finding=seen) for room in ROOMS
    )
    return ["<h2>How fast it charged at each level</h2>", f"<figure>{drawn}</figure>"]


def alternative(best: Judged) -> str:
    """Return what the picture shows, for whoever does not see it."""
    measured = best.measured
    said = [
        f"At first {measured.rate_percent_h:.0f} % an hour.",
        *(f"{row[0]}: {row[1]}, {row[2]}." for row in rows.by_fifth(measured)),
    ]
    if measured.reference_h is not None:
        said.append(
            "Constant current then constant voltage would take "
            f"{measured.reference_h:.1f} h at most for the last of these."
        )
    return " ".join(said)


def _numbers(finding: Finding, best: Judged, zone: tzinfo) -> list[str]:
    fifths = rows.by_fifth(best.measured)
    head = ("level", "time", "rate", "current", "voltage", "power", "temperature")
    kept = [i for i in range(len(head)) if i < 3 or any(row[i] for row in fifths)]
    parts = [
        "<h2>Numbers</h2>",
        table("numbers", ("what", "value"), rows.overview(finding, best, zone)),
        "<h3>By fifth of the charge, as far as it was seen</h3>",
        table(
            "counts",
            tuple(head[i] for i in kept),
            [tuple(row[i] for i in kept) for row in fifths],
        ),
        "<h2>Evidence</h2>",
        table("codes", ("what was seen", "points"), _evidence(finding)),
    ]
    if len(finding.charges) > 1:
        columns = ("charge", "from, to", "last fifth", "at first", "points")
        parts.append("<h3>All charges that were looked at</h3>")
        parts.append(table("counts", columns, rows.by_charge(finding, zone)))
    return parts


def _evidence(finding: Finding) -> list[tuple[str, ...]]:
    return [(each.text, rows.WAYS[each.points_to]) for each in finding.evidence]
