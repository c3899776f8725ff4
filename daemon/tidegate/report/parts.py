"""What every page is made of: its frame, its tables, text that is safe to show."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from html import escape as escaped
from typing import Final

from tidegate.report.style import STYLE
from tidegate.words import visible

# A number is never parted from its unit by the end of a line.
_UNIT: Final = re.compile(r"(?<=\d) (?=(?:%|°C|h|min|s|days|mΩ|Ah)(?![a-zA-Z]))")


def escape(text: str) -> str:
    """Return text for a page, its numbers tied to their units.

    What would turn its writing round or is no text at all is spelled out: whoever
    names a station must not be able to turn a sentence round.
    """
    return _UNIT.sub("\N{NO-BREAK SPACE}", escaped(visible(text)))


def document(title: str, body: Iterable[str]) -> str:
    """Return a whole page. ``body`` holds elements; empty ones are left out."""
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width,initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n"
        # Else a browser asks the server of the page for an icon.
        '<link rel="icon" href="data:,">\n'
        f"<style>{STYLE}</style>\n</head>\n<body>\n<main>\n"
        + "\n".join(part for part in body if part)
        + "\n</main>\n</body>\n</html>\n"
    )


def paragraphs(texts: Iterable[str]) -> str:
    """Return one paragraph a text."""
    return "\n".join(f"<p>{escape(text)}</p>" for text in texts)


def table(kind: str, head: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> str:
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
        f'<table role="table" class="{kind}"><thead role="rowgroup">'
        f'<tr role="row">{cells}</tr></thead>'
        f'<tbody role="rowgroup">{"".join(lines)}</tbody></table>'
    )
