"""The programs that a backend runs: begun in a thread, bounded, ended with all of theirs.

Who starts a program waits until exec(2) has found its file, on a disk that hangs for
ever. That must not be the loop, where every other station would wait too; so a thread
forks. By fork(2), not by vfork(2): then the number of the new process is known while
that still looks for its file, and what hangs there is killed like any other.

Each runs in a session of its own. It is killed with its children at its limit, when its
caller gives up, and by ``Programs.end``; what it leaves in its group is killed too.
"""

from __future__ import annotations

import asyncio
import errno
import os
import shutil
import signal
import subprocess
import threading
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future as ThreadFuture
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, Final, TypeVar

T = TypeVar("T")

# What a killed program may take to be gone. One that hangs in the kernel, or runs as
# another user, is then left behind; so many of them, each a process and some memory.
REAPED_WITHIN_S: Final = 2.0
LEFT_MOST: Final = 3
# What others may hold its output open after its end: such as a server that it started.
PIPES_CLOSED_WITHIN_S: Final = 0.5
# How often it is looked at: soon, then less and less. Its closed output wakes us anyway.
_LOOK_S: Final = 0.001, 0.25
# After which one that has no number yet is killed again: a busy machine may be slow.
_AGAIN_S: Final = 0.05
_PIPE_BYTES: Final = 65_536

# The documented way to have subprocess fork: Python's library reference, subprocess,
# "Disable use of posix_spawn() or vfork()". It holds for the process, and only costs.
subprocess._USE_VFORK = False  # type: ignore[misc]


@dataclass(frozen=True, slots=True)
class Ended:
    """How a program ended: its exit code, or a signal's number below 0; what it said."""

    code: int
    out: bytes = b""
    err: bytes = b""

    @property
    def said(self) -> str:
        """The first line on stderr, empty where there is none; of a Python traceback
        the last, which says what went wrong.
        """
        text = self.err.decode("utf-8", errors="replace")
        lines = [line.strip() for line in text.splitlines() if line.strip()]
        if not lines:
            return ""
        return lines[-1] if lines[0].startswith("Traceback ") else lines[0]


class Programs:
    """The programs of one backend: any number at a time, of which one is beginning."""

    def __init__(self) -> None:
        self._one = _OneAtATime()
        self._living: set[Program] = set()

    def begin(
        self,
        argv: Sequence[str],
        *,
        environment: Mapping[str, str] | None = None,
        kept_bytes: int,
        is_over_when_full: bool = False,
    ) -> Program:
        """Return a program that is about to begin; await its ``ended``.

        Of stdout and stderr this much is kept each, and the rest dropped; or the
        program is killed when its stdout is full. Errors: OSError where too many that
        could not be ended are left behind.
        """
        left = sum(program.is_left for program in self._living)
        if left >= LEFT_MOST:
            raise OSError(errno.EAGAIN, f"{left} runs before it could not be ended")
        program = Program(
            argv,
            environment,
            kept_bytes=kept_bytes,
            is_over_when_full=is_over_when_full,
            one=self._one,
        )
        self._living.add(program)
        program.life.add_done_callback(lambda _: self._living.discard(program))
        return program

    async def end(self) -> None:
        """Kill all that run or are about to, and wait for them; at most 2 s."""
        await asyncio.gather(*(program.end() for program in tuple(self._living)))

    async def found(self, name: str) -> str | None:
        """Return the path of a program that may be run, ``None`` where there is none."""
        return await self._one.call(lambda: shutil.which(name))


class Program:
    """One run, which lives by itself: a caller only waits for it, or kills it."""

    def __init__(
        self,
        argv: Sequence[str],
        environment: Mapping[str, str] | None,
        *,
        kept_bytes: int,
        is_over_when_full: bool,
        one: _OneAtATime,
    ) -> None:
        self._argv, self._environment = argv, environment
        self._kept_bytes, self._is_over_when_full = kept_bytes, is_over_when_full
        self._said = {1: bytearray(), 2: bytearray()}
        self._open: set[int] = set()
        self._process: _Process | None = None
        self._is_begun = self._is_orphan = False
        self._is_ours = True
        self._killed_s: float | None = None
        self._woken = asyncio.Event()
        self.life = asyncio.get_running_loop().create_task(self._live(one))
        self.life.add_done_callback(_read)

    @property
    def is_left(self) -> bool:
        """Whether it was killed in vain, or beyond our reach, and lives on."""
        if self._killed_s is None or self.life.done():
            return False
        now_s = asyncio.get_running_loop().time()
        return now_s - self._killed_s >= REAPED_WITHIN_S

    async def ended(self, limit_s: float) -> Ended:
        """Return how it ended; afterwards nothing of it is left, if that can be.

        Raises TimeoutError at the limit, OSError or ValueError where it cannot be
        started. It may take 2 s more than its limit.
        """
        try:
            done, _ = await asyncio.wait({self.life}, timeout=limit_s)
            if not done:
                raise TimeoutError
        finally:
            await self.end()
        if self.life.cancelled():
            return Ended(-signal.SIGKILL)  # before it began
        return self.life.result()

    async def end(self) -> None:
        """Kill what is left of it, and wait until that is gone; at most 2 s."""
        self.kill()
        if self._is_ours:
            await asyncio.wait({self.life}, timeout=REAPED_WITHIN_S)

    def kill(self) -> None:
        """Let it not go on, or not even begin."""
        if self.life.done():
            return
        loop = asyncio.get_running_loop()
        if self._killed_s is None:
            self._killed_s = loop.time()
        if not self._is_begun:
            self.life.cancel()
        elif self._pid is None:
            loop.call_later(_AGAIN_S, self.kill)  # it is being forked just now
        else:
            self._signal()
            self._woken.set()

    # --- its life ---------------------------------------------------------------------

    async def _live(self, one: _OneAtATime) -> Ended:
        try:
            await one.call(self._fork, has_begun=self._has_begun)
        except asyncio.CancelledError:
            self._is_orphan = True  # the loop ends; its thread takes care of it
            if self._pid is not None:
                self._signal()
            raise
        process = self._process
        assert process is not None
        try:
            code = await self._exit_code(process)
        except asyncio.CancelledError:
            self._signal()
            with suppress(subprocess.TimeoutExpired):
                process.wait(REAPED_WITHIN_S)  # the loop ends, nobody else waits
            raise
        finally:
            for number, pipe in process.pipes:
                self._close(number, pipe.fileno())
                pipe.close()
        return Ended(code, bytes(self._said[1]), bytes(self._said[2]))

    def _has_begun(self) -> None:
        self._is_begun = True

    def _fork(self) -> None:
        """In the thread. It takes as long as the file takes to be found."""
        process = _Process(self._argv, self._environment, made=self._is_made)
        if self._is_orphan:
            with process:  # closes its pipes and waits for it
                self._signal()

    def _is_made(self, process: _Process) -> None:
        self._process = process

    @property
    def _pid(self) -> int | None:
        """Its number, as soon as it is forked."""
        return None if self._process is None else getattr(self._process, "pid", None)

    async def _exit_code(self, process: _Process) -> int:
        """Read what it says until it has ended; nothing of its group is left then."""
        for number, pipe in process.pipes:
            self._read_from(number, pipe.fileno())
        if self._killed_s is not None:
            self._signal()
        await self._exit(process.pid)
        # Its number is another's only after it was waited for: so in this order.
        self._signal()
        code = process.wait()
        if self._killed_s is None:
            with suppress(TimeoutError):
                async with asyncio.timeout(PIPES_CLOSED_WITHIN_S):
                    while self._open:
                        self._woken.clear()
                        await self._woken.wait()
        return code

    async def _exit(self, pid: int) -> None:
        look_s, longest_s = _LOOK_S
        while not _has_ended(pid):
            self._woken.clear()
            try:
                async with asyncio.timeout(look_s):
                    await self._woken.wait()
                look_s = _LOOK_S[0]
            except TimeoutError:
                look_s = min(2 * look_s, longest_s)

    def _signal(self) -> None:
        """Kill it and its group; what runs as another user cannot be."""
        pid = self._pid
        assert pid is not None
        try:
            os.killpg(pid, signal.SIGKILL)
        except ProcessLookupError:
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)  # it has no session of its own yet
        except PermissionError:
            self._is_ours = False

    # --- what it says -----------------------------------------------------------------

    def _read_from(self, number: int, descriptor: int) -> None:
        os.set_blocking(descriptor, False)
        self._open.add(number)
        loop = asyncio.get_running_loop()
        loop.add_reader(descriptor, self._take, number, descriptor)

    def _take(self, number: int, descriptor: int) -> None:
        try:
            said = os.read(descriptor, _PIPE_BYTES)
        except BlockingIOError:
            return
        if not said:
            self._close(number, descriptor)
            self._woken.set()
            return
        kept = self._said[number]
        kept += said[: self._kept_bytes - len(kept)]
        if self._is_over_when_full and number == 1 and len(kept) == self._kept_bytes:
            self.kill()

    def _close(self, number: int, descriptor: int) -> None:
        if number in self._open:
            self._open.discard(number)
            asyncio.get_running_loop().remove_reader(descriptor)


class _Process(subprocess.Popen[bytes]):
    """Is handed to ``made`` before it is forked, and gets its ``pid`` while it is."""

    def __init__(
        self,
        argv: Sequence[str],
        environment: Mapping[str, str] | None,
        *,
        made: Callable[[_Process], None],
    ) -> None:
        made(self)
        super().__init__(
            argv,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            bufsize=0,
            env=environment,
            start_new_session=True,
        )

    @property
    def pipes(self) -> tuple[tuple[int, Any], ...]:
        """Its stdout and its stderr, by number."""
        return ((1, self.stdout), (2, self.stderr))


class _OneAtATime:
    """Makes calls that may hang in a thread: the next begins when the last came back.

    A caller that gives up leaves its call under way; one that only waits is dropped.
    """

    def __init__(self) -> None:
        self._turn = asyncio.Lock()

    async def call(
        self, function: Callable[[], T], has_begun: Callable[[], None] | None = None
    ) -> T:
        """Return what the function returns. Errors: its own; OSError without threads."""
        await self._turn.acquire()
        if has_begun is not None:
            has_begun()
        try:
            done = _in_thread(function)
        except OSError:
            self._turn.release()
            raise
        done.add_done_callback(lambda _: self._turn.release())
        done.add_done_callback(_read)
        await asyncio.wait({done})
        return done.result()


def _in_thread(function: Callable[[], T]) -> asyncio.Future[T]:
    job: ThreadFuture[T] = ThreadFuture()

    def work() -> None:
        try:
            job.set_result(function())
        except Exception as error:  # noqa: BLE001 - raised again in the caller
            job.set_exception(error)

    try:
        threading.Thread(target=work, name="tidegate program", daemon=True).start()
    except RuntimeError as error:
        raise OSError(errno.EAGAIN, "no thread to start it in") from error
    return asyncio.wrap_future(job)


def _read(ended: asyncio.Future[Any]) -> None:
    """Take note of an error, also where nobody waits for it any more."""
    if not ended.cancelled():
        ended.exception()


def _has_ended(pid: int) -> bool:
    """Whether a child of ours has ended; it is not waited for by this: waitid(2)."""
    flags = os.WEXITED | os.WNOHANG | os.WNOWAIT
    try:
        return os.waitid(os.P_PID, pid, flags) is not None
    except ChildProcessError:
        return True  # whoever started us has them waited for by the kernel
