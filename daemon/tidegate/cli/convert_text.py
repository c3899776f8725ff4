"""The text of ``tidegate convert``, at 79 columns: cautions, verdict, checks, numbers."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final

from tidegate.cli.paragraphs import wrapped
from tidegate.eliminator import advice
from tidegate.eliminator.cell import why_aim
from tidegate.eliminator.check import Check
from tidegate.eliminator.sizing import Sizing
from tidegate.eliminator.usual import usual
from tidegate.report.cautions import CAUTIONS
from tidegate.report.convert_finding import verdict
from tidegate.report.convert_numbers import numbers
from tidegate.report.convert_tied import tied
from tidegate.words import visible

WIDTH: Final = 79
_OUTCOME: Final = 16


def lines(sizing: Sizing, *, station: str | None) -> Iterator[str]:
    """Yield the whole text; nothing in it commands a terminal."""
    for line in _lines(sizing, station or "STATION"):
        yield visible(line)


def _lines(sizing: Sizing, station: str) -> Iterator[str]:
    asked = sizing.asked
    yield "Cautions:"
    for text in CAUTIONS:
        yield from _item(text)
    yield ""
    yield from _wrapped(verdict(sizing))
    for check in sizing.checks:
        yield ""
        yield from _check(check)
    yield from _section(
        "Numbers", (f"{what}: {said}" for what, said in numbers(sizing))
    )
    yield from _section(
        "Why this output", (why_aim(asked.cell), usual(asked).sentence())
    )
    yield from _section("The source", (asked.source.needs, *asked.notes))
    if asked.assumed:
        yield from _section("Taken, as nobody said it", [", ".join(asked.assumed)])
    yield from _section("To build and try it", advice.BUILD)
    yield from _section("What the device may still ask of a pack", advice.PACK_ASKS)
    yield from _section("What no number here tells", advice.LIMITS)
    yield from _section("Then tell tidegate", advice.THEN)
    yield ""
    yield f"  {advice.settings_command(station)}"
    yield ""
    yield "or in the settings:"
    yield ""
    for line in advice.settings_lines(station):
        yield f"  {line}"


def _check(check: Check) -> Iterator[str]:
    first, rest = f"{check.outcome.value:<{_OUTCOME}}", " " * _OUTCOME
    said = "" if check.value is None else f": {check.said()}"
    yield from _wrapped(f"{check.name}{said}", first=first, rest=rest)
    yield from _wrapped(check.formula, first=rest, rest=rest)
    yield from _wrapped(f"Source: {check.source}", first=rest, rest=rest)
    for each in check.mend:
        yield from _wrapped(f"To mend: {each}", first=rest, rest=rest)


def _section(title: str, texts: Iterable[str]) -> Iterator[str]:
    yield ""
    yield f"{title}:"
    for text in texts:
        yield from _item(text)


def _item(text: str) -> list[str]:
    return _wrapped(text, first="- ", rest="  ")


def _wrapped(text: str, *, first: str = "", rest: str = "") -> list[str]:
    return wrapped(tied(text), WIDTH, first=first, rest=rest)
