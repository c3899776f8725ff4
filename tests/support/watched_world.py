"""A real daemon over two invented stations, hall and tower, to be asked and watched."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from support.live_world import Battery, Daemon, LiveWorld
from support.terminal import LIMIT_S, Terminal


class WatchedWorld(LiveWorld):
    """The charge moves a point in two seconds, between 55 and 65 %."""

    def __init__(self, folder: Path) -> None:
        self.hall = Battery("HALL", soc_percent=60.5, rate_percent_s=0.5)
        self.tower = Battery("TOWER", channel=2, soc_percent=60.5, rate_percent_s=0.5)
        super().__init__(folder, self.hall, self.tower)
        self.socket = folder / "control.sock"
        path = self.settings()
        control = f'[control]\nsocket = "{self.socket}"\n[log]'
        path.write_text(path.read_text().replace("[log]", control))
        self.path = path

    @contextmanager
    def running(self) -> Iterator[Daemon]:
        """Start the daemon and wait until both stations have read."""
        with self.daemon() as daemon:
            self.wait_until(self.answers, LIMIT_S, "the daemon answers")
            yield daemon
            if daemon.process.poll() is None:
                daemon.stop()

    def answers(self) -> bool:
        done = self.call("status")
        return done.returncode in (0, 1) and done.stdout.count("SoC") >= 2

    @property
    def environment(self) -> dict[str, str]:
        paths = os.pathsep.join(path for path in sys.path if path)
        return {
            "PATH": os.environ["PATH"],
            "PYTHONPATH": paths,
            "TIDEGATE_LOCKS": str(self.folder / "locks"),
            "TZ": "EST5EDT",
            "LANG": "C.UTF-8",
            "TERM": "xterm-256color",
        }

    def words(self, *words: str) -> list[str]:
        command = [sys.executable, "-m", "tidegate", *words]
        return [*command, "--config", str(self.path)]

    def call(self, *words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            self.words(*words),
            env=self.environment,
            capture_output=True,
            text=True,
            timeout=LIMIT_S,
            check=False,
        )

    def terminal(
        self, *words: str, columns: int = 80, rows: int = 24, **env: str
    ) -> Terminal:
        return Terminal(
            self.words(*words),
            environment={**self.environment, **env},
            columns=columns,
            rows=rows,
        )
