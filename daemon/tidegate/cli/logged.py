"""The stations of a log, for commands that need no settings."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from tidegate.words import visible

if TYPE_CHECKING:
    from tidegate.cyclelog.whole import WholeLog


def stations_named(log: WholeLog, named: str | None) -> list[str]:
    """Return the station named, or all that have settings in the log.

    Errors: click.UsageError for a name that is not in it, LogError.
    """
    return picked(named, log.stations, log.last.path)


def one_of(named: str | None, known: Sequence[str], path: Path) -> str | None:
    """Return the one station to read of a log or a file of readings.

    What is named where the file names none (made by hand, of one device), so ``None``
    where nothing is. Errors: click.UsageError for one that is not there, or where
    there are several and none is named.
    """
    if not known:
        return named
    names = picked(named, known, path)
    if len(names) > 1:
        raise click.UsageError(
            f"Name a station; there are {visible(', '.join(names))} in {path}."
        )
    return names[0]


def picked(named: str | None, known: Sequence[str], path: Path) -> list[str]:
    """Return the station named, or all that are known. Errors: click.UsageError."""
    if named is None:
        return list(known)
    if named in known:
        return [named]
    close = difflib.get_close_matches(named, known, n=1, cutoff=0.5)
    there = f"there {'is' if len(known) == 1 else 'are'} {', '.join(known) or 'none'}."
    hint = visible(f"did you mean {close[0]}?" if close else there)
    raise click.UsageError(f"There is no station {named!r} in {path}; {hint}")
