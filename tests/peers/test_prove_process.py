"""``tidegate prove`` as a process: a board on a pty, signals, kills, a terminal.

The battery is a tree of files that follows the board's contact, or a twin in real
time; the terminal is a pseudo-terminal. All numbers are invented.
"""

from __future__ import annotations

import json
import os
import pty
import re
import select
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest

from support.evidence import intents, rows, sound
from support.live_world import Battery, LiveWorld
from tidegate.cyclelog.rows import EventRow, OperatorRow, RunEndRow
from tidegate.errors import LogError

WITHIN_S = 40.0
KEYS = {
    "station",
    "by",
    "because",
    "verdict",
    "why",
    "began_at",
    "ended_at",
    "rounds",
    "latency",
    "readback",
    "wiring",
    "timer",
    "soc_percent",
    "findings",
    "relay_operations",
    "supply_is_on",
    "recorded",
}


class Run:
    """The program under test, its talk in a file, its data in another."""

    def __init__(
        self,
        folder: Path,
        settings: Path,
        station: str,
        *words: str,
        stdin: int,
        talk: int | None,
    ) -> None:
        self._talk, self._data = folder / "talk.txt", folder / "data.txt"
        paths = os.pathsep.join(path for path in sys.path if path)
        with self._talk.open("wb") as kept, self._data.open("wb") as data:
            self.process = subprocess.Popen(
                [
                    *(sys.executable, "-m", "tidegate", "prove", station),
                    *("--by", "A. Fitter", "--config", str(settings), *words),
                ],
                env={
                    **os.environ,
                    "PYTHONPATH": paths,
                    "TIDEGATE_LOCKS": str(folder / "locks"),
                },
                stdin=stdin,
                stdout=data,
                stderr=kept if talk is None else talk,
            )

    @property
    def talk(self) -> str:
        return self._talk.read_text(encoding="utf-8", errors="replace")

    @property
    def document(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self._data.read_text(encoding="utf-8"))
        return found

    def says(self, text: str) -> None:
        """Wait until it has said this."""
        until(lambda: text in self.talk, f"{text!r} in {self.talk}", self.process)

    def ends(self) -> int:
        return self.process.wait(timeout=WITHIN_S)


def until(
    holds: Callable[[], bool], what: str, process: subprocess.Popen[bytes]
) -> None:
    """Wait on a condition of the world outside, in steps of 20 ms."""
    end_s = time.monotonic() + WITHIN_S
    tick = threading.Event()
    while not holds():
        assert time.monotonic() < end_s, f"not in time: {what}"
        assert process.poll() is None or holds(), f"it ended before: {what}"
        tick.wait(0.02)


@contextmanager
def proving(
    folder: Path,
    settings: Path,
    station: str,
    *words: str,
    stdin: int = subprocess.DEVNULL,
    talk: int | None = None,
) -> Iterator[Run]:
    run = Run(folder, settings, station, *words, stdin=stdin, talk=talk)
    try:
        yield run
    finally:
        if run.process.poll() is None:
            run.process.kill()
            run.process.wait(10)


@contextmanager
def at_a_board(world: LiveWorld, *words: str) -> Iterator[Run]:
    settings = world.settings()
    text = settings.read_text().replace('settle = "2s"', 'settle = "1s"')
    settings.write_text(text)
    with proving(world.folder, settings, "bat0", *words) as run:
        yield run


def last_words(log: Path, station: str) -> tuple[str, str]:
    """Return the event that the core is told at the end, and why the run ended."""
    entries = sound(log, station)
    told = [e.row.kind for e in entries if isinstance(e.row, EventRow)]
    ends = [e.row.why for e in entries if isinstance(e.row, RunEndRow)]
    return told[-1], ends[-1]


@pytest.mark.slow
def test_a_station_is_proven_and_signed_off(tmp_path: Path) -> None:
    with LiveWorld(tmp_path, Battery("BAT0")) as world:
        with at_a_board(world, "--rounds", "1", "--json") as run:
            assert run.ends() == 0, run.talk
        assert not world.board.driven()
        document = run.document
    assert set(document) == KEYS
    assert (document["verdict"], document["by"]) == ("proven", "A. Fitter")
    assert document["wiring"]["seen"] == "normally-closed"
    assert [step["supply"] for step in document["rounds"]] == ["off", "on"]
    assert all(step["latency_ms"] < 2_500 for step in document["rounds"])
    assert document["readback"]["agreed"] > 0
    assert document["supply_is_on"]
    assert document["recorded"]
    moment = r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z"
    assert re.fullmatch(moment, document["began_at"])
    assert document["began_at"] < document["ended_at"]
    assert last_words(world.log, "bat0") == ("proved", "proven")
    signed = [
        each.row
        for each in rows(world.log, "bat0")
        if isinstance(each.row, OperatorRow)
    ]
    assert {row.by for row in signed} == {"A. Fitter"}
    assert json.loads(signed[-1].args)["verdict"] == "proven"
    # The cautions come before anything else, on stderr.
    assert run.talk.startswith("tidegate is a control, not a safeguard")


STAGES = ("The gauge says", "Supply on, as the base", "supply off:", "supply on:")


@pytest.mark.parametrize(
    ("stage", "number", "code"),
    [
        *(
            pytest.param(stage, signal.SIGINT, 130, marks=pytest.mark.slow)
            for stage in STAGES
        ),
        pytest.param("supply off:", signal.SIGTERM, 143, marks=pytest.mark.slow),
        pytest.param("supply off:", signal.SIGHUP, 129, marks=pytest.mark.slow),
        # Ctrl-Z and Ctrl-\: a run that only stopped would leave the supply off.
        pytest.param("supply off:", signal.SIGTSTP, 148, marks=pytest.mark.slow),
        pytest.param("supply off:", signal.SIGQUIT, 131, marks=pytest.mark.slow),
    ],
)
def test_a_signal_ends_it_with_the_supply_on(
    tmp_path: Path, stage: str, number: int, code: int
) -> None:
    with LiveWorld(tmp_path, Battery("BAT0")) as world:
        with at_a_board(world, "--json") as run:
            run.says(stage)
            run.process.send_signal(number)
            assert run.ends() == code, run.talk
        assert not world.board.driven()
        assert run.document["verdict"] == "aborted"
        assert run.document["supply_is_on"]
    assert last_words(world.log, "bat0") == ("not_proved", "aborted")
    assert "Traceback" not in run.talk


@pytest.mark.slow
def test_after_a_kill_the_daemon_starts_with_the_supply_on(tmp_path: Path) -> None:
    with LiveWorld(tmp_path, Battery("BAT0")) as world:
        with at_a_board(world) as run:
            run.says("supply off:")
            assert world.board.driven()
            run.process.kill()
            run.process.wait(10)
        assert world.board.driven(), "a killed run cannot do anything about it"
        with world.daemon() as daemon:
            world.wait_until(lambda: not world.board.driven(), 20, daemon.said)
            assert daemon.stop() == 0, daemon.said
    entries = sound(world.log, "bat0")
    reasons = [row.reason for _, row in intents(entries)]
    assert reasons[reasons.index("start") - 1] == "prove"


@pytest.mark.slow
def test_a_relay_that_does_not_even_read(tmp_path: Path) -> None:
    """Its frames wait in the line; whatever it does with them later ends with on."""
    with LiveWorld(tmp_path, Battery("BAT0")) as world:
        with at_a_board(world, "--json") as run:
            # It has answered once, so its silence afterwards tells something.
            world.board.wait_until(lambda board: len(board.heard()) >= 2, WITHIN_S)
            world.board.freeze()
            assert run.ends() == 1, run.talk
        assert [each["code"] for each in run.document["findings"]] == ["relay_failed"]
        world.board.thaw()
        world.board.wait_until(lambda board: len(board.heard()) >= 3)
        world.board.wait_until(lambda board: not board.driven())
    sound(world.log, "bat0")


def has_begun(log: Path) -> bool:
    try:
        return bool(intents(rows(log, "bat0")))
    except LogError:
        return False  # the file is there, and nothing in it yet


@pytest.mark.slow
@pytest.mark.parametrize("shares", ["log", "relay"])
def test_a_daemon_is_not_disturbed(tmp_path: Path, shares: str) -> None:
    with LiveWorld(tmp_path, Battery("BAT0")) as world:
        with world.daemon() as daemon:
            world.wait_until(lambda: has_begun(world.log), 20, "on")
            settings = tmp_path / "tidegate.toml"
            other = tmp_path / "other.toml"
            text = settings.read_text()
            if shares == "relay":
                text = text.replace("cycles.db", "others.db")
            else:
                text = text.replace("relay-port", "other-port")
            other.write_text(text)
            frames = len(world.board.heard())
            with proving(tmp_path, other, "bat0") as run:
                assert run.ends() == 75, run.talk
            assert f"process {daemon.process.pid}" in run.talk
            assert len(world.board.heard()) - frames < 10
            assert daemon.stop() == 0
        sound(world.log, "bat0")


@pytest.mark.slow
def test_a_low_battery_is_refused_in_words(tmp_path: Path) -> None:
    battery = Battery("BAT0", soc_percent=34.0, rate_percent_s=0.0)
    with LiveWorld(tmp_path, battery) as world:
        with at_a_board(world, "--json") as run:
            assert run.ends() == 1, run.talk
        assert not world.board.driven()
    assert run.document["verdict"] == "refused"
    assert "40 %" in run.document["why"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["prove"], "Missing argument"),
        (["prove", "guide"], "--by"),
        (["prove", "guide", "--by", " "], "the name of the person"),
        (["prove", "guode", "--by", "A. Fitter"], "did you mean guide?"),
        (["prove", "guide", "--by", "A. Fitter", "--rounds", "0"], "1<=x<=20"),
    ],
)
def test_what_is_asked_wrongly_is_said(
    tmp_path: Path, words: list[str], said: str, capfd: pytest.CaptureFixture[str]
) -> None:
    from tidegate.cli.main import run

    assert run([*words, "--config", str(twin_settings(tmp_path))]) == 64
    assert said in capfd.readouterr().err


# --- at a terminal ------------------------------------------------------------------------


def twin_settings(folder: Path) -> Path:
    path = folder / "twin.toml"
    path.write_text(
        f"""
[log]
path = "{folder}/cycles.db"

[station.guide]
poll = "1s"
settle = "1s"
window = {{ low = 55, high = 65 }}
gauge = {{ kind = "twin", device = "guide" }}
relay = {{ kind = "twin", device = "guide", dead_man_s = 3 }}
"""
    )
    return path


@contextmanager
def at_a_terminal(folder: Path, *words: str) -> Iterator[tuple[Run, int]]:
    """Yield the run and the end of the terminal at which a person sits."""
    person, program = pty.openpty()
    try:
        with proving(
            folder, twin_settings(folder), "guide", *words, stdin=program
        ) as run:
            yield run, person
    finally:
        os.close(program)
        os.close(person)


QUESTION = "Test the relay's timer?"


@pytest.mark.slow
@pytest.mark.parametrize(
    ("typed", "result"),
    [(b"y\n", "returned"), (b"n\n", "not_tested"), (b"\n", "not_tested")],
)
def test_the_timer_is_asked_for(tmp_path: Path, typed: bytes, result: str) -> None:
    with at_a_terminal(tmp_path, "--rounds", "1", "--json") as (run, person):
        os.write(person, b"y\n")  # typed ahead, before there was a question
        run.says(QUESTION)
        assert select.select([], [person], [], 0)[1]
        os.write(person, typed)
        assert run.ends() == 0, run.talk
    assert run.document["timer"]["result"] == result


@pytest.mark.slow
def test_talk_that_nobody_reads_stops_no_run(tmp_path: Path) -> None:
    """A terminal held by Ctrl-S, here a pipe that is full before the run begins."""
    settings = twin_settings(tmp_path)
    reads, writes = os.pipe()
    try:
        os.set_blocking(writes, False)
        with suppress(BlockingIOError):
            while True:
                os.write(writes, b"x" * 4_096)
        os.set_blocking(writes, True)
        words = ("--rounds", "1", "--yes", "--json")
        with proving(tmp_path, settings, "guide", *words, talk=writes) as run:
            assert run.ends() == 0
        assert run.document["verdict"] == "proven"
    finally:
        os.close(reads)
        os.close(writes)


@pytest.mark.slow
def test_ctrl_c_at_the_question(tmp_path: Path) -> None:
    with at_a_terminal(tmp_path, "--rounds", "1", "--json") as (run, _):
        run.says(QUESTION)
        run.process.send_signal(signal.SIGINT)
        assert run.ends() == 130, run.talk
    assert run.document["supply_is_on"]
    assert last_words(tmp_path / "cycles.db", "guide") == ("not_proved", "aborted")


@pytest.mark.slow
def test_ctrl_c_while_the_timer_runs(tmp_path: Path) -> None:
    settings = twin_settings(tmp_path)
    with proving(
        tmp_path, settings, "guide", "--rounds", "1", "--yes", "--json"
    ) as run:
        run.says("Supply off, and nobody refreshes")
        run.process.send_signal(signal.SIGINT)
        assert run.ends() == 130, run.talk
    assert run.document["supply_is_on"]


@pytest.mark.slow
def test_nobody_at_the_terminal_is_no_yes(tmp_path: Path) -> None:
    with proving(tmp_path, twin_settings(tmp_path), "guide", "--rounds", "1") as run:
        assert run.ends() == 0, run.talk
    assert "not tested" in run.talk


@pytest.mark.slow
def test_the_table_for_people(tmp_path: Path) -> None:
    settings = twin_settings(tmp_path)
    with proving(tmp_path, settings, "guide", "--rounds", "1", "--yes") as run:
        assert run.ends() == 0, run.talk
    shown = run._data.read_text()
    for text in (
        "guide: proven. The supply followed off and on in 1 round.",
        "least",
        "grade 2, its latch",
        "normally-closed, as `contact` says",
        "returned the supply after",
        "on, as the gauge shows",
        "By A. Fitter (commissioning), in the cycle log.",
    ):
        assert text in shown
