"""``tidegate run`` and ``restore`` as processes: signals, exit codes, who is busy.

The battery is a tree of files as the kernel's class has it; the relay is a program
that writes a file, with another that prints it. Nothing here is our own encoder.
"""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from unittest import mock

import pytest

from support.evidence import intents, rows, sound
from tidegate import restore
from tidegate.cyclelog.rows import RunEndRow
from tidegate.errors import LogError

pytestmark = pytest.mark.peer
STOP_BOUND_S = 12.0
# A hang would take for ever; the design says 5 s, a busy machine adds its own.
BOUND_S = 10.0


class Place:
    """A folder with a battery, a relay and settings."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.log = folder / "cycles.db"
        self.contact = folder / "contact"
        self.contact.write_text("off\n")
        self.battery = folder / "sys" / "class" / "power_supply" / "BAT0"
        self.battery.mkdir(parents=True)
        self.write_battery(62)
        for supply in ("on", "off"):
            self.program(supply, f"echo {supply} > {self.contact}")
        self.program("read", f"cat {self.contact}")
        self.settings_file = self.settings()

    def write_battery(self, soc: int) -> None:
        fed = self.contact.read_text().strip() == "on"
        (self.battery / "type").write_text("Battery\n")
        lines = {
            "NAME": "BAT0",
            "TYPE": "Battery",
            "STATUS": "Charging" if fed else "Discharging",
            "PRESENT": 1,
            "CAPACITY": soc,
            "VOLTAGE_NOW": 3_900_000,
            "TEMP": 251,
        }
        text = "".join(f"POWER_SUPPLY_{k}={v}\n" for k, v in lines.items())
        new = self.battery / ".new"
        new.write_text(text)
        new.rename(self.battery / "uevent")

    def program(self, name: str, does: str) -> None:
        path = self.folder / name
        path.write_text(f"#!/bin/sh\n{does}\n")
        path.chmod(0o755)

    def settings(
        self, *, name: str = "tidegate", log: str = "", relay: str = ""
    ) -> Path:
        path = self.folder / f"{name}.toml"
        here = self.folder
        commands = f'on = ["{here}/on"], off = ["{here}/off"], read = ["{here}/read"]'
        table = relay or f'{{ kind = "command", {commands} }}'
        path.write_text(
            f"""
[log]
path = "{log or self.log}"

[station.lobby]
poll = "1s"
stale_after = "5s"
settle = "2s"
dwell = {{ on = "5s", off = "5s" }}
window = {{ low = 55, high = 65 }}
gauge = {{ kind = "sysfs", name = "BAT0", root = "{here}/sys" }}
relay = {table}
"""
        )
        return path

    def command(self, *words: str, settings: Path | None = None) -> list[str]:
        config = ["--config", str(settings or self.settings_file)]
        return [sys.executable, "-m", "tidegate", *words, *config]

    @property
    def environment(self) -> dict[str, str]:
        paths = os.pathsep.join(path for path in sys.path if path)
        locks = str(self.folder / "locks")
        return {**os.environ, "PYTHONPATH": paths, "TIDEGATE_LOCKS": locks}

    def call(self, *words: str, settings: Path | None = None) -> tuple[int, str, float]:
        """Run a command to its end: exit code, what it said, how long it took."""
        began_s = time.monotonic()
        done = subprocess.run(
            self.command(*words, settings=settings),
            env=self.environment,
            capture_output=True,
            text=True,
            timeout=40,
            check=False,
        )
        took_s = time.monotonic() - began_s
        return done.returncode, done.stdout + done.stderr, took_s

    @contextmanager
    def daemon(self, settings: Path | None = None) -> Iterator[subprocess.Popen[str]]:
        with subprocess.Popen(
            self.command("run", settings=settings),
            env=self.environment,
            stderr=subprocess.PIPE,
            text=True,
        ) as process:
            try:
                yield process
            finally:
                if process.poll() is None:
                    process.kill()

    def supply(self) -> str:
        return self.contact.read_text().strip()

    def until(self, holds: Callable[[], bool], within_s: float, what: str) -> None:
        """Wait on a condition of the world outside, in steps of 20 ms."""
        end_s = time.monotonic() + within_s
        tick = threading.Event()
        while not holds():
            assert time.monotonic() < end_s, f"not within {within_s} s: {what}"
            tick.wait(0.02)

    def has_intents(self) -> bool:
        try:
            return bool(intents(rows(self.log, "lobby")))
        except LogError:
            return False  # the file is there, its tables are being made

    def started(self) -> bool:
        return self.supply() == "on" and self.has_intents()


@pytest.fixture
def place(tmp_path: Path) -> Place:
    return Place(tmp_path)


def ended(process: subprocess.Popen[str], number: int) -> tuple[int, str, float]:
    began_s = time.monotonic()
    process.send_signal(number)
    _, said = process.communicate(timeout=30)
    return process.returncode, said, time.monotonic() - began_s


def no_traceback(said: str) -> bool:
    return "Traceback" not in said


@pytest.mark.parametrize(
    "number", [signal.SIGTERM, pytest.param(signal.SIGINT, marks=pytest.mark.slow)]
)
def test_a_signal_ends_it_with_the_supply_on(place: Place, number: int) -> None:
    with place.daemon() as daemon:
        place.until(place.started, 15, "the first on")
        place.write_battery(66)
        place.until(lambda: place.supply() == "off", 15, "off at the high mark")
        code, said, took_s = ended(daemon, number)
    assert (code, place.supply()) == (0, "on"), said
    assert took_s < BOUND_S
    assert no_traceback(said)
    entries = sound(place.log, "lobby")
    ends = [e.row.why for e in entries if isinstance(e.row, RunEndRow)]
    assert ends == ["stopped"]


def test_a_gauge_that_hangs_does_not_delay_the_stop(place: Place) -> None:
    with place.daemon() as daemon:
        place.until(place.started, 15, "the first on")
        pipe = place.battery / ".pipe"
        os.mkfifo(pipe)
        pipe.rename(place.battery / "uevent")
        # Opening to write returns when somebody opens to read, who then waits for ever.
        with (place.battery / "uevent").open("wb"):
            code, said, took_s = ended(daemon, signal.SIGTERM)
    assert (code, place.supply()) == (0, "on"), said
    assert took_s < BOUND_S
    sound(place.log, "lobby")


@pytest.mark.slow
def test_a_relay_that_hangs_does_not_hang_the_stop(place: Place) -> None:
    place.program("on", f"echo on > {place.contact}; exec sleep 1000")
    with place.daemon() as daemon:
        place.until(lambda: place.supply() == "on", 15, "the first on")
        code, said, took_s = ended(daemon, signal.SIGTERM)
    assert code == 0, said
    assert took_s < STOP_BOUND_S
    assert no_traceback(said)
    sound(place.log, "lobby")


def test_a_second_daemon_on_the_same_log_is_told_who_writes_it(place: Place) -> None:
    with place.daemon() as daemon:
        place.until(place.started, 15, "the first on")
        code, said, _ = place.call("run")
        assert code == 75, said
        assert f"process {daemon.pid}" in said
        assert no_traceback(said)
        assert ended(daemon, signal.SIGTERM)[0] == 0


def test_a_second_daemon_on_the_same_relay_is_told_who_holds_it(place: Place) -> None:
    other = place.settings(name="other", log=str(place.folder / "other.db"))
    with place.daemon() as daemon:
        place.until(place.started, 15, "the first on")
        code, said, _ = place.call("run", settings=other)
        assert code == 75, said
        assert f"process {daemon.pid}" in said
        assert no_traceback(said)
        code, said, _ = place.call("restore")
        assert code == 75, said
        assert f"process {daemon.pid}" in said
        assert ended(daemon, signal.SIGTERM)[0] == 0


def test_an_absent_port_never_stops_it(place: Place) -> None:
    port = f'{{ kind = "serial-frame", port = "{place.folder}/no-port" }}'
    settings = place.settings(name="port", relay=port)
    with place.daemon(settings) as daemon:
        place.until(place.has_intents, 15, "a first on")
        assert daemon.poll() is None
        code, said, _ = ended(daemon, signal.SIGTERM)
    assert code == 0, said
    assert "no-port" in said
    assert no_traceback(said)


def test_a_file_instead_of_a_port_can_never_run(place: Place) -> None:
    port = f'{{ kind = "serial-frame", port = "{place.contact}" }}'
    code, said, _ = place.call("run", settings=place.settings(name="p", relay=port))
    assert code == 69, said
    assert "not a serial port" in said
    assert no_traceback(said)


# --- restore ------------------------------------------------------------------------------


def test_after_a_kill_restore_sets_the_supply_on(place: Place) -> None:
    with place.daemon() as daemon:
        place.until(place.started, 15, "the first on")
        daemon.kill()
        daemon.wait(10)
    place.contact.write_text("off\n")
    code, said, took_s = place.call("restore")
    assert (code, place.supply()) == (0, "on"), said
    assert "confirms" in said
    assert took_s < BOUND_S


@pytest.mark.parametrize(
    "breaks",
    [
        pytest.param(("low = 55", "low = 75"), id="a wrong value"),
        pytest.param(("relay = {", "relay = { channels = 3,"), id="in the relay"),
    ],
)
def test_a_kill_while_the_settings_are_wrong_leaves_the_supply_on(
    place: Place, breaks: tuple[str, str]
) -> None:
    """No daemon would start with them, so nobody would ever switch it on again."""
    with place.daemon() as daemon:
        place.until(place.started, 15, "the first on")
        daemon.kill()
        daemon.wait(10)
    place.contact.write_text("off\n")
    text = place.settings_file.read_text()
    place.settings_file.write_text(text.replace(*breaks))
    code, said, took_s = place.call("restore")
    assert (code, place.supply()) == (78, "on"), said
    assert "tidegate.toml:" in said
    assert took_s < BOUND_S
    place.settings_file.write_text("[log")
    with mock.patch.object(restore, "LogSettings") as by_itself:
        # Where the log is cannot be made out then: it is where it is by itself.
        by_itself.return_value.path = place.log
        log, known = restore.last_known(place.settings_file)
    relay = known["lobby"].relay
    assert (log, relay and relay.kind) == (place.log, "command")


def test_restore_without_any_log_goes_by_the_settings(place: Place) -> None:
    code, said, _ = place.call("restore", "lobby")
    assert (code, place.supply()) == (0, "on"), said


def test_restore_uses_the_polarity_that_the_log_shows(place: Place) -> None:
    """The daemon found the wiring reversed: "off" is what brings the supply."""
    with place.daemon() as daemon:
        place.until(place.started, 15, "the first on")
        assert ended(daemon, signal.SIGTERM)[0] == 0
    with sqlite3.connect(place.log) as database:
        database.execute('UPDATE "intent" SET "swapped" = 1')
    database.close()
    code, said, _ = place.call("restore")
    assert (code, place.supply()) == (0, "off"), said


@pytest.mark.parametrize("hangs", ["on", pytest.param("read", marks=pytest.mark.slow)])
def test_restore_is_bounded_by_five_seconds_a_relay(place: Place, hangs: str) -> None:
    place.program(hangs, "exec sleep 1000")
    began_s = time.monotonic()
    code, said, _ = place.call("restore")
    assert code == 69, said
    # Five, and what the interpreter needs to begin.
    assert time.monotonic() - began_s < 6.5
    assert no_traceback(said)


def test_restore_of_an_unplugged_relay_is_69(place: Place) -> None:
    port = f'{{ kind = "serial-frame", port = "{place.folder}/no-port" }}'
    settings = place.settings(name="port", relay=port)
    code, said, took_s = place.call("restore", settings=settings)
    assert code == 69, said
    assert "no-port" in said
    assert took_s < BOUND_S
    assert no_traceback(said)
