"""An unrooted tablet's set-up under runit: a `command` gauge and an `http` socket.

The service folder is the one of ``packaging/runit``; runsv is the real one.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from support.evidence import sound
from support.http_socket import HttpSocket
from support.network_world import NetworkWorld
from support.peers import need
from tidegate.cyclelog.rows import RunEndRow, RunRow

PACKAGED = Path(__file__).parents[2] / "packaging" / "runit" / "tidegate"

pytestmark = [pytest.mark.peer, pytest.mark.slow, pytest.mark.timeout(240)]


class Service:
    """A folder as an operator makes it from ours, and its runsv."""

    def __init__(self, folder: Path, settings: Path) -> None:
        self.folder = folder / "service"
        shutil.copytree(PACKAGED, self.folder)
        (folder / "bin").mkdir()
        tool = folder / "bin" / "tidegate"
        tool.write_text(f'#!/bin/sh\nexec {sys.executable} -m tidegate "$@"\n')
        tool.chmod(0o755)
        paths = os.pathsep.join(path for path in sys.path if path)
        (self.folder / "environment").write_text(
            f'export PATH="{folder / "bin"}:$PATH"\n'
            f'export PYTHONPATH="{paths}"\n'
            f'export TIDEGATE_CONFIG="{settings}"\n'
            f'export TIDEGATE_LOCKS="{folder / "locks"}"\n'
        )
        self._sv = need("sv")
        self.process = subprocess.Popen([need("runsv"), str(self.folder)])

    @property
    def said(self) -> str:
        file = self.folder / "log" / "main" / "current"
        return file.read_text(errors="replace") if file.exists() else "nothing yet"

    @property
    def pid(self) -> int | None:
        """The daemon's process, as runsv knows it."""
        text = self._of_runsv("pid")
        return int(text) if text else None

    @property
    def is_down(self) -> bool:
        return self.state == "down"

    @property
    def state(self) -> str:
        """The word that `sv status` begins with: run, finish or down."""
        return self._of_runsv("stat").partition(",")[0]

    def waits(self) -> bool:
        """Whether `finish` has come to its wait."""
        return bool(self._sleeping())

    def wait_no_longer(self) -> None:
        """End the wait of `finish`."""
        for pid in self._sleeping():
            os.kill(pid, signal.SIGKILL)

    def _sleeping(self) -> list[int]:
        """The processes called sleep whose parent is the `finish` that runs now."""
        found = []
        for folder in Path("/proc").glob("[0-9]*"):
            try:
                name, _, rest = (folder / "stat").read_text().rpartition(")")
            except OSError:
                continue  # it ended meanwhile
            if int(rest.split()[1]) == self.pid and name.endswith("(sleep"):
                found.append(int(folder.name))
        return found

    def _of_runsv(self, name: str) -> str:
        file = self.folder / "supervise" / name
        return file.read_text().strip() if file.exists() else ""

    def order(self, word: str) -> None:
        subprocess.run([self._sv, word, str(self.folder)], check=True, timeout=60)

    def end(self) -> None:
        """What closing the terminal does: TERM to runsv, which ends what it runs."""
        if self.process.poll() is None:
            self.process.terminate()
        try:
            self.process.wait(timeout=40)
        except subprocess.TimeoutExpired:
            for pid in (self.pid, self.process.pid):
                if pid is not None:
                    os.kill(pid, signal.SIGKILL)
            self.process.wait(timeout=20)
            raise


@contextmanager
def service(folder: Path, settings: Path) -> Iterator[Service]:
    made = Service(folder, settings)
    try:
        yield made
    finally:
        made.end()


def test_a_tablet_under_runit(tmp_path: Path) -> None:
    secret = tmp_path / "lobby-socket.secret"
    secret.write_text("curator:open sesame\n")
    secret.chmod(0o600)
    with HttpSocket(user="curator:open sesame") as peer:
        # Longer than the test waits for an on: the socket's timer takes no part in it.
        table = (
            f'{{ kind = "http", base = "{peer.base}", credentials = "{secret}", '
            'timer = "10min", '
            """on = { method = "PUT", url = "/outlet/1", body = '{"supply": "on"}' }, """
            """off = { method = "PUT", url = "/outlet/1", """
            """body = '{"supply": "off", "for_s": {seconds}}' }, """
            'read = { url = "/outlet/1", state = '
            '{ pointer = "/outlets/0/on", on = true, off = false } } }'
        )
        world = NetworkWorld(
            tmp_path, lambda: peer.on, relay=table, host_is_device=True
        )
        with world, service(tmp_path, world.settings()) as under:

            def until_off(what: str) -> None:
                world.wait_until(
                    lambda: not peer.on, 60, lambda: f"{what}: {under.said}"
                )

            def until_on(what: str) -> None:
                world.wait_until(lambda: peer.on, 40, lambda: f"{what}: {under.said}")

            until_off("the high mark")
            first = under.pid
            assert first is not None
            os.kill(first, signal.SIGKILL)
            until_on("finish restores")
            world.wait_until(
                lambda: "lobby: on, the relay confirms" in under.said,
                20,
                lambda: under.said,
            )
            world.wait_until(
                lambda: under.pid not in (None, first), 40, lambda: "started again"
            )
            until_off("the high mark again")

            under.order("down")
            until_on("told to go down")
            world.wait_until(lambda: under.is_down, 40, lambda: "down")
            under.order("up")
            until_off("up again")
        assert peer.on, "the terminal was closed"
        heard = [entry.body for entry in peer.heard if entry.method == "PUT"]
    assert b'{"supply": "off", "for_s": 600}' in heard
    entries = sound(world.log, "lobby")
    runs = [entry.row for entry in entries if isinstance(entry.row, RunRow)]
    ends = [entry.row.why for entry in entries if isinstance(entry.row, RunEndRow)]
    assert len(runs) == 3
    assert ends == ["stopped", "stopped"], "the first one was killed"


def test_what_cannot_be_mended_is_not_tried_every_second(tmp_path: Path) -> None:
    """Settings that are wrong: finish waits before runsv may start it again."""
    settings = tmp_path / "tidegate.toml"
    settings.write_text("[station.lobby]\nnonsense = 1\n")
    with HttpSocket() as peer:
        world = NetworkWorld(tmp_path, lambda: peer.on, relay="{}")
        with service(tmp_path, settings) as under:
            world.wait_until(
                lambda: "unknown key" in under.said, 40, lambda: under.said
            )
            world.wait_until(
                lambda: under.said.count("unknown key") == 2 and under.waits(),
                40,
                lambda: f"both have said it, and finish waits: {under.said}",
            )
            assert under.state == "finish"
            # Ending that wait is what starts it again, or ends it now.
            under.wait_no_longer()
