"""Reloading and setting as processes: the daemon, its signals and its commands.

The battery is a tree of files as the kernel's class has it; the relay is a program
that writes a file. Sources: signal(7), pty(7), tty(4), and exit codes of sysexits.h
(4.2BSD), typed here from memory.
"""

from __future__ import annotations

import fcntl
import json
import os
import pty
import signal
import subprocess
import tempfile
import termios
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from peers.test_run_process import Place, ended, no_traceback
from support.evidence import rows, sound
from tidegate.cyclelog.rows import OperatorRow, SettingsRow

pytestmark = pytest.mark.peer


class Reloadable(Place):
    """A place whose daemon has a control socket and says what it is told."""

    def __init__(self, folder: Path) -> None:
        self.sockets = tempfile.TemporaryDirectory(prefix="tg")
        super().__init__(folder)
        self.messages = folder / "messages"

    def settings(
        self, *, name: str = "tidegate", log: str = "", relay: str = ""
    ) -> Path:
        path = super().settings(name=name, log=log, relay=relay)
        socket = f'[control]\nsocket = "{self.sockets.name}/control"\n'
        path.write_text(socket + path.read_text())
        return path

    def change(self, old: str, new: str) -> None:
        self.settings_file.write_text(self.settings_file.read_text().replace(old, new))

    @contextmanager
    def spoken(self) -> Iterator[subprocess.Popen[str]]:
        """Run the daemon; its messages go to a file."""
        with (
            self.messages.open("w") as messages,
            subprocess.Popen(
                self.command("run"), env=self.environment, stderr=messages, text=True
            ) as process,
        ):
            try:
                self.until(self.started, 15, "the first on")
                yield process
            finally:
                if process.poll() is None:
                    process.kill()

    def says(self, text: str) -> bool:
        return text in self.messages.read_text()

    def operator(self) -> list[OperatorRow]:
        entries = rows(self.log, "lobby")
        return [e.row for e in entries if isinstance(e.row, OperatorRow)]


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Reloadable]:
    made = Reloadable(tmp_path)
    yield made
    made.sockets.cleanup()


def test_a_signal_reloads_and_wrong_settings_change_nothing(place: Reloadable) -> None:
    with place.spoken() as daemon:
        place.write_battery(66)
        place.until(lambda: place.supply() == "off", 15, "off at the high mark")
        place.change("high = 65", "high = 50")
        daemon.send_signal(signal.SIGHUP)
        place.until(lambda: place.says("reload refused"), 10, "a refusal")
        line = (
            place.settings_file.read_text()
            .split("\n")
            .index("window = { low = 55, high = 50 }")
        )
        assert place.says(f"{place.settings_file}:{line + 1}: station.lobby.window")
        assert daemon.poll() is None
        assert place.supply() == "off"
        code, said, _ = place.call("settings", "reload")
        assert code == 78, said
        assert (
            f":{line + 1}: station.lobby.window: found low = 55 and high = 50" in said
        )
        assert no_traceback(said)
        place.change("high = 50", "high = 70")
        daemon.send_signal(signal.SIGHUP)
        place.until(lambda: place.says("settings reloaded"), 10, "a reload")
        assert ended(daemon, signal.SIGTERM)[0] == 0
    assert place.supply() == "on"
    entries = sound(place.log, "lobby")
    assert len([e for e in entries if isinstance(e.row, SettingsRow)]) == 2
    by = [row.by.split(" ")[0] for row in place.operator()]
    assert by == ["SIGHUP", "uid", "SIGHUP"]
    assert not place.says("Traceback")


def test_set_is_taken_at_once_and_logged_with_who_did_it(place: Reloadable) -> None:
    with place.spoken() as daemon:
        code, said, _ = place.call("settings", "set", "lobby.window.low", "50")
        assert code == 0, said
        assert "station.lobby.window.low: 55 -> 50" in said
        assert "daemon: station lobby goes on with the new values" in said
        place.until(lambda: bool(place.operator()), 5, "its row")
        (row,) = place.operator()
        assert (row.action, row.by.split(" ")[:2]) == (
            "set",
            ["uid", str(os.geteuid())],
        )
        told = json.loads(row.args)
        assert told["keys"] == ["station.lobby.window.low"]
        assert told["changed"] == [
            {"key": "station.lobby.window.low", "from": "55", "to": "50"}
        ]
        # The daemon runs on another file: it refuses, and nothing is left behind.
        ours = place.folder / "conf.d" / "90-set.toml"
        before = ours.read_bytes()
        other = place.settings(name="other")
        code, said, _ = place.call(
            "settings", "set", "lobby.window.low", "45", settings=other
        )
        assert code == 1, said
        assert "is as it was" in said
        assert ours.read_bytes() == before
        assert ended(daemon, signal.SIGTERM)[0] == 0
    sound(place.log, "lobby")
    code, said, _ = place.call("settings", "reload")
    assert code == 69, said


@pytest.mark.slow
def test_a_terminal_that_goes_away_ends_it_with_the_supply_on(
    place: Reloadable,
) -> None:
    """With a live terminal SIGHUP reloads; once it is gone, nobody is there."""
    ours, its = pty.openpty()

    def lead() -> None:
        os.setsid()
        fcntl.ioctl(its, termios.TIOCSCTTY, 0)

    with subprocess.Popen(
        place.command("run"),
        env=place.environment,
        stdin=its,
        stdout=its,
        stderr=its,
        preexec_fn=lead,
    ) as daemon:
        try:
            os.close(its)
            place.until(place.started, 15, "the first on")
            place.write_battery(66)
            place.until(lambda: place.supply() == "off", 15, "off at the high mark")
            daemon.send_signal(signal.SIGHUP)
            place.until(lambda: bool(place.operator()), 10, "a reload")
            os.close(ours)
            assert daemon.wait(20) == 0
        finally:
            if daemon.poll() is None:
                daemon.kill()
    assert place.supply() == "on"
    sound(place.log, "lobby")
