"""What may be asked of a search, what is refused in one sentence, and what it exits with."""

from __future__ import annotations

import json
import shlex
import subprocess
from pathlib import Path

import pytest

from support.search import __main__ as command
from support.search.__main__ import Asked, Wrong, asked
from support.search.lanes import Job
from support.search.runner import STANDARD, Goal
from support.search_toys import ADDRESSES
from support.search_toys import STANDARD as TOYS

ROOT = Path(__file__).parents[2]


def main(*words: str) -> int:
    return command.main(words, ADDRESSES, TOYS)


def test_the_standard_search_is_what_is_done_unasked() -> None:
    assert asked([]) == Asked(goals=STANDARD, is_standard=True)
    assert {kind: goal.days for kind, goal in STANDARD.items()} == {
        "whole": 1_000,
        "core": 10_000,
    }
    later = asked(["FROM=500", "KIND=both"])
    assert later.is_standard
    assert later.goals["core"] == Goal(first=500, days=10_000)


@pytest.mark.parametrize(
    ("words", "goals"),
    [
        ("SEEDS=5", {"whole": Goal(worlds=5), "core": Goal(worlds=5)}),
        ("SEEDS=5 FROM=7 KIND=core", {"core": Goal(first=7, worlds=5)}),
        ("DAYS=22", {"whole": Goal(days=2), "core": Goal(days=20)}),
        ("DAYS=22 KIND=whole", {"whole": Goal(days=22)}),
        ("KIND=core", {"core": Goal(days=10_000)}),
    ],
)
def test_goals(words: str, goals: dict[str, Goal]) -> None:
    assert asked(words.split()) == Asked(goals=goals)


@pytest.mark.parametrize(
    ("words", "hours", "only"),
    [
        ("KIND=core SEED=12", None, None),
        ("KIND=core SEED=12 HOURS=3.25", 3.25, None),
        ("KIND=core SEED=12 ONLY=none", None, frozenset()),
        ("KIND=core SEED=12 HOURS=48.0 ONLY=1,20", 48.0, frozenset({1, 20})),
    ],
)
def test_one_world_again(
    words: str, hours: float | None, only: frozenset[int] | None
) -> None:
    again = Job(
        address="support.search.core_kind:CORE",
        kind="core",
        seed=12,
        hours=hours,
        only=only,
    )
    assert asked(words.split()) == Asked(goals={}, again=again)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("KIND=moon", "KIND is core or whole or both, not 'moon'"),
        ("SEEDS=0", "SEEDS is a whole number from 1 on, not '0'"),
        ("SEEDS=many", "SEEDS is a whole number from 1 on, not 'many'"),
        ("SEEDS=٣", "SEEDS is a whole number from 1 on, not '٣'"),
        ("FROM=-1", "FROM is a whole number from 0 on, not '-1'"),
        ("DAYS=1.5", "DAYS is a whole number from 1 on, not '1.5'"),
        ("SEEDS=1 DAYS=1", "SEEDS and DAYS are two ends: say one of them"),
        ("SEED=1", "SEED needs one kind: say KIND=core or KIND=whole"),
        ("KIND=core SEED=", "SEED is a whole number from 0 on, not ''"),
        ("KIND=core SEED=1 SEEDS=2", "SEEDS is for many worlds, SEED for one"),
        ("KIND=core SEED=1 HOURS=0.0", "HOURS is a number above 0, not '0.0'"),
        ("KIND=core SEED=1 HOURS=inf", "HOURS is a number above 0, not 'inf'"),
        (
            "KIND=core SEED=1 ONLY=1,,2",
            "ONLY is numbers of incidents like 1,4,7 or none, not '1,,2'",
        ),
        ("HOURS=3", "HOURS is for one world: say SEED too"),
        ("SEEDS=1 SEEDS=2", "SEEDS was said twice"),
        (
            "--fast",
            "'--fast' is none of KIND, SEEDS, FROM, DAYS, SEED, HOURS, ONLY, JSON with "
            "its value",
        ),
    ],
)
def test_what_cannot_be_is_refused_in_a_sentence(words: str, said: str) -> None:
    with pytest.raises(Wrong) as refused:
        asked(words.split())
    assert str(refused.value) == said


def test_a_refusal_goes_to_stderr_and_exits_64(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main("SEEDS=x") == 64
    assert capsys.readouterr() == ("", "SEEDS is a whole number from 1 on, not 'x'.\n")


def test_a_search_without_a_broken_promise_exits_0(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main("KIND=fragile", "SEEDS=4") == 0
    stdout, stderr = capsys.readouterr()
    assert "Worlds with a broken promise: 0\n" in stdout
    assert stderr == ""


def test_a_search_that_breaks_one_exits_1_and_says_how_to_see_it(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main("KIND=fragile", "SEEDS=1", "FROM=4", "--json") == 1
    document = json.loads(capsys.readouterr().out)
    [broken] = document["broken"]
    assert broken["rerun"] == "make search KIND=fragile SEED=4 HOURS=1.34 ONLY=2,5"
    assert document["not_reached"] is None

    assert main(*broken["rerun"].split()[2:], "--json") == 1
    again = json.loads(capsys.readouterr().out)
    assert again == {name: broken[name] for name in again}


def test_the_standard_search_exits_1_where_a_demand_was_not_met(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    standard = {"fragile": Goal(days=0.1)}
    monkeypatch.setattr(command, "not_reached", lambda tallies, tables: [])
    assert command.main([], ADDRESSES, standard) == 0
    assert "All that is demanded was reached." in capsys.readouterr().out
    monkeypatch.undo()
    assert command.main([], ADDRESSES, standard) == 1
    text = capsys.readouterr().out
    assert "\n  rule never reached: only_source\n" in text
    assert "\n  incident never happened in fragile worlds: never drawn\n" in text
    assert "fault 1 never" not in text


def test_one_world_again_says_all_of_it_and_exits_by_it(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main("KIND=fragile", "SEED=4", "ONLY=5") == 0
    assert capsys.readouterr().out == (
        "make search KIND=fragile SEED=4 HOURS=4.0 ONLY=5\n"
        "  nothing broken\n"
        "  incidents (1 of 8), 4 h:\n"
        "    #5 0.833 h hall: gauge lost\n"
        "  last events:\n"
        "    hall is on at 4.0 h\n"
    )


def test_an_incident_that_is_not_there_is_refused(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main("KIND=fragile", "SEED=4", "ONLY=5,9") == 64
    assert capsys.readouterr() == (
        "",
        "ONLY names 9, which this world does not have.\n",
    )


def test_make_passes_on_what_it_was_told() -> None:
    words = ["KIND=core", "SEED=5", "HOURS=2.5", "ONLY=1,2", "JSON=1"]
    done = subprocess.run(
        ["make", "--dry-run", "--no-print-directory", "search", *words],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    told = shlex.split(done.stdout.replace("\\\n", ""))
    assert told[-9:] == [
        "PYTHONPATH=tests",
        ".venv/bin/python",
        "-m",
        "support.search",
        *words,
    ]
