"""Plain text -> man(7) source that every formatter reads the same.

Sources: man(7), groff_char(7), mandoc_char(7).
"""

from __future__ import annotations

import re

_CODE = re.compile(r"`([^`]+)`")


def escaped(text: str) -> str:
    """Return text with nothing left that a formatter would take for its own.

    A plain hyphen would be printed as a typographic one and could not be copied;
    what is not ASCII is named by its number, for formatters of any locale.
    """
    found = text.replace("\\", "\\e").replace("-", "\\-").replace("~", "\\(ti")
    found = found.replace("^", "\\(ha").replace("'", "\\(aq").replace("`", "\\(ga")
    return "".join(
        each if ord(each) < 128 else f"\\[u{ord(each):04X}]" for each in found
    )


def line(text: str) -> str:
    """Return one line of text that no formatter takes for a request."""
    parts = _CODE.split(text)
    found = "".join(
        f"\\fB{escaped(part)}\\fR" if index % 2 else escaped(part)
        for index, part in enumerate(parts)
    )
    return f"\\&{found}" if found.startswith((".", "\\(aq")) else found


def bold(text: str) -> str:
    """Return what is typed as it stands."""
    return f"\\fB{escaped(text)}\\fR"


def italic(text: str) -> str:
    """Return what stands for something else."""
    return f"\\fI{escaped(text)}\\fR"


def section(title: str, *body: str) -> str:
    """Return a section; an empty one is nothing."""
    inside = "\n".join(each for each in body if each).removeprefix(".PP\n")
    return f".SH {title}\n{inside}" if inside else ""


def paragraphs(*texts: str) -> str:
    """Return texts as paragraphs that the formatter fills."""
    return "\n.PP\n".join(line(" ".join(text.split())) for text in texts)


def as_typed(text: str) -> str:
    """Return lines that stay as they are, indented."""
    lines = text.splitlines()
    margin = min(len(each) - len(each.lstrip()) for each in lines if each.strip())
    return "\n".join(
        [".PP", ".RS 4", ".nf", *(line(each[margin:]) for each in lines), ".fi", ".RE"]
    )


def terms(rows: list[tuple[str, str]]) -> str:
    """Return a list of terms, already roff, each with its text."""
    return "\n".join(
        f".TP\n{term}\n{line(' '.join(text.split()))}" for term, text in rows
    )
