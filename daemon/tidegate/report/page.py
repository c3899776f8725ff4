"""A station's report: verdict, picture, numbers, evidence and limits, cautions."""

from __future__ import annotations

from datetime import tzinfo
from pathlib import Path

from tidegate import __version__
from tidegate.report.axis import local, minute
from tidegate.report.cautions import CAUTIONS
from tidegate.report.chart import pictures
from tidegate.report.finding import alternative, evidence, lasted, numbers, verdict
from tidegate.report.parts import document, escape, paragraphs, table
from tidegate.report.story import Story, story
from tidegate.words import alarm_text


def write_report(
    log: Path, station: str, to: Path, *, zone: tzinfo, remark: str = ""
) -> None:
    """Write the report of a station's cycle log as one HTML file.

    ``remark`` stands under the verdict, such as where the data come from.
    Errors: LogError where the log cannot be read or knows no such station, OSError
    where the file cannot be written.
    """
    told = story(log, station)
    # Whatever a station is called, it must not keep the page from being written.
    to.write_text(page(told, zone, remark=remark), "utf-8", errors="replace")


def page(told: Story, zone: tzinfo, *, remark: str = "") -> str:
    """Return the whole page."""
    body = [
        f"<h1>{escape(verdict(told))}</h1>",
        f'<p class="remark">{escape(remark)}</p>' if remark else "",
        f"<figure>{pictures(told, zone, finding=alternative(told, zone))}</figure>",
        "<h2>Numbers</h2>",
        table("numbers", ("what", "value"), numbers(told, zone)),
        "<h2>Alarms</h2>",
        _alarms(told, zone),
        "<h2>Evidence and limits</h2>",
        paragraphs(evidence(told, zone)),
        "<h2>Cautions</h2>",
        paragraphs(CAUTIONS),
        f"<footer>tidegate {escape(__version__)}. Last link of the cycle log: "
        f"{escape(told.head) or 'none'}</footer>",
    ]
    return document(f"{told.station}: charge and supply", body)


def _alarms(told: Story, zone: tzinfo) -> str:
    if not told.alarms:
        return "<p>None.</p>"
    # A year is named only where the times would not be told apart without it.
    years = {local(at_ms, zone).year for at_ms in (told.from_ms, told.until_ms)}
    rows = []
    for span in told.alarms:
        since = minute(span.from_ms, zone)
        year = f" {local(span.from_ms, zone).year}" if len(years) > 1 else ""
        words = f"{alarm_text(span.label)} ({span.label})"
        rows.append((f"{since}{year}", lasted(span), words))
    return table("alarms", ("since", "for", "what it says"), rows)
