"""What a cycle log must show after a run, whoever wrote it."""

from __future__ import annotations

from pathlib import Path

from tidegate.cyclelog.check import check
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.replay import replay
from tidegate.cyclelog.rows import (
    EffectRow,
    Entry,
    IntentRow,
    OutcomeRow,
    RunEndRow,
    RunRow,
)
from tidegate.errors import LogEmpty


def rows(log: Path, station: str) -> list[Entry]:
    """Return the station's rows that are durable by now."""
    if not log.exists():
        return []
    try:
        with Reader(log) as reader:
            return list(reader.rows(station))
    except LogEmpty:
        return []  # the daemon is just creating it


def sound(log: Path, station: str) -> list[Entry]:
    """Return the station's rows, having proven chain and decisions.

    Every intent has its outcome, unless the run was killed in between.
    """
    with Reader(log) as reader:
        assert check(reader) is None
        entries = list(reader.rows(station))
    result = replay(entries, station)
    assert result.ok, result.first_mismatch
    assert result.unproven == 0
    open_intents: set[int] = set()
    for entry in entries:
        if isinstance(entry.row, RunRow):
            open_intents.clear()
        elif isinstance(entry.row, RunEndRow):
            assert not open_intents, "an intent without an outcome"
        elif isinstance(entry.row, IntentRow):
            open_intents.add(entry.id)
        elif isinstance(entry.row, OutcomeRow):
            open_intents.discard(entry.row.intent)
    return entries


def intents(entries: list[Entry]) -> list[tuple[int, IntentRow]]:
    """Return the intents with their ids."""
    return [(each.id, each.row) for each in entries if isinstance(each.row, IntentRow)]


def outcomes(entries: list[Entry]) -> dict[int, OutcomeRow]:
    """Return the outcomes by their intent."""
    return {
        each.row.intent: each.row
        for each in entries
        if isinstance(each.row, OutcomeRow)
    }


def effects(entries: list[Entry]) -> dict[int | None, list[bool | None]]:
    """Return the verdicts by their intent."""
    found: dict[int | None, list[bool | None]] = {}
    for each in entries:
        if isinstance(each.row, EffectRow):
            found.setdefault(each.row.intent, []).append(each.row.seen)
    return found
