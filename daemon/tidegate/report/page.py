"""A station's report: verdict, picture, numbers, evidence and limits, cautions."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import tzinfo
from html import escape as escaped
from pathlib import Path
from typing import Final

from tidegate import __version__
from tidegate.report.axis import local, minute
from tidegate.report.cautions import CAUTIONS
from tidegate.report.chart import picture
from tidegate.report.finding import alternative, evidence, lasted, numbers, verdict
from tidegate.report.plot import MEDIUM, NARROW, WIDE
from tidegate.report.story import Story, story
from tidegate.report.style import STYLE
from tidegate.words import alarm_text

# A number is never parted from its unit by the end of a line.
_UNIT: Final = re.compile(r"(?<=\d) (?=(?:%|°C|h|min|s|days)(?![a-z]))")


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
        f"<figure>{_pictures(told, zone)}</figure>",
        "<h2>Numbers</h2>",
        _table("numbers", ("what", "value"), numbers(told, zone)),
        "<h2>Alarms</h2>",
        _alarms(told, zone),
        "<h2>Evidence and limits</h2>",
        *(f"<p>{escape(text)}</p>" for text in evidence(told, zone)),
        "<h2>Cautions</h2>",
        *(f"<p>{escape(text)}</p>" for text in CAUTIONS),
        f"<footer>tidegate {escape(__version__)}. Last link of the cycle log: "
        f"{escape(told.head) or 'none'}</footer>",
    ]
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width,initial-scale=1">\n'
        f"<title>{escape(told.station)}: charge and supply</title>\n"
        # Else a browser asks the server of the page for an icon.
        '<link rel="icon" href="data:,">\n'
        f"<style>{STYLE}</style>\n</head>\n<body>\n<main>\n"
        + "\n".join(part for part in body if part)
        + "\n</main>\n</body>\n</html>\n"
    )


def _pictures(told: Story, zone: tzinfo) -> str:
    """Return the picture in each layout; the page shows the one that fits."""
    finding = alternative(told, zone)
    return "".join(
        picture(told, zone, finding=finding, layout=layout)
        for layout in (WIDE, MEDIUM, NARROW)
    )


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
    return _table("alarms", ("since", "for", "what it says"), rows)


def _table(kind: str, head: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> str:
    """Return a table. The roles keep it one where the style stacks its cells, which
    then carry the head of their column unless there is only one of them.
    """
    labels = [f' data-label="{escape(name)}"' for name in head[1:]]
    if len(labels) == 1:
        labels = [""]
    cells = "".join(
        f'<th scope="col" role="columnheader">{escape(name)}</th>' for name in head
    )
    lines = []
    for row in rows:
        tail = "".join(
            f'<td role="cell"{label}>{escape(value)}</td>'
            for label, value in zip(labels, row[1:], strict=True)
        )
        lines.append(
            f'<tr role="row"><th scope="row" role="rowheader">{escape(row[0])}</th>'
            f"{tail}</tr>"
        )
    return (
        f'<table role="table" class="{kind}"><thead role="rowgroup"><tr role="row">{cells}</tr></thead>'
        f'<tbody role="rowgroup">{"".join(lines)}</tbody></table>'
    )


def escape(text: str) -> str:
    """Return text for a page, with its numbers tied to their units."""
    return _UNIT.sub("\N{NO-BREAK SPACE}", escaped(text))
