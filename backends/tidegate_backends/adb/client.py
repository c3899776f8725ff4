"""The one adb program of an adb server: run, bounded, reaped.

adb has no time limit of its own: a device that takes a command and does not answer
holds the client for ever, and so does a server that hangs. Each call here is a process
in a group of its own, killed at its limit and when its caller gives up.

Source: `adb help` of version 1.0.41; environment: AOSP packages/modules/adb,
docs/user/adb.1.md.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import shutil
import signal
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tidegate.errors import BackendError, Refused, Unavailable, Unsupported
from tidegate_backends.adb.turns import Turn, Turns
from tidegate_backends.wire.adb_text import version_in

# The dump stands first; what makers print behind it may be long.
OUTPUT_AT_MOST: Final = 256 * 1024
REAPED_WITHIN_S: Final = 2.0
PIPES_CLOSED_WITHIN_S: Final = 0.5
RESTART_AT_MOST_EVERY_MS: Final = 3_600_000

# What would send a call to another server or device, or mix a trace into the answer.
_NOT_OURS: Final = (
    "ANDROID_SERIAL",
    "ANDROID_ADB_SERVER_ADDRESS",
    "ANDROID_ADB_SERVER_PORT",
    "ADB_SERVER_SOCKET",
    "ADB_TRACE",
)


class Hung(Exception):
    """A call did not end by itself; ``gave_way``: it was ended early, for others."""

    def __init__(self, *, gave_way: bool) -> None:
        super().__init__("gave way" if gave_way else "killed")
        self.gave_way = gave_way


@dataclass(frozen=True, slots=True)
class Said:
    """What a call printed; there is no use for its exit code."""

    out: str
    err: str

    @property
    def all(self) -> str:
        """Both, what it complained of first."""
        return f"{self.err}\n{self.out}"


class _Program(asyncio.SubprocessProtocol):
    """Collects what a program prints. ``finished``: it ended, or may be ended."""

    def __init__(self) -> None:
        self.printed = {1: bytearray(), 2: bytearray()}
        self.finished = asyncio.Event()
        self.reaped = asyncio.Event()

    def pipe_data_received(self, fd: int, data: bytes) -> None:
        kept = self.printed[fd]
        kept += data[: OUTPUT_AT_MOST - len(kept)]
        if len(kept) >= OUTPUT_AT_MOST:
            self.finished.set()

    def process_exited(self) -> None:
        self.reaped.set()
        # A server that it started may hold its pipes open for ever.
        loop = asyncio.get_running_loop()
        loop.call_later(PIPES_CLOSED_WITHIN_S, self.finished.set)

    def connection_lost(self, exc: Exception | None) -> None:
        self.finished.set()

    def text(self, fd: int) -> str:
        return self.printed[fd].decode("utf-8", errors="replace")


async def execute(
    argv: Sequence[str],
    environment: Mapping[str, str],
    *,
    limit_s: float,
    turn: Turn | None = None,
) -> Said:
    """Run a program to its end. Raises Hung, OSError where it cannot be started."""
    if turn is not None and turn.gave_way:
        raise Hung(gave_way=True)  # between two calls of one turn
    loop = asyncio.get_running_loop()
    transport, program = await loop.subprocess_exec(
        _Program,
        *argv,
        stdin=asyncio.subprocess.DEVNULL,
        env=dict(environment),
        start_new_session=True,
    )
    try:
        if turn is not None:
            turn.stop = program.finished.set
        async with asyncio.timeout(limit_s):
            await program.finished.wait()
    except TimeoutError as error:
        raise Hung(gave_way=False) from error
    finally:
        if turn is not None:
            turn.stop = None
        await _end(transport, program)
    if turn is not None and turn.gave_way:
        raise Hung(gave_way=True)
    return Said(program.text(1), program.text(2))


async def _end(transport: asyncio.SubprocessTransport, program: _Program) -> None:
    """Kill what is left of the call, close its pipes, reap it.

    A server that the call started has a session of its own and stays.
    """
    try:
        if not program.reaped.is_set():
            with contextlib.suppress(ProcessLookupError, PermissionError):
                os.killpg(transport.get_pid(), signal.SIGKILL)
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(REAPED_WITHIN_S):
                await program.reaped.wait()
    finally:
        transport.close()  # also when the caller gives up just here


def found_program(name: str) -> str:
    """Return the full path of the adb program. Errors: Unsupported."""
    path = shutil.which(name)
    if path is None and not Path(name).exists():
        raise Unsupported(
            f"there is no program {name}",
            target="adb",
            remedy="Install it (package `adb`), or name its path with `program`",
        )
    return path or name


@dataclass(frozen=True, slots=True)
class Place:
    """Which server, by which program, with whose keys; ``None``: as the environment."""

    program: str
    port: int = 5037
    home: str | None = None
    vendor_keys: str | None = None

    def environment(self) -> dict[str, str]:
        """Return the environment of the calls, and of a server that they start."""
        kept = {name: os.environ[name] for name in os.environ if name not in _NOT_OURS}
        if self.home is not None:
            kept["HOME"] = self.home
        if self.vendor_keys is not None:
            kept["ADB_VENDOR_KEYS"] = self.vendor_keys
        return kept


class AdbServer:
    """One adb server and the calls to it, shared by the stations that use it."""

    def __init__(self, place: Place) -> None:
        self.place = place
        self.turns = Turns()
        self.version: str | None = None
        self._started = False
        self._starting = asyncio.Lock()
        self._restarted_ms: int | None = None

    async def call(self, *words: str, limit_s: float, turn: Turn | None = None) -> Said:
        """Run ``adb WORDS`` at this server. Raises Hung; errors: Refused, Unsupported."""
        end_s = asyncio.get_running_loop().time() + limit_s
        try:
            async with asyncio.timeout(limit_s):
                await self._ensure_started(limit_s)
        except TimeoutError as error:
            raise Hung(gave_way=False) from error
        left_s = max(0.0, end_s - asyncio.get_running_loop().time())
        return await self._run(*words, limit_s=left_s, turn=turn)

    async def learn_version(self, limit_s: float) -> None:
        """Ask the program what it is. Raises Hung; errors as ``call``."""
        said = await self._run("version", limit_s=limit_s)
        self.version = version_in(said.all)

    def lost(self) -> None:
        """Say that the server was not there: the next call starts one."""
        self._started = False

    def may_restart(self, now_ms: int) -> bool:
        """Return whether the last restart is long enough ago."""
        return (
            self._restarted_ms is None
            or now_ms - self._restarted_ms >= RESTART_AT_MOST_EVERY_MS
        )

    async def restart(self, now_ms: int, *, limit_s: float) -> None:
        """End the server; the next call starts another. Raises Hung; errors as ``call``."""
        self._restarted_ms = now_ms
        self.lost()
        await self._run("kill-server", limit_s=limit_s)

    async def _ensure_started(self, limit_s: float) -> None:
        """Start the server by one call, or clients that start together start several."""
        if self._started:
            return
        async with self._starting:
            if not self._started:
                await self._run("start-server", limit_s=limit_s)
                self._started = True

    async def _run(self, *words: str, limit_s: float, turn: Turn | None = None) -> Said:
        place = self.place
        argv = (place.program, "-P", str(place.port), *words)
        try:
            return await execute(argv, place.environment(), limit_s=limit_s, turn=turn)
        except PermissionError as error:
            raise Refused(
                "not permitted to run it",
                target=place.program,
                remedy="Make the adb program executable for the service's user",
            ) from error
        except (OSError, ValueError) as error:  # ValueError: a NUL in a word
            raise _not_started(place.program, error) from error


def _not_started(program: str, error: Exception) -> BackendError:
    kind = Unsupported if isinstance(error, FileNotFoundError) else Unavailable
    reason = getattr(error, "strerror", None) or str(error)
    return kind(
        f"cannot be started ({reason})",
        target=program,
        remedy="Name an installed adb with `program`",
    )
