"""A relay board in a process of its own, and the test's end of its wire.

with BoardProcess(tmp_path / "board", "--channels", "2") as board:
    board.until("contact", channel=1, driven=True)
    board.command("unplug")
"""

from __future__ import annotations

import json
import os
import queue
import subprocess
import sys
import threading
import time
from pathlib import Path
from types import TracebackType
from typing import Any, Self

_TESTS = Path(__file__).parents[1]


class BoardProcess:
    """The process. ``told`` keeps every event that was taken from it, in order."""

    def __init__(self, link: Path, *options: str) -> None:
        self.link = link
        self.told: list[dict[str, Any]] = []
        self._events: queue.Queue[dict[str, Any] | None] = queue.Queue()
        self._peer = subprocess.Popen(
            [
                sys.executable,
                "-m",
                "support.relay_board",
                "--link",
                str(link),
                *options,
            ],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            bufsize=1,
            env={**os.environ, "PYTHONPATH": str(_TESTS)},
        )
        self._reader = threading.Thread(target=self._read, daemon=True)

    def __enter__(self) -> Self:
        self._reader.start()
        self.until("ready", within_s=20.0)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        assert self._peer.stdin is not None
        assert self._peer.stdout is not None
        try:
            if self._peer.poll() is None:
                self._peer.stdin.write("quit\n")
            code = self._peer.wait(timeout=10)
        finally:
            self._peer.kill()
            self._peer.wait()
            self._reader.join(timeout=5)
            self._peer.stdin.close()
            self._peer.stdout.close()
        if error is None:
            assert code == 0, f"the board ended with {code}"

    def until(
        self, event: str, *, within_s: float = 10.0, **fields: Any
    ) -> dict[str, Any]:
        """Return the next event of this name whose fields are these."""
        deadline_s = time.monotonic() + within_s
        wanted = {"event": event, **fields}
        while True:
            try:
                told = self._events.get(timeout=max(0.0, deadline_s - time.monotonic()))
            except queue.Empty:
                raise AssertionError(
                    f"no {wanted} within {within_s} s after {self.told}"
                ) from None
            assert told is not None, f"the board ended before {wanted}"
            self.told.append(told)
            if wanted.items() <= told.items():
                return told

    def say(self, line: str) -> None:
        """Send a command without waiting for what comes of it."""
        assert self._peer.stdin is not None
        self._peer.stdin.write(f"{line}\n")

    def command(self, line: str) -> None:
        """Send a command and wait until it is done."""
        self.say(line)
        self.until("done", command=line)

    def _read(self) -> None:
        assert self._peer.stdout is not None
        for line in self._peer.stdout:
            self._events.put(json.loads(line))
        self._events.put(None)
