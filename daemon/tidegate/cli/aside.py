"""Talk that nobody waits for: a terminal that stands still must not stop a run.

A person who presses Ctrl-S, or a pipe that nobody reads, holds up whoever writes to
it. Here a thread of its own does the writing.
"""

from __future__ import annotations

import io
import os
import queue
import threading
from contextlib import suppress
from typing import Final, TextIO

END_LIMIT_S: Final = 2.0


class Aside(io.TextIOBase):
    """Passes text on to a stream, in order, without ever waiting for it."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self._texts: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._work, name="talk", daemon=True)
        self._thread.start()

    def write(self, text: str, /) -> int:
        """Take text; it is written when the stream takes it."""
        self._texts.put(text)
        return len(text)

    def isatty(self) -> bool:
        """Return whether a person reads it."""
        return self._stream.isatty()

    def end(self, limit_s: float = END_LIMIT_S) -> None:
        """Wait until all was written, at most so long."""
        self._texts.put(None)
        self._thread.join(limit_s)

    def _work(self) -> None:
        while (text := self._texts.get()) is not None:
            # A stream that went away takes nothing more, and that is no fault.
            with suppress(OSError, ValueError):
                self._pass_on(text)

    def _pass_on(self, text: str) -> None:
        try:
            descriptor = self._stream.fileno()
        except io.UnsupportedOperation:
            self._stream.write(text)
            return
        # Past the stream's own buffer: its lock, held by a thread that hangs, would
        # abort the interpreter at its end.
        data = text.encode(errors="replace")
        while data:
            data = data[os.write(descriptor, data) :]
