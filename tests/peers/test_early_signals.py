"""Signals in the first moments of a daemon, and in its last: real processes.

Each is stopped where the test wants it, by a module of the test's that Python finds
before the real one, or by settings that come out of a FIFO. Sources: signal(7), fifo(7),
tty(4); what a signal means once the daemon runs is in ``test_reload_process.py``.
"""

from __future__ import annotations

import fcntl
import os
import pty
import signal
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from peers.test_run_process import Place, no_traceback
from support.evidence import rows, sound
from tidegate.cyclelog.rows import OperatorRow, RunEndRow

pytestmark = pytest.mark.peer
LIMIT_S = 30.0

# Waits at the import of a module, or when the interpreter ends, and is then the real one.
# It comes back now and then: a signal just before a call of the system waits for its end.
GATED = """
import atexit, importlib, os, select, sys
def wait():
    with open({fifo!r}, "rb") as gate:
        while not select.select([gate], [], [], 0.05)[0]:
            pass
        gate.read()
if {at_the_end!r}:
    atexit.register(wait)
else:
    wait()
sys.path.remove({folder!r})
del sys.modules[__name__]
importlib.import_module(__name__)
"""
COMMAND = ["-m", "tidegate", "run"]
MODULE = ["-m", "tidegate.cli.daemon"]


class Gate:
    """A FIFO that somebody waits at until it is opened."""

    def __init__(self, fifo: Path) -> None:
        os.mkfifo(fifo)
        self.fifo = fifo

    @contextmanager
    def waiting(self, of: subprocess.Popen[Any]) -> Iterator[int]:
        """Let it be opened at the end of the block; what is written there is read."""
        end_s, tick = time.monotonic() + LIMIT_S, threading.Event()
        while (descriptor := self._opened()) is None:
            assert of.poll() is None, f"it ended with {of.returncode}"
            assert time.monotonic() < end_s, "nobody came to the gate"
            tick.wait(0.01)
        try:
            yield descriptor
        finally:
            os.close(descriptor)

    def _opened(self) -> int | None:
        try:
            return os.open(self.fifo, os.O_WRONLY | os.O_NONBLOCK)
        except OSError:  # ENXIO: nobody reads
            return None


class Early(Place):
    """A daemon that can be met before it is one."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.messages = folder / "messages"

    def gate(self, module: str, *, at_the_end: bool = False) -> Gate:
        gate = Gate(self.folder / "gate")
        front = self.folder / "front"
        front.mkdir()
        text = GATED.format(
            fifo=str(gate.fifo), folder=str(front), at_the_end=at_the_end
        )
        (front / f"{module}.py").write_text(text)
        return gate

    @property
    def environment(self) -> dict[str, str]:
        known = super().environment
        return {**known, "PYTHONPATH": f"{self.folder / 'front'}:{known['PYTHONPATH']}"}

    @contextmanager
    def spoken(
        self, words: list[str], *, lead: Callable[[], None] | None = None
    ) -> Iterator[subprocess.Popen[bytes]]:
        with (
            self.messages.open("wb") as messages,
            subprocess.Popen(
                [sys.executable, *words, "--config", str(self.settings_file)],
                env=self.environment,
                stderr=messages,
                preexec_fn=lead,
            ) as process,
        ):
            try:
                yield process
            finally:
                if process.poll() is None:
                    process.kill()

    @property
    def said(self) -> str:
        return self.messages.read_text()

    def reloaded(self) -> bool:
        entries = rows(self.log, "lobby") if self.has_intents() else []
        acts = [e.row for e in entries if isinstance(e.row, OperatorRow)]
        return [(act.action, act.by) for act in acts] == [("reload", "SIGHUP")]


@pytest.fixture
def place(tmp_path: Path) -> Early:
    return Early(tmp_path)


def ended_well(place: Early, daemon: subprocess.Popen[bytes]) -> None:
    assert daemon.wait(LIMIT_S) == 0, place.said
    assert place.supply() == "on"
    assert no_traceback(place.said)
    ends = [e.row for e in sound(place.log, "lobby") if isinstance(e.row, RunEndRow)]
    assert [end.why for end in ends] == ["stopped"]


def ignoring() -> None:
    """Leave SIGHUP ignored, as nohup(1) and the script of the runit service do."""
    signal.signal(signal.SIGHUP, signal.SIG_IGN)


@pytest.mark.parametrize(
    ("words", "module", "lead"),
    [
        (COMMAND, "click", None),
        (MODULE, "pydantic", None),
        (COMMAND, "click", ignoring),
    ],
    ids=["run", "unit", "ignored"],
)
def test_a_hang_up_before_anything_is_imported_is_a_reload_later(
    place: Early, words: list[str], module: str, lead: Callable[[], None] | None
) -> None:
    gate = place.gate(module)
    with place.spoken(words, lead=lead) as daemon:
        with gate.waiting(daemon):
            daemon.send_signal(signal.SIGHUP)
        place.until(place.reloaded, LIMIT_S, "a reload")
        daemon.send_signal(signal.SIGTERM)
        ended_well(place, daemon)


def test_a_hang_up_after_the_settings_were_read_is_not_lost(place: Early) -> None:
    """What was changed meanwhile is in force in the end."""
    settings, text = place.settings_file, place.settings_file.read_text()
    settings.unlink()
    gate = Gate(settings)
    with place.spoken(MODULE) as daemon:
        with gate.waiting(daemon) as writing:
            new = settings.with_suffix(".new")
            new.write_text(text.replace("high = 65", "high = 70"))
            new.rename(settings)
            daemon.send_signal(signal.SIGHUP)
            os.write(writing, text.encode())
        place.until(place.reloaded, LIMIT_S, "a reload")
        place.until(lambda: "station.lobby.window.high" in place.said, 10, "a change")
        daemon.send_signal(signal.SIGTERM)
        ended_well(place, daemon)


@pytest.mark.parametrize(
    ("words", "module", "number"),
    [
        (MODULE, "pydantic", signal.SIGTERM),
        (COMMAND, "click", signal.SIGINT),
        pytest.param(COMMAND, "pydantic", signal.SIGTERM, marks=pytest.mark.slow),
        pytest.param(MODULE, "structlog", signal.SIGINT, marks=pytest.mark.slow),
    ],
)
def test_who_is_told_to_end_before_it_runs_leaves_the_supply_on(
    place: Early, words: list[str], module: str, number: int
) -> None:
    """A daemon killed before may have left it off."""
    assert place.supply() == "off"
    gate = place.gate(module)
    with place.spoken(words) as daemon:
        with gate.waiting(daemon):
            daemon.send_signal(number)
        ended_well(place, daemon)


@pytest.mark.parametrize("number", [signal.SIGHUP, signal.SIGTERM])
def test_who_cannot_run_says_only_that(place: Early, number: int) -> None:
    with place.spoken(MODULE) as first:
        place.until(place.started, LIMIT_S, "the first on")
        gate = place.gate("pydantic")
        place.messages = place.folder / "messages of the second"
        with place.spoken(MODULE) as second:
            with gate.waiting(second):
                second.send_signal(number)
            assert second.wait(LIMIT_S) == os.EX_TEMPFAIL
        assert place.said.count("tidegate: ") == place.said.count("\n") == 1, place.said
        first.send_signal(signal.SIGTERM)
        ended_well(place, first)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_who_is_told_twice_ends_at_once(place: Early, number: int) -> None:
    """Settings on a disk that hangs must not need a SIGKILL."""
    gate = place.gate("pydantic")
    with place.spoken(MODULE) as daemon, gate.waiting(daemon):
        daemon.send_signal(number)
        place.until(
            lambda: not _is_caught(daemon.pid, number), 10, "the first is noted"
        )
        daemon.send_signal(number)
        assert daemon.wait(LIMIT_S) == -number
    assert place.said == ""
    assert not place.log.exists()


def _is_caught(pid: int, number: int) -> bool:
    """Whether a process has a handler for a signal. Source: proc(5), SigCgt."""
    status = Path(f"/proc/{pid}/status").read_text()
    (mask,) = [line for line in status.splitlines() if line.startswith("SigCgt:")]
    return bool(int(mask.split()[1], 16) >> (number - 1) & 1)


@pytest.mark.parametrize("is_nohup", [False, True])
def test_a_terminal_that_goes_away_meanwhile_ends_it_with_the_supply_on(
    place: Early, *, is_nohup: bool
) -> None:
    """Unless it was told not to care (nohup(1))."""
    ours, its = pty.openpty()

    def lead() -> None:
        os.setsid()
        fcntl.ioctl(its, termios.TIOCSCTTY, 0)
        if is_nohup:
            ignoring()

    gate = place.gate("click")
    with place.spoken(COMMAND, lead=lead) as daemon:
        os.close(its)
        with gate.waiting(daemon):
            os.close(ours)
        if is_nohup:
            place.until(place.reloaded, LIMIT_S, "a reload")
            daemon.send_signal(signal.SIGTERM)
        ended_well(place, daemon)


def test_signals_in_its_last_moments_do_not_spoil_its_exit_code(place: Early) -> None:
    gate = place.gate("structlog", at_the_end=True)
    with place.spoken(MODULE) as daemon:
        place.until(place.started, LIMIT_S, "the first on")
        daemon.send_signal(signal.SIGTERM)
        with gate.waiting(daemon):
            for number in (signal.SIGHUP, signal.SIGTERM, signal.SIGINT):
                daemon.send_signal(number)
        ended_well(place, daemon)


def test_other_commands_end_as_ever(place: Early) -> None:
    gate = place.gate("pydantic")
    words = ["-m", "tidegate", "settings", "check"]
    with place.spoken(words) as command, gate.waiting(command):
        command.send_signal(signal.SIGHUP)
        assert command.wait(LIMIT_S) == -signal.SIGHUP
