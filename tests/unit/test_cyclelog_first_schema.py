"""The log of the first schema, as it was written then: readable for ever.

The files are synthetic (``support.first_schema`` says how they were made). The numbers
here were read out of them with SQLite's own shell, not with tidegate.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest

from support.cyclelog_verifier import verify as verified_apart
from support.first_schema import unpack
from tidegate.core.controller import RULES_VERSION
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.replay import replay
from tidegate.cyclelog.rows import (
    IntentRow,
    LinkRow,
    OperatorRow,
    ReadingRow,
    RunRow,
    StateRow,
)
from tidegate.cyclelog.verify import verify

HEAD = "70e7e2d8e7594766ce3a2c82420c30b0ccd4e3df6bfd3a8f862b5af9fa1e9f63"
RULES_THEN = 2


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return unpack(tmp_path)


def test_it_verifies_and_so_says_the_other_program(path: Path) -> None:
    verdict = verify(path)
    assert (verdict.fault, verdict.rows, verdict.links) == (None, 268, 91)
    assert verdict.notes == ()
    assert verdict.head is not None
    assert (verdict.head[1].digest, verdict.head[1].row) == (HEAD, 359)
    past = path.with_name("cycles-2026.db")
    assert verified_apart(past, path) == (13, HEAD)


def test_its_rows_are_what_they_were(path: Path) -> None:
    with Reader(path) as reader:
        assert reader.version == 1
        entries = list(reader.history("guide"))
    counted = Counter(type(entry.row) for entry in entries)
    wanted = {ReadingRow: 183, IntentRow: 21, OperatorRow: 2, StateRow: 2, RunRow: 4}
    assert {kind: counted[kind] for kind in wanted} == wanted
    assert counted[LinkRow] == 91
    rows = {entry.id: entry.row for entry in entries}
    first, proven, run = rows[6], rows[153], rows[303]
    assert isinstance(first, ReadingRow)
    assert (first.soc_hundredths_percent, first.voltage_mv) == (6000, 3912)
    assert (first.current_ma, first.temperature_mc) == (1500, 25_000)
    assert isinstance(proven, OperatorRow)
    assert (proven.action, proven.by) == ("prove", "A. Fitter")
    assert '"verdict":"proven"' in proven.args
    assert isinstance(run, RunRow)
    assert run.prev_link.startswith("c5c66fb611941e21")
    asked = [
        (entry.id, entry.row.supply, entry.row.reason)
        for entry in entries
        if isinstance(entry.row, IntentRow) and entry.row.reason != "prove"
    ]
    assert asked[:3] == [
        (7, "on", "start"),
        (22, "off", "at_high_mark"),
        (51, "on", "at_low_mark"),
    ]
    assert asked[-1] == (353, "on", "stop")


def test_its_switchings_follow_or_are_of_other_rules(path: Path) -> None:
    with Reader(path) as reader:
        result = replay(list(reader.history("guide")), "guide")
    assert result.ok, result.first_mismatch
    proven = 14 if RULES_VERSION == RULES_THEN else 0
    assert result.switchings == proven
    assert result.unproven == 14 - proven


def test_its_past_year_is_missed(path: Path) -> None:
    path.with_name("cycles-2026.db").unlink()
    verdict = verify(path)
    assert (verdict.fault, verdict.rows) == (None, 44)
    assert "follows a file that is not here" in verdict.notes[0]
