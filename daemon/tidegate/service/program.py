"""One run of an operator's program, bounded in time and in what it may say.

Blocks, so it belongs in a thread of its own. Who starts a program is held until the
new process has found it (vfork(2)), for ever if it lies on a disk that hangs. So we
start the shell of the system, which becomes the program: that is held in our place,
has a number that can be killed, and is bounded as any other.
"""

from __future__ import annotations

import os
import signal
import subprocess
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import Final

# What is kept of all that a program says.
KEPT_BYTES: Final = 1_024
# Between being asked to end and being made to, and what the latter may take.
GRACE_S: Final = 1.0
KILL_WAIT_S: Final = 1.0
# How many that cannot be ended may be left behind; each is a process and some memory.
LEFT_MOST: Final = 3
# How often it is looked at. The shortest finds one that ends at once; at the longest,
# of one that floods its output a pipe full is taken each time, and it waits for us.
_LOOK_S: Final = 0.001, 0.05
_PIPE_BYTES: Final = 65_536
# No text of the operator's is in it: they are arguments, passed on as they are.
_BECOME: Final = 'exec "$0" "$@"'
# POSIX.1-2017, Shell & Utilities, sh, EXIT STATUS and 2.8.2.
_SHELL_SAYS: Final = {126: "it cannot be run", 127: "it was not found"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Ended:
    """How a program ended: ``why`` not well, in words, or empty; the start of ``said``."""

    why: str = ""
    said: str = ""


class Program:
    """Runs a program, one run at a time; ``signal`` may come from another thread."""

    def __init__(self) -> None:
        # Held for moments only: what takes time is done without it.
        self._lock = threading.Lock()
        self._group: int | None = None
        self._stopping: int | None = None
        self._left: list[subprocess.Popen[bytes]] = []

    def run(
        self,
        arguments: Sequence[str],
        *,
        environment: Mapping[bytes, bytes],
        line: bytes,
        limit_s: float,
    ) -> Ended:
        """Run it to its end, and return how that was.

        ``line`` (less than PIPE_BUF bytes) comes on its standard input. Output beyond
        the first kilobyte is dropped. At the limit its process group gets SIGTERM, then
        SIGKILL; what it leaves in the group when it ends is killed too. It takes at
        most 2 s more than its limit. Errors: OSError where no process can be made.
        """
        self._left = [process for process in self._left if process.poll() is None]
        if len(self._left) >= LEFT_MOST:
            return Ended(why=f"{len(self._left)} runs before it could not be ended")
        with _filled_pipe(line) as facts:
            process = _started(arguments, environment, facts)
        output = _Output(process)
        try:
            self._has_begun(process)
            return self._ended(process, output, limit_s)
        finally:
            output.close()

    def signal(self, number: int) -> None:
        """Send this to what runs and to all that runs from now on: the daemon stops."""
        with self._lock:
            self._stopping = number
            if self._group is not None:
                _signal(self._group, number)

    def _has_begun(self, process: subprocess.Popen[bytes]) -> None:
        with self._lock:
            self._group = process.pid
            if self._stopping is not None:
                _signal(process.pid, self._stopping)

    def _ended(
        self, process: subprocess.Popen[bytes], output: _Output, limit_s: float
    ) -> Ended:
        in_time = output.read_until_end(limit_s)
        if not in_time:
            _signal(process.pid, signal.SIGTERM)
            if not output.read_until_end(GRACE_S):
                _signal(process.pid, signal.SIGKILL)
                output.read_until_end(KILL_WAIT_S)
        if not _has_ended(process.pid):
            self._leave(process)
            return Ended(why="it cannot be ended", said=output.said)
        code = self._reaped(process)
        if in_time:
            return Ended(why=_why(code), said=output.said)
        why = f"it did not end within {limit_s:g} s, and was ended"
        return Ended(why=why, said=output.said)

    def _reaped(self, process: subprocess.Popen[bytes]) -> int:
        """Return its exit code, with nothing left in its group."""
        with self._lock:
            # Its number is another's only after it was waited for: so in this order.
            _signal(process.pid, signal.SIGKILL)
            self._group = None
        return process.wait()

    def _leave(self, process: subprocess.Popen[bytes]) -> None:
        """Leave behind one that hangs in the kernel, or runs as somebody else."""
        with self._lock:
            self._group = None
        self._left.append(process)


def _started(
    arguments: Sequence[str], environment: Mapping[bytes, bytes], facts: int
) -> subprocess.Popen[bytes]:
    # UTF-8 as in the settings file, whatever the language of the machine.
    words = [word.encode("utf-8", "surrogateescape") for word in arguments]
    return subprocess.Popen(
        [_BECOME, *words],
        shell=True,
        stdin=facts,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        env=environment,
        cwd="/",
        start_new_session=True,
    )


@contextmanager
def _filled_pipe(line: bytes) -> Iterator[int]:
    """Yield a pipe to read one line from; it is whole before anybody reads: pipe(7)."""
    reading, writing = os.pipe()
    try:
        try:
            os.write(writing, line + b"\n")
        finally:
            os.close(writing)
        yield reading
    finally:
        os.close(reading)


class _Output:
    """What a program says, read while it runs."""

    def __init__(self, process: subprocess.Popen[bytes]) -> None:
        assert process.stdout is not None
        self._pid = process.pid
        self._pipe = process.stdout
        self._kept = bytearray()
        os.set_blocking(self._pipe.fileno(), False)

    @property
    def said(self) -> str:
        """Its beginning, stdout and stderr as they came."""
        return self._kept.decode(errors="replace")

    def close(self) -> None:
        self._pipe.close()

    def read_until_end(self, limit_s: float) -> bool:
        """Return whether the program ended within the limit.

        Output that others hold open after its end is not waited for.
        """
        end_s = time.monotonic() + limit_s
        look_s, longest_s = _LOOK_S
        while True:
            # In this order, so that the last words are read.
            has_ended = _has_ended(self._pid)
            self._read()
            if has_ended:
                return True
            left_s = end_s - time.monotonic()
            if left_s <= 0:
                return False
            time.sleep(min(look_s, left_s))
            look_s = min(2 * look_s, longest_s)

    def _read(self) -> None:
        with suppress(BlockingIOError):
            said = os.read(self._pipe.fileno(), _PIPE_BYTES)
            self._kept += said[: KEPT_BYTES - len(self._kept)]


def _has_ended(pid: int) -> bool:
    """Whether a child of ours has ended; it is not waited for by this: waitid(2)."""
    flags = os.WEXITED | os.WNOHANG | os.WNOWAIT
    try:
        return os.waitid(os.P_PID, pid, flags) is not None
    except ChildProcessError:
        return True  # whoever started us has them waited for by the kernel


def _why(code: int) -> str:
    if code == 0:
        return ""
    if code < 0:
        return f"signal {-code}"
    meaning = _SHELL_SAYS.get(code)
    return f"exit {code}" + (f" ({meaning})" if meaning else "")


def _signal(group: int, number: int) -> None:
    # Gone, or another user's.
    with suppress(ProcessLookupError, PermissionError):
        os.killpg(group, number)
