"""A battery whose numbers follow a network socket, for a real daemon beside it.

The gauge is a program that prints a file; the file is written ten times a second, by
what the socket's contact does. A point of charge takes half a second.
"""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Self

TICK_S = 0.1
RATE_PERCENT_S = 2.0


class NetworkWorld:
    """The battery and its clock. ``powered`` asks the socket's contact.

    ``bed`` and ``settings`` are what ``live_world.Daemon`` wants of a world.
    """

    bed = None

    def __init__(
        self,
        folder: Path,
        powered: Callable[[], bool],
        *,
        relay: str,
        soc_percent: float = 62.0,
        host_is_device: bool = False,
    ) -> None:
        self.folder = folder
        self.soc_percent = soc_percent
        self.trace: list[float] = []
        self._powered = powered
        self._relay = relay
        self._host_is_device = host_is_device
        self._answer = folder / "battery.json"
        self._program = folder / "guide-battery"
        self._program.write_text(f"#!/bin/sh\nexec cat {self._answer}\n")
        self._program.chmod(0o755)
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._write(is_on=True)

    @property
    def log(self) -> Path:
        return self.folder / "cycles.db"

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended.set()
        self._thread.join(timeout=5)

    def _run(self) -> None:
        last_s = time.monotonic()
        while not self._ended.wait(TICK_S):
            now_s = time.monotonic()
            is_on = self._powered()
            step = RATE_PERCENT_S * (now_s - last_s)
            last_s = now_s
            level = self.soc_percent + (step if is_on else -step)
            self.soc_percent = min(100.0, max(0.0, level))
            self.trace.append(self.soc_percent)
            self._write(is_on=is_on)

    def _write(self, *, is_on: bool) -> None:
        new = self._answer.with_suffix(".new")
        reading = {
            "soc_percent": int(self.soc_percent),
            "battery_status": "charging" if is_on else "discharging",
            "external_power": "yes" if is_on else "no",
            "voltage_v": round(3.6 + self.soc_percent / 250, 3),
            "temperature_c": 25.1,
        }
        new.write_text(json.dumps(reading))
        new.rename(self._answer)

    def settings(self) -> Path:
        path = self.folder / "tidegate.toml"
        host = str(self._host_is_device).lower()
        path.write_text(
            f"""
[log]
path = "{self.log}"

[station.lobby]
poll = "1s"
window = {{ low = 55, high = 65 }}
dwell = {{ on = "5s", off = "5s" }}
limits = {{ floor = 30 }}
budget = {{ per_hour = 720, per_day = 17280 }}
settle = "2s"
stale_after = "5s"
gauge = {{ kind = "command", run = ["{self._program}"], host_is_device = {host} }}
relay = {self._relay}
""",
            encoding="utf-8",
        )
        return path

    def wait_until(
        self, holds: Callable[[], bool], timeout_s: float, what: Callable[[], str]
    ) -> None:
        """Wait on a condition; ``what`` says afterwards what was missing."""
        deadline_s = time.monotonic() + timeout_s
        while not holds():
            assert time.monotonic() < deadline_s, f"not within {timeout_s} s: {what()}"
            self._ended.wait(TICK_S)
