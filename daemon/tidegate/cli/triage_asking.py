"""The questions of an inspection at the terminal, safety first.

A sign ends them at once. Each answer is kept before the next question is asked.
"""

from __future__ import annotations

import sys
import termios
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any, Final

import click

from tidegate.cli.exits import fail
from tidegate.cli.options import say
from tidegate.cli.paragraphs import wrapped
from tidegate.report.cautions import CAUTIONS
from tidegate.triage.form import filled_form
from tidegate.triage.inspection import SIGNS, Inspection, Told
from tidegate.triage.questions import QUESTION, NotThis, Question

WIDTH: Final = 79
# The rest is in the form: it needs a label, an instrument or a clock.
_ALSO: Final = (
    "died_on_battery",
    "always_fed",
    "holds_itself",
    "autonomy_wanted_h",
    "may_run_without_battery",
    "battery_available",
    "age_years",
    "by",
)


def asked(station: str | None, today: date, save: Path | None) -> Inspection:
    """Ask and return what was answered.

    Errors: click.Abort where the person leaves, click.UsageError where ``save`` is
    there already, OSError where it cannot be written.
    """
    found = Inspection(station=station, on=today)
    if save is not None:
        _begun(save, found)
    _introduced()
    try:
        return _all(found, save)
    finally:
        # Whoever leaves half-way finds the rest there, too.
        say("" if save is None else f"\nKept in {save}.\n")


def _all(found: Inspection, save: Path | None) -> Inspection:
    for question in _questions():
        if question.key == "holds_itself" and found.always_fed is Told.NO:
            continue
        value = _answer(question)
        if value is not None:
            changed: dict[str, Any] = {question.key: value}
            found = replace(found, **changed)
            if save is not None:
                _kept(found, save)
        if found.signs():
            say("\nThat ends the questions.")
            break
    return found


def _kept(found: Inspection, save: Path) -> None:
    """Write the answers so far. A disk that is full hides no sign. Errors: OSError."""
    try:
        save.write_text(filled_form(found), "utf-8")
    except OSError as error:
        if not found.signs():
            raise
        fail(error)


def _questions() -> Iterator[Question]:
    for key in (*SIGNS, *_ALSO):
        yield QUESTION[key]


def _begun(save: Path, found: Inspection) -> None:
    try:
        with save.open("x", encoding="utf-8") as stream:
            stream.write(filled_form(found))
    except FileExistsError as error:
        raise click.UsageError(
            f"{save} is there already, and what it holds is not written over."
        ) from error


def _introduced() -> None:
    for caution in CAUTIONS:
        _said(caution)
    say("")
    _said(
        "Answer y, n or ? for what you do not know; Enter is ?. Ctrl-C leaves. Safety "
        "comes first."
    )


def _answer(question: Question) -> Any:
    """Return the answer, ``None`` where a number or text is not known."""
    say("")
    _said(question.asks)
    if question.looks:
        _said(question.looks, first="  ", rest="  ")
    while True:
        text = _typed("[y/n/?] " if question.kind == "told" else "[Enter: not known] ")
        if not text:
            return Told.UNKNOWN if question.kind == "told" else None
        try:
            return question.read(text)
        except NotThis as error:
            say(f"Allowed is {error}.")


def _typed(prompt: str) -> str:
    """Return a line from the terminal. Errors: click.Abort at its end."""
    with suppress(termios.error):
        # What was typed ahead is no answer to a question that nobody had read.
        termios.tcflush(sys.stdin, termios.TCIFLUSH)
    click.echo(prompt, err=True, nl=False)
    line = sys.stdin.readline()
    if not line:
        raise click.Abort
    return line.strip()


def _said(text: str, *, first: str = "", rest: str = "") -> None:
    for line in wrapped(text, WIDTH, first=first, rest=rest):
        say(line)
