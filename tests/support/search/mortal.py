"""A host that may die at any await and at any operation on its disk.

What the dead process had not written is lost with it, what was not synced may be torn,
and nothing of the process does anything any more, however its coroutines end. SQLite's
own writes to its files cannot be interrupted from Python, so a torn one is made from
the files before and after: blocks of the part that changed are old, new or noise.
Source: SQLite, "Atomic Commit In SQLite", sections 2 and 4; "Write-Ahead Logging".
"""

from __future__ import annotations

import asyncio
import errno
import inspect
import os
import random
import sqlite3
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from functools import partial
from pathlib import Path
from typing import Any, Final, TypeVar
from unittest import mock

from tidegate.virtual import VirtualClock, VirtualLoop

T = TypeVar("T")

BLOCK: Final = 512
# Source: SQLite, "WAL-mode File Format", 1.
WAL_HEADER: Final = 32
# How an operation ends that the host does not survive.
BEFORE, AFTER, TORN = "before", "after", "torn"
_SQLITE: Final = {
    "full": (sqlite3.SQLITE_FULL, "database or disk is full"),
    "read_only": (sqlite3.SQLITE_READONLY, "attempt to write a readonly database"),
    "io": (sqlite3.SQLITE_IOERR, "disk I/O error"),
}
_ERRNO: Final = {"full": errno.ENOSPC, "read_only": errno.EROFS, "io": errno.EIO}
_WRITES: Final = ("BEGIN", "INSERT", "CREATE", "COMMIT")


class HostDies(SystemExit):
    """The end of the process. A SystemExit, because asyncio lets no other through."""


class _Ready(deque[Any]):
    """The loop's queue of what runs next; the host may die before any of it."""

    turns_left = -1
    dies: Callable[[], None]

    def popleft(self) -> Any:
        if not self.turns_left:
            self.dies()
            raise HostDies
        self.turns_left -= 1
        return super().popleft()


class MortalLoop(VirtualLoop):
    """A virtual loop that ends with ``HostDies`` once its turns are used up."""

    def __init__(self, clock: VirtualClock, dies: Callable[[], None]) -> None:
        super().__init__(clock)
        self._ready = _Ready()
        self._ready.dies = dies

    def die_in(self, turns: int) -> None:
        """Let the host die before the n-th turn from now, 0 is the next."""
        self._ready.turns_left = turns


def bury(loop: MortalLoop) -> None:
    """Close the coroutines of a dead loop; what they try meanwhile is in vain."""
    loop.set_exception_handler(lambda loop, context: None)
    # What a finally of the dead begins must find a loop, or it would say so.
    asyncio._set_running_loop(loop)
    try:
        while tasks := [each for each in asyncio.all_tasks(loop) if not _ended(each)]:
            for task in tasks:
                task._log_destroy_pending = False  # type: ignore[attr-defined]
                _close(task)
    finally:
        asyncio._set_running_loop(None)
    loop._ready.clear()
    loop._scheduled.clear()  # type: ignore[attr-defined]
    loop.close()


def _ended(task: asyncio.Task[Any]) -> bool:
    coroutine = task.get_coro()
    assert inspect.iscoroutine(coroutine)
    return inspect.getcoroutinestate(coroutine) == inspect.CORO_CLOSED


def _close(task: asyncio.Task[Any]) -> None:
    coroutine = task.get_coro()
    assert inspect.iscoroutine(coroutine)
    # A finally of the dead that awaits is thrown out of there as well.
    while not _ended(task):
        with suppress(HostDies, Exception):
            coroutine.throw(HostDies())


class _Connection(sqlite3.Connection):
    """A connection whose statements the disk may fail, or not outlive."""

    disk: FakeDisk

    def execute(self, sql: str, parameters: Any = (), /) -> sqlite3.Cursor:
        if sql.startswith("PRAGMA synchronous"):
            self.disk.syncs = sql.endswith("FULL")
        run = partial(super().execute, sql, parameters)
        return self.disk.operate(sql.partition(" ")[0], run)

    def close(self) -> None:
        if self.disk.is_seen:
            self.disk.on_close()
        super().close()


class FakeDisk:
    """The folder of the cycle log as one life of the daemon sees it.

    ``fault`` is what every write meets: ``full``, ``read_only`` or ``io``. With
    ``die_in`` the host dies at the n-th operation from now. ``left`` is then what the
    folder holds, by name.
    """

    def __init__(self, folder: Path, dice: random.Random) -> None:
        self.folder = folder
        self.fault: str | None = None
        self.is_dead = False
        self.left: dict[str, bytes] = {}
        self.on_death: Callable[[], None] = lambda: None
        # Before the daemon closes a connection; the last one closed empties the WAL.
        self.on_close: Callable[[], None] = lambda: None
        self.is_seen = True
        self.operations = 0
        # Whether SQLite was told to sync each commit; else a power cut may take any.
        self.syncs = True
        self._dice = dice
        self._dies_in = -1
        self._how = AFTER
        self._connections: list[sqlite3.Connection] = []

    def die_in(self, operations: int, how: str) -> None:
        """Let the host die at the n-th operation from now, 0 is the next."""
        self._dies_in, self._how = operations, how

    def die(self) -> None:
        """Keep what the folder holds at this moment; nothing changes it any more."""
        self._die(self._files())

    def operate(self, name: str, work: Callable[[], T]) -> T:
        """Do one operation, as far as disk and host let it."""
        if not self.is_seen:
            return work()
        if self.is_dead:
            raise HostDies
        self.operations += 1
        dies = not self._dies_in
        self._dies_in -= 1
        if dies and self._how == BEFORE:
            self.die()
            raise HostDies
        if self.fault is not None and name in _WRITES:
            code, text = _SQLITE[self.fault]
            error = sqlite3.OperationalError(text)
            error.sqlite_errorcode = code
            raise error
        before = self._files() if dies else {}
        done = work()
        if dies:
            after = self._files()
            self._die(torn(before, after, self._dice) if self._how == TORN else after)
            raise HostDies
        return done

    def operate_file(self, work: Callable[[], T], path: Path, *, writes: bool) -> T:
        """Do one operation on a file itself."""

        def tried() -> T:
            if writes and self.fault is not None and self.is_seen:
                code = _ERRNO[self.fault]
                raise OSError(code, os.strerror(code), str(path))
            return work()

        return self.operate("file", tried)

    def lose_power(self) -> None:
        """Lose what is in no file after a power cut: shared memory, what never synced."""
        if not self.syncs:
            wals = {name: d for name, d in self.left.items() if name.endswith("-wal")}
            self.left |= torn({}, wals, self._dice)
        self.left = {
            name: data for name, data in self.left.items() if not name.endswith("-shm")
        }

    @contextmanager
    def unseen(self) -> Iterator[None]:
        """Let a test look into the files, which is no operation of the daemon."""
        was, self.is_seen = self.is_seen, False
        try:
            yield
        finally:
            self.is_seen = was

    def release(self) -> None:
        """Close what the dead process had open, and put back what it left."""
        with self.unseen():
            for connection in self._connections:
                # Closing writes; the dead do not, so their files are put back.
                connection.close()
            self._connections.clear()
            for path in self._paths():
                path.unlink()
            for name, content in self.left.items():
                (self.folder / name).write_bytes(content)

    def connected(self, connect: Callable[..., Any]) -> Callable[..., Any]:
        """Return a connect whose connections are this disk's."""

        def connected(*arguments: Any, **more: Any) -> sqlite3.Connection:
            if self.is_seen and self.is_dead:
                raise HostDies
            made: _Connection = connect(*arguments, factory=_Connection, **more)
            made.disk = self
            if self.is_seen:
                self._connections.append(made)
            return made

        return connected

    def _die(self, left: dict[str, bytes]) -> None:
        if not self.is_dead:
            self.is_dead = True
            self.left = left
            self.on_death()

    def _paths(self) -> list[Path]:
        return [path for path in self.folder.iterdir() if path.is_file()]

    def _files(self) -> dict[str, bytes]:
        with self.unseen():
            return {path.name: path.read_bytes() for path in self._paths()}

    @contextmanager
    def patched(self) -> Iterator[None]:
        """Let everything that this process does in the folder go through the disk."""
        with ExitStack() as stack:
            for owner, name, writes in (
                (Path, "rename", "always"),
                (Path, "open", "x"),
                (os, "fsync", "always"),
            ):
                real = getattr(owner, name)
                wrapped = self._wrapped(real, writes=writes)
                stack.enter_context(mock.patch.object(owner, name, wrapped))
            connect = self.connected(sqlite3.connect)
            stack.enter_context(mock.patch.object(sqlite3, "connect", connect))
            yield

    def _wrapped(self, real: Callable[..., Any], *, writes: str) -> Any:
        disk = self

        def call(place: Any, *arguments: Any, **more: Any) -> Any:
            def work() -> Any:
                return real(place, *arguments, **more)

            if isinstance(place, Path):
                if place.parent != disk.folder:
                    return work()
                mode = str(arguments[0] if arguments else more.get("mode", "r"))
                changes = writes == "always" or writes in mode
                return disk.operate_file(work, place, writes=changes)
            return disk.operate_file(work, disk.folder, writes=True)

        return call


def torn(
    before: dict[str, bytes], after: dict[str, bytes], dice: random.Random
) -> dict[str, bytes]:
    """Return files that a power cut leaves of an operation whose sync had not ended.

    One file at most: SQLite syncs the WAL before it touches the file.
    """
    left = dict(after)
    changed = [name for name in after if after[name] != before.get(name, b"")]
    wal = [name for name in changed if name.endswith("-wal")]
    mains = [name for name in changed if name.endswith(".db")]
    left = {name: data for name, data in left.items() if not name.endswith("-shm")}
    if mains:
        # The WAL was synced, and its pages were being copied into the file.
        name = mains[0]
        left[name] = _mixed(before.get(name, b""), after[name], 4096, dice)
    elif wal:
        # Its header is synced before a frame is written over those of before.
        name = wal[0]
        header, new = after[name][:WAL_HEADER], after[name][WAL_HEADER:]
        old = before.get(name, b"")[WAL_HEADER:]
        left[name] = header + _mixed(old, new, BLOCK, dice)
    return left


def _mixed(old: bytes, new: bytes, block: int, dice: random.Random) -> bytes:
    """Return the new bytes with some changed blocks old, missing or noise.

    What was not written is safe, in the same sector too: that is what SQLite counts on
    ("Powersafe Overwrite"), and a disk without it breaks every database.
    """
    out = bytearray(new)
    # So far everything had reached the disk; all of it now and then.
    end = min(len(new), dice.randrange(len(new) * 5 // 4 + 1))
    has_begun = False
    for at in range(0, len(new), block):
        mine, theirs = new[at : at + block], old[at : at + block]
        if mine == theirs:
            continue
        # The write began at the first byte that is another.
        skip = 0 if has_begun else _same(mine, theirs)
        has_begun = True
        part = slice(at + skip, at + len(mine))
        fate = "new" if at < end else dice.choice(("old", "old", "new", "noise"))
        if fate == "old":
            out[part] = old[part].ljust(len(mine) - skip, b"\0")
        elif fate == "noise" and block == BLOCK:
            out[part] = dice.randbytes(len(mine) - skip)
    if dice.random() < 0.5 and len(new) > len(old):
        del out[max(len(old), end) :]
    return bytes(out)


def _same(mine: bytes, theirs: bytes) -> int:
    """Return how many bytes at the beginning are the same."""
    pairs = enumerate(zip(mine, theirs, strict=False))
    return next((n for n, (a, b) in pairs if a != b), min(len(mine), len(theirs)))
