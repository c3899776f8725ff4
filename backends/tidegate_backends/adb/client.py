"""The one adb program of an adb server: run, bounded, reaped.

adb has no time limit of its own: a device that takes a command and does not answer
holds the client for ever, and so does a server that hangs. Each call here is a process
in a group of its own, killed at its limit and when its caller gives up.

Source: `adb help` of version 1.0.41; environment: AOSP packages/modules/adb,
docs/user/adb.1.md.
"""

from __future__ import annotations

import asyncio
import os
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from tidegate.errors import BackendError, Refused, Unavailable, Unsupported
from tidegate_backends.adb.turns import Turn, Turns
from tidegate_backends.programs import REAPED_WITHIN_S as REAPED_WITHIN_S
from tidegate_backends.programs import Programs
from tidegate_backends.wire.adb_text import version_in

# The dump stands first; what makers print behind it may be long.
OUTPUT_AT_MOST: Final = 256 * 1024
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


async def execute(
    argv: Sequence[str],
    environment: Mapping[str, str],
    *,
    programs: Programs,
    limit_s: float,
    turn: Turn | None = None,
) -> Said:
    """Run a program to its end. Raises Hung, OSError where it cannot be started."""
    if turn is not None and turn.gave_way:
        raise Hung(gave_way=True)  # between two calls of one turn
    program = programs.begin(
        argv,
        environment=environment,
        kept_bytes=OUTPUT_AT_MOST,
        is_over_when_full=True,
    )
    try:
        if turn is not None:
            turn.stop = program.kill
        ended = await program.ended(limit_s)
    except TimeoutError as error:
        raise Hung(gave_way=False) from error
    finally:
        if turn is not None:
            turn.stop = None
    if turn is not None and turn.gave_way:
        raise Hung(gave_way=True)
    return Said(_text(ended.out), _text(ended.err))


def _text(said: bytes) -> str:
    return said.decode("utf-8", errors="replace")


def found_program(name: str) -> str:
    """Return the full path of the adb program. Errors: Unsupported.

    A path is taken as it is: its disk may hang, so it is looked for where it is run.
    """
    path = name if "/" in name else shutil.which(name)
    if path is None:
        raise _absent(name)
    return path


def _absent(program: str) -> Unsupported:
    return Unsupported(
        f"there is no program {program}",
        target="adb",
        remedy="Install it (package `adb`), or name its path with `program`",
    )


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
        self._programs = Programs()

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
            return await execute(
                argv,
                place.environment(),
                programs=self._programs,
                limit_s=limit_s,
                turn=turn,
            )
        except PermissionError as error:
            raise Refused(
                "not permitted to run it",
                target=place.program,
                remedy="Make the adb program executable for the service's user",
            ) from error
        except (OSError, ValueError) as error:  # ValueError: a NUL in a word
            raise _not_started(place.program, error) from error


def _not_started(program: str, error: Exception) -> BackendError:
    if isinstance(error, FileNotFoundError):
        return _absent(program)
    return Unavailable(
        f"cannot be started ({getattr(error, 'strerror', None) or error})",
        target=program,
        remedy="Name an installed adb with `program`",
    )
