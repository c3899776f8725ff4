"""The questions of ``tidegate triage`` on a real pseudo-terminal.

Whoever presses Ctrl-C sends byte 3 and the kernel makes SIGINT of it, Ctrl-D ends the
input: termios(3), VINTR and VEOF. The museum is invented.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from support.terminal import Terminal
from tidegate.triage.form import read_form
from tidegate.triage.inspection import SIGNS, Told

ROOT = Path(__file__).parents[2]
CTRL_C, CTRL_D = b"\x03", b"\x04"


@pytest.fixture
def triage(tmp_path: Path) -> Callable[..., Terminal]:
    def start(*words: str) -> Terminal:
        return Terminal(
            [sys.executable, "-m", "tidegate", "triage", *words],
            environment={
                "PATH": os.environ["PATH"],
                "HOME": str(tmp_path),
                "TERM": "xterm",
                "LANG": "C.UTF-8",
                "PYTHONPATH": os.pathsep.join(
                    str(ROOT / part) for part in ("daemon", "backends")
                ),
            },
            rows=120,
        )

    return start


def shown(terminal: Terminal, said: str) -> str:
    """Wait for words, wherever lines are broken; return all that is seen."""
    lines = terminal.until(
        lambda lines: said in " ".join(" ".join(lines).split()), said
    )
    return " ".join(" ".join(lines).split())


def answers(terminal: Terminal, *pairs: tuple[str, str]) -> None:
    for asked, answer in pairs:
        shown(terminal, asked)
        terminal.until(lambda lines: _waits(lines), f"the prompt of {asked}")
        terminal.press(answer.encode() + b"\n")


def _waits(lines: list[str]) -> bool:
    said = [line for line in lines if line]
    return bool(said) and said[-1].endswith(("[y/n/?]", "[Enter: not known]"))


SEEN = (
    ("stand open anywhere?", "n"),
    ("any side bulged?", "n"),
    ("screen lifted", "n"),
    ("rock on a flat table?", "n"),
    ("warm to the hand", "n"),
    ("Does it smell", "n"),
    ("a crust or a stain", "n"),
    ("dropped, bent", "n"),
)


def test_a_sign_ends_the_questions_with_what_to_do(triage, tmp_path):
    kept = tmp_path / "hall.toml"
    with triage("hall", "--save", str(kept)) as terminal:
        seen = shown(terminal, "stand open anywhere?")
        assert seen.index("control, not a safeguard") < seen.index("stand open")
        assert seen.index("A swollen, hot, leaking") < seen.index("stand open")
        answers(terminal, SEEN[0], ("any side bulged?", "y"))
        said = shown(terminal, "Limits and where")
        assert terminal.wait() == 1
    assert "That ends the questions." in said
    assert "hall: out of use at once. A side is bulged." in said
    assert "Pull the plug" in said or "pull the plug" in said
    assert "Does it smell" not in said
    found = read_form(kept)
    assert found.signs() == ("bulge",)
    assert found.lid_gap is Told.NO
    assert (found.station, found.on) == ("hall", date.today())


@pytest.mark.slow
def test_a_disk_that_takes_no_answer_hides_no_sign(triage, tmp_path):
    kept = tmp_path / "hall.toml"
    with triage("hall", "--save", str(kept)) as terminal:
        answers(terminal, SEEN[0])
        shown(terminal, "any side bulged?")
        kept.unlink()
        kept.mkdir()  # as good as a disk that is full: it cannot be written
        answers(terminal, ("any side bulged?", "y"))
        said = shown(terminal, "Limits and where")
        assert terminal.wait() == 1
    assert "hall: out of use at once. A side is bulged." in said
    assert "is a directory" in said.lower()


@pytest.mark.slow
def test_all_questions_lead_to_an_answer_and_are_kept(triage, tmp_path):
    kept = tmp_path / "hall.toml"
    with triage("hall", "--save", str(kept)) as terminal:
        answers(
            terminal,
            *SEEN,
            ("go dark within minutes", "n"),
            ("on its supply all the time?", "y"),
            ("hold its own charging back", "no"),
            ("how many hours must it run", "two"),
        )
        shown(terminal, "Allowed is a number from 0 to 1000")
        answers(
            terminal,
            ("Allowed is", "2"),
            ("May it run without a battery", "n"),
            ("fitting battery be had", "?"),
            ("How old is the battery", ""),
            ("Who looked?", "R. Moss"),
        )
        said = shown(terminal, "Limits and where")
        assert terminal.wait() == 0
    assert "hall: window. It is always on its supply and charges itself full." in said
    found = read_form(kept)
    assert found.unseen() == ()
    assert found.autonomy_wanted_h == 2
    assert found.holds_itself is found.may_run_without_battery is Told.NO
    assert found.battery_available is Told.UNKNOWN
    assert found.age_years is None
    assert found.by == "R. Moss"


@pytest.mark.slow
def test_enter_is_not_known_and_asks_to_look_first(triage):
    with triage() as terminal:
        answers(terminal, *((asked, "") for asked, _ in SEEN))
        answers(
            terminal,
            ("go dark within minutes", ""),
            ("on its supply all the time?", "n"),
            ("how many hours must it run", "0"),
            ("May it run without a battery", ""),
            ("fitting battery be had", ""),
            ("How old is the battery", ""),
            ("Who looked?", ""),
        )
        said = shown(terminal, "Limits and where")
        assert terminal.wait() == 1
    assert "this device: look first, before anything else" in said
    assert "hold its own charging back" not in said
    assert f"0 of {len(SIGNS)} signs looked at" in said


@pytest.mark.slow
@pytest.mark.parametrize("key", [CTRL_C, CTRL_D], ids=["ctrl-c", "ctrl-d"])
def test_who_leaves_half_way_finds_the_answers_kept(triage, tmp_path, key):
    kept = tmp_path / "hall.toml"
    with triage("hall", "--save", str(kept)) as terminal:
        answers(terminal, *SEEN[:2])
        shown(terminal, "screen lifted")
        terminal.until(_waits, "the prompt")
        terminal.press(key)
        said = shown(terminal, "Kept in")
        assert terminal.wait() == 130  # 128 + SIGINT, as shells say it
        assert terminal.modes == terminal.modes_before
    assert "out of use" not in said
    found = read_form(kept)
    assert found.lid_gap is found.bulge is Told.NO
    assert len(found.unseen()) == len(SIGNS) - 2


@pytest.mark.slow
def test_what_was_kept_before_is_not_written_over(triage, tmp_path):
    kept = tmp_path / "hall.toml"
    kept.write_text('smell = "yes"\n')
    with triage("hall", "--save", str(kept)) as terminal:
        shown(terminal, "is there already")
        assert terminal.wait() == 64
    assert kept.read_text() == 'smell = "yes"\n'


@pytest.mark.slow
def test_what_was_typed_ahead_is_no_answer(triage):
    """Eight lines in a row, before any question was read, answer none of them."""
    with triage("hall") as terminal:
        terminal.press(b"n\n" * 8)
        shown(terminal, "stand open anywhere?")
        terminal.until(_waits, "the prompt")
        answers(terminal, ("stand open anywhere?", "n"), ("any side bulged?", "y"))
        shown(terminal, "A side is bulged.")
        assert terminal.wait() == 1


@pytest.mark.slow
def test_a_log_without_the_station_is_told_before_anything_is_asked(triage, tmp_path):
    log = tmp_path / "hall.csv"
    log.write_text("time,station,soc_percent\n0,hall,95\n60,hall,94\n")
    with triage("foyer", "--log", str(log)) as terminal:
        said = shown(terminal, "There is no station")
        assert terminal.wait() == 64
    assert "stand open anywhere" not in said
