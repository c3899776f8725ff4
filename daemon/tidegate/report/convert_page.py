"""The page of a sizing: cautions, verdict, pictures, numbers, evidence and limits."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final

from tidegate import __version__
from tidegate.eliminator import advice
from tidegate.eliminator.cell import why_aim
from tidegate.eliminator.check import Check
from tidegate.eliminator.ladder import ladder
from tidegate.eliminator.sizing import Sizing
from tidegate.eliminator.usual import usual
from tidegate.report import convert_finding as said
from tidegate.report.cautions import CAUTIONS
from tidegate.report.convert_dip import dip_picture
from tidegate.report.convert_ladder import ROOMS, ladder_picture
from tidegate.report.convert_numbers import numbers
from tidegate.report.convert_tied import tied
from tidegate.report.parts import document, escape, paragraphs, table

_OPTION: Final = re.compile(r"(?<![\w-])--[a-z-]+(?: [0-9.]+[A-Za-z%/]+[0-9]?)?")
_CODE: Final = re.compile(r"`([^`]+)`")


def write(sizing: Sizing, to: Path, *, station: str | None, remark: str = "") -> None:
    """Write a sizing as one HTML file. ``remark`` stands under the verdict.

    Errors: OSError where the file cannot be written.
    """
    text = page(sizing, station=station, remark=remark)
    # Whatever a station is called, it must not keep the page from being written.
    to.write_text(text, "utf-8", errors="replace")


def page(sizing: Sizing, *, station: str | None, remark: str = "") -> str:
    """Return the whole page."""
    name = station or "STATION"
    body = [
        '<section role="note" aria-label="Cautions">',
        "<p><strong>Cautions</strong></p>",
        paragraphs(CAUTIONS),
        "</section>",
        f"<h1>{escape(tied(said.verdict(sizing)))}</h1>",
        f'<p class="remark">Asked: {escape(tied(said.design(sizing)))}.</p>'
        if not sizing.passes
        else "",
        f'<p class="remark">{escape(remark)}</p>' if remark else "",
        *_mend(sizing),
        *_pictures(sizing),
        "<h2>Checks</h2>",
        table(
            "models checks",
            ("check", "outcome", "number", "formula and source"),
            [_row(each) for each in sizing.checks],
        ),
        "<h2>Numbers</h2>",
        table("numbers", ("what", "value"), _tied_rows(numbers(sizing))),
        *_words(sizing),
        "<h2>Then tell tidegate</h2>",
        _paragraphs(advice.THEN),
        f"<p><code>{escape(advice.settings_command(name))}</code></p>",
        "<p>Or in the settings:</p>",
        *(
            f"<p><code>{escape(line)}</code></p>"
            for line in advice.settings_lines(name)
        ),
        f"<footer>{paragraphs([f'tidegate {__version__}.'])}</footer>",
    ]
    title = "Sizing of a battery eliminator"
    return document(f"{station}: {title.lower()}" if station else title, body)


def _paragraphs(texts: tuple[str, ...] | list[str]) -> str:
    """Return one paragraph a text; options and what stands in backticks are code."""
    said = paragraphs(map(tied, texts))
    said = _OPTION.sub(r'<code class="option">\g<0></code>', said)
    return _CODE.sub(r"<code>\1</code>", said)


def _tied_rows(rows: list[tuple[str, str]]) -> list[tuple[str, ...]]:
    return [(what, tied(value)) for what, value in rows]


def _mend(sizing: Sizing) -> list[str]:
    found = [
        f"{each.name}: {'; '.join(each.mend)}."
        for each in (*sizing.failed, *sizing.untold)
        if each.mend
    ]
    return ["<h2>What would mend it</h2>", _paragraphs(found)] if found else []


def _pictures(sizing: Sizing) -> list[str]:
    steps = ladder(sizing)
    seen = said.ladder_seen(sizing)
    drawn = "".join(ladder_picture(steps, room, finding=seen) for room in ROOMS)
    parts = [
        "<h2>Voltage from the source to the cell terminals</h2>",
        f"<figure>{drawn}<figcaption>What is left after each part, down to the terminals "
        "of the cell and the end of the hold-up. A bar is from the lowest to the highest "
        "voltage of the source; dashed is what it is held against.</figcaption></figure>",
    ]
    seen = said.dip_seen(sizing)
    parts.append("<h2>Hold-up</h2>")
    if sizing.dip():
        parts.append(f"<figure>{dip_picture(sizing, finding=seen)}</figure>")
    parts.append(_paragraphs([seen]))
    return parts


def _row(check: Check) -> tuple[str, ...]:
    number = "" if check.value is None else tied(check.said())
    return (
        check.name,
        check.outcome.value,
        number,
        tied(f"{check.formula}. Source: {check.source}."),
    )


def _words(sizing: Sizing) -> list[str]:
    asked = sizing.asked
    parts = [
        "<h2>Evidence</h2>",
        _paragraphs(
            [
                why_aim(asked.cell),
                usual(asked).sentence(),
                f"The source: {asked.source.needs}",
                *asked.notes,
            ]
        ),
    ]
    if asked.assumed:
        taken = f"Taken, as nobody said it: {', '.join(asked.assumed)}."
        parts.append(_paragraphs([taken]))
    return [
        *parts,
        "<h2>To build and try it</h2>",
        _paragraphs(advice.BUILD),
        "<h2>What the device may still ask of a pack</h2>",
        _paragraphs(advice.PACK_ASKS),
        "<h2>Limits</h2>",
        _paragraphs(advice.LIMITS),
    ]
