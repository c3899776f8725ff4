"""The text of ``tidegate triage``, at 80 columns; cautions first, then the verdict."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import tzinfo
from typing import Final

from tidegate.cli.paragraphs import wrapped
from tidegate.report import triage_said as said
from tidegate.report.cautions import CAUTIONS
from tidegate.triage.result import Triage
from tidegate.words import visible

WIDTH: Final = 79
_LABEL: Final = 13


def lines(triage: Triage, zone: tzinfo) -> Iterator[str]:
    """Yield the whole text; nothing in it commands a terminal."""
    for line in _lines(triage, zone):
        yield visible(line)


def _lines(triage: Triage, zone: tzinfo) -> Iterator[str]:
    for caution in CAUTIONS:
        yield from _wrapped(caution)
    yield ""
    yield from _wrapped(said.verdict(triage))
    if triage.look_first:
        yield ""
        yield "Look first:"
        for each in triage.look_first:
            yield from _item(f"{each.text} ({each.key})")
    yield ""
    yield "What to do:"
    for number, step in enumerate(triage.steps, start=1):
        yield from _wrapped(step, first=f"{number}. ", rest="   ")
    yield ""
    for label, value in said.numbers(triage, zone):
        first = f"  {label:<{_LABEL}}"
        yield from _wrapped(value, first=first, rest=" " * len(first))
    yield ""
    yield "Why:"
    for reason in triage.reasons:
        yield from _item(f"{reason.text} ({reason.code})")
    yield from _changes(triage)
    yield ""
    yield from _wrapped("Limits and where they come from: --html, --json.")


def _changes(triage: Triage) -> Iterator[str]:
    found = [said.change(each) for each in triage.would_change]
    if triage.is_out:
        found = ["No number: only a qualified person who has looked at the pack."]
    if found:
        yield ""
        yield "What would change it:"
    for each in found:
        yield from _item(each)


def _item(text: str) -> list[str]:
    return _wrapped(text, first="- ", rest="  ")


def _wrapped(text: str, *, first: str = "", rest: str = "") -> list[str]:
    return wrapped(text, WIDTH, first=first, rest=rest)
