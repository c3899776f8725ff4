"""The page of one triage, for a binder: one sheet of A4, with lines to sign on.

Cautions come first here, before the verdict: this page goes where cells are handled.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import tzinfo
from pathlib import Path
from typing import Final

from tidegate.report import triage_said as said
from tidegate.report.cautions import CAUTIONS
from tidegate.report.parts import escape, paragraphs, table
from tidegate.report.triage_pictures import pictures
from tidegate.report.triage_style import styled
from tidegate.triage.limits import LIMITS
from tidegate.triage.result import Triage

_COMMAND: Final = re.compile("`([^`]+)`")
_MANY: Final = 3
_SIGNED: Final = ("Looked at by, date", "Decided by, date", "Done by, date")


def write(triage: Triage, to: Path, *, zone: tzinfo, remark: str = "") -> None:
    """Write a triage as one HTML file. Errors: OSError."""
    # Whatever a station is called, it must not keep the page from being written.
    to.write_text(page(triage, zone, remark=remark), "utf-8", errors="replace")


def page(triage: Triage, zone: tzinfo, *, remark: str = "") -> str:
    """Return the whole page. ``remark`` stands under the verdict."""
    drawn = [] if triage.evidence is None else list(pictures(triage.evidence, zone))
    body = [
        f'<div class="{_sheet(triage)}">',
        cautions(),
        f"<h1>{escape(said.verdict(triage))}</h1>",
        f'<p class="remark">{escape(remark)}</p>' if remark else "",
        *_first(triage),
        "<h2>What to do</h2>",
        listed("ol", triage.steps),
        _figures(drawn),
        "<h2>Numbers</h2>",
        table("numbers", ("what", "value"), list(said.numbers(triage, zone))),
        "<h2>Why</h2>",
        _reasons(triage),
        *_changes(triage),
        '<section class="limits">\n<h2>Limits</h2>',
        paragraphs(f"{each.text} {each.source}" for each in LIMITS),
        "</section>",
        _sign(),
        "</div>",
    ]
    return styled(f"{said.name_of(triage)}: triage", body)


def _sheet(triage: Triage) -> str:
    """Return the class of the sheet: many demands leave its print no room for pictures,
    of which the numbers say the same.
    """
    return "sheet crowded" if len(triage.look_first) > _MANY else "sheet"


def cautions() -> str:
    """Return the cautions as they stand on top."""
    return (
        f'<section class="cautions" aria-label="Cautions">{paragraphs(CAUTIONS)}'
        "</section>"
    )


def listed(kind: str, texts: Iterable[str]) -> str:
    """Return a list; ``kind`` is its element. Commands stand between backticks."""
    items = (_COMMAND.sub(r"<code>\1</code>", escape(text)) for text in texts)
    return f"<{kind}>{''.join(f'<li>{item}</li>' for item in items)}</{kind}>"


def _first(triage: Triage) -> list[str]:
    if not triage.is_provisional:
        return []
    return [
        '<section class="first">\n<h2>Look first</h2>',
        listed("ul", (each.text for each in triage.look_first)),
        "</section>",
    ]


def _figures(drawn: list[str]) -> str:
    if not drawn:
        return ""
    figures = "".join(f"<figure>{each}</figure>" for each in drawn)
    return (
        '<section class="figures">\n<h2>From the log</h2>\n'
        f'<div class="pair">{figures}</div></section>'
    )


def _reasons(triage: Triage) -> str:
    items = "".join(
        f"<li>{escape(each.text)} <code>{escape(each.code)}</code></li>"
        for each in triage.reasons
    )
    return f"<ul>{items}</ul>"


def _changes(triage: Triage) -> list[str]:
    found = [said.change(each) for each in triage.would_change]
    if triage.is_out:
        found = ["No number: only a qualified person who has looked at the pack."]
    if not found:
        return []
    return ["<h2>What would change it</h2>", listed("ul", found)]


def _sign() -> str:
    spans = "".join(f"<span>{escape(each)}</span>" for each in _SIGNED)
    return f'<p class="sign">{spans}</p>'
