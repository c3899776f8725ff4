"""``tidegate log replay`` as its user meets it: text, document, exit code.

Source: exit codes of sysexits.h (4.2BSD), typed here from memory.
"""

from __future__ import annotations

import asyncio
import io
import json
import sqlite3
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from support import cyclelog_rows as make
from support.cyclelog_faults import garble_tables
from support.cyclelog_forger import Rows, forge
from support.cyclelog_life import Life
from support.first_schema import unpack
from tidegate.cli import log_replay
from tidegate.cli.main import run
from tidegate.cyclelog.judge import Mismatch, Unproven
from tidegate.cyclelog.plain import canonical, to_plain
from tidegate.cyclelog.replay import ReplayResult

NEW_YEAR_MS = 1_798_761_600_000  # 2027-01-01 UTC


async def _life(path: Path, wall_ms: int) -> None:
    life = Life(path, make.clock(wall_ms=wall_ms))
    await life.start()
    # A neighbour that only ever has settings: nothing of it was switched.
    policy = canonical(to_plain(life.state.policy))
    life.append(replace(make.settings("tower", policy), **life._times()))
    await life.live(240)
    await life.stop()


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A log of the stations lobby and tower, over the turn of a year."""
    path = tmp_path_factory.mktemp("written") / "cycles.db"
    asyncio.run(_life(path, NEW_YEAR_MS - 2 * 3_600_000))
    assert path.with_name("cycles-2026.db").exists()
    return path


def intents(path: Path) -> list[tuple[int, int]]:
    """Id and wall time of each switching of the rules, read without tidegate."""
    found = []
    for each in (path.with_name("cycles-2026.db"), path):
        with sqlite3.connect(f"file:{each}?mode=ro", uri=True) as database:
            query = "SELECT id, wall_ms FROM intent WHERE reason <> 'prove' ORDER BY id"
            found += database.execute(query).fetchall()
        database.close()
    return found


def doctored(written: Path, to: Path) -> Path:
    """A log whose third switching bears another reason; its chain holds."""

    def change(rows: Rows) -> None:
        row = [row for row in rows if row.table == "intent"][2]
        row["reason"] = "override"

    return forge(written, to / "cycles.db", change)


def document(capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """A log of one file."""
    path = tmp_path / "whole" / "cycles.db"
    asyncio.run(_life(path, make.WALL_MS))
    return path


def test_a_log_that_follows_is_told_with_what_replay_does_not_see(
    written: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["log", "replay", "--log", str(written)]) == 0
    out, err = capsys.readouterr()
    count = len(intents(written))
    assert count >= 4
    assert out.splitlines() == [
        f"Proven: {count} switchings follow from what was read and set.",
        f"  lobby: {count} switchings follow from what was read and set",
        "  tower: no rule switched anything",
        log_replay.DECISIONS,
    ]
    assert err == ""


def test_the_document_has_the_stable_keys(
    written: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["log", "replay", "--log", str(written), "--json"]) == 0
    found = document(capsys)
    stations = found.pop("stations")
    assert found == {
        "ok": True,
        "switchings": len(intents(written)),
        "first_mismatch": None,
        "unproven": 0,
    }
    assert [each["station"] for each in stations] == ["lobby", "tower"]
    assert [each["switchings"] for each in stations] == [len(intents(written)), 0]


def test_one_station_is_asked_by_its_name(
    written: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["log", "replay", "tower", "--log", str(written), "--json"]) == 0
    (station,) = document(capsys)["stations"]
    assert station == {
        "station": "tower",
        "ok": True,
        "switchings": 0,
        "first_mismatch": None,
        "unproven": 0,
        "unproven_because": [],
        "proven_to_row": None,
    }


def test_a_mismatch_is_named_with_what_replay_gives(
    log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    forged = doctored(log, tmp_path)
    assert run(["log", "verify", "--log", str(forged)]) == 0
    capsys.readouterr()
    assert run(["log", "replay", "--log", str(forged), "--json"]) == 1
    found = document(capsys)
    with sqlite3.connect(forged) as database:
        query = "SELECT id, supply, wall_ms FROM intent ORDER BY id LIMIT 1 OFFSET 2"
        row, supply, wall_ms = database.execute(query).fetchone()
        given = database.execute(
            "SELECT strftime('%Y-%m-%dT%H:%M:%S.000Z', ? / 1000, 'unixepoch')",
            (wall_ms,),
        ).fetchone()[0]
    database.close()
    assert found["ok"] is False
    assert found["switchings"] == 2
    mismatch = found["first_mismatch"]
    assert (mismatch["row"], mismatch["station"]) == (row, "lobby")
    assert mismatch["at"] == given
    assert mismatch["what"].startswith(f"switching {supply} (override): ")
    assert "replay gives at_" in mismatch["what"]
    assert found["stations"][0]["first_mismatch"] == mismatch
    assert found["stations"][1]["ok"] is True

    assert run(["log", "replay", "--log", str(forged)]) == 1
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith(f"Mismatch at row {row} of lobby ({given}): switching")
    assert lines[1].startswith("  lobby: up to the mismatch 2 switchings follow")
    assert lines[-1] == log_replay.SUSPECT


def test_what_is_unproven_is_told_with_its_reason(
    written: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The file of the year alone: what came before it is not here."""
    alone = tmp_path / "cycles.db"
    alone.write_bytes(written.read_bytes())
    assert run(["log", "replay", "--log", str(alone), "--json"]) == 0
    found = document(capsys)
    (because,) = found["stations"][0]["unproven_because"]
    assert found["unproven"] == because["switchings"] > 0
    assert because["why"] == "past_absent"
    assert run(["log", "replay", "--log", str(alone)]) == 0
    out = capsys.readouterr().out
    assert f" {found['unproven']} unproven." in out.splitlines()[0]
    assert "as what came before is not here: the file before it is not here" in out


def test_a_station_that_is_not_there_is_wrong_usage(
    written: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["log", "replay", "loby", "--log", str(written)]) == 64
    assert "did you mean lobby?" in capsys.readouterr().err
    assert run(["log", "replay", "attic", "--log", str(written)]) == 64
    assert "there are lobby, tower." in capsys.readouterr().err


@pytest.mark.parametrize("as_json", [[], ["--json"]])
def test_logs_that_cannot_be_read(
    as_json: list[str], log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    absent = tmp_path / "none.db"
    text = tmp_path / "notes.db"
    text.write_text("These are notes, no log. " * 99, encoding="utf-8")
    empty = tmp_path / "empty.db"
    empty.touch()
    garble_tables(log)
    for path, code in ((absent, 66), (text, 65), (empty, 65), (log, 65)):
        assert run(["log", "replay", "--log", str(path), *as_json]) == code
        out, err = capsys.readouterr()
        assert out == ""
        assert err.startswith("tidegate: ")
        assert str(path) in err


def test_a_log_of_the_first_schema_is_replayed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = unpack(tmp_path)
    assert run(["log", "replay", "--log", str(log), "--json"]) == 0
    found = document(capsys)
    assert found["ok"] is True
    assert found["switchings"] + found["unproven"] == len(intents(log)) > 0


class FakeTerminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_a_terminal_sees_the_progress_and_keeps_no_trace_of_it(
    written: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("tidegate.cyclelog.replay._TOLD_EVERY", 20)
    terminal = FakeTerminal()
    monkeypatch.setattr("sys.stderr", terminal)
    assert run(["log", "replay", "--log", str(written)]) == 0
    shown = terminal.getvalue()
    shares = [int(part.split()[0]) for part in shown.split("\r") if "%" in part]
    assert len(shares) > 3
    assert shares == sorted(shares)
    assert 0 <= shares[0] <= shares[-1] <= 100
    assert shown.endswith("\r\x1b[K")
    assert "%" not in capsys.readouterr().out


def test_nothing_of_a_log_moves_the_cursor(
    log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def change(rows: Rows) -> None:
        next(row for row in rows if row.table == "intent")["reason"] = "\x1b[2Jx\nOk"

    forged = forge(log, tmp_path / "cycles.db", change)
    assert run(["log", "replay", "--log", str(forged)]) == 1
    out = capsys.readouterr().out
    assert "\x1b" not in out
    assert "\nOk" not in out


def result(**fields: Any) -> ReplayResult:
    known = {"ok": True, "switchings": 0, "first_mismatch": None, "unproven": 0}
    return ReplayResult(**{"station": "hall", **known, **fields})


def test_the_first_mismatch_in_the_log_is_that_of_the_document() -> None:
    late = result(ok=False, first_mismatch=Mismatch(9, "late", 0), station="cellar")
    early = result(ok=False, first_mismatch=Mismatch(4, "early", 0), station="tower")
    found = log_replay.as_document([late, early])
    assert found["first_mismatch"]["station"] == "tower"
    assert (found["ok"], found["unproven"]) == (False, 0)
    text = log_replay.as_text([late, early])
    assert text[0].startswith("Mismatch at row 4 of tower (1970-01-01T00:00:00.000Z)")
    assert any("Mismatch at row 9 of cellar" in line for line in text[1:])


def test_where_nothing_can_be_judged_nothing_sounds_like_a_verdict() -> None:
    """It does not say that what was switched does not follow."""
    because = (Unproven(why="other_rules", row=1, said="said", switchings=3),)
    lines = log_replay.as_text([result(unproven=3, because=because)])
    assert lines[:2] == [
        "Nothing is proven, and nothing accused: 3 unproven.",
        "  hall: nothing is proven",
    ]
    lines = log_replay.as_text([result()])
    assert lines[:2] == [
        "Nothing to prove: no rule switched anything.",
        "  hall: no rule switched anything",
    ]


def test_every_reason_for_unproven_has_its_words() -> None:
    reasons = ("other_rules", "other_version", "rows_lost", "past_absent")
    because = tuple(
        Unproven(why=why, row=n, said=f"said {n}", switchings=n)
        for n, why in enumerate(reasons, start=1)  # type: ignore[arg-type]
    )
    lines = log_replay.as_text([result(unproven=10, because=because)])
    told = [line.strip() for line in lines if "unproven:" in line]
    assert len(told) == len(set(told)) == 4
    assert told[0] == (
        "unproven: 1 switching from row 1 on, as other rules were in force: said 1"
    )
    assert told[2].startswith("unproven: 3 switchings from row 3 on, as rows were lost")


def test_help_teaches_what_it_proves_and_what_not(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert run(["log", "replay", "--help"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    for taught in ("Unproven is", "tidegate log verify", "Exit code 0", "past files"):
        assert taught in text
