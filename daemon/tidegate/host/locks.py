"""One master for each relay: a second tidegate is told who holds it.

The lock is ``flock`` on a small file, so the kernel releases it when its process
dies, however it dies. The file lies in the lock folder and is named after the device
number of a device node (so every link to one port is one lock), else after a digest
of the target. The node itself is not locked here: opening a serial port just for
that would raise DTR and reset many boards, and pyserial's ``exclusive`` takes its own
``flock`` on the node, which ours would refuse. So on serial ports pyserial keeps
strangers out, and this lock says which tidegate was first.

Who may read a file may also lock it, so a lock file is for its user and group alone:
a stranger who held one would keep the daemon from its relay. To others the kernel
still says whether it is held (proc_locks(5)).
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import stat
import sys
import tempfile
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Self

from tidegate.contract import Target
from tidegate.cyclelog.disk import give
from tidegate.cyclelog.sha import sha256
from tidegate.errors import Busy, Unavailable

_SYSTEM = Path("/run/tidegate")
_MODE = 0o640
_CREATE = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW


def lock_folder(environ: Mapping[str, str] = os.environ) -> Path:
    """Return where locks go: ``$TIDEGATE_LOCKS``, else the system's run folder if
    it can be written, else the person's, else one in the temporary folder.
    """
    if named := environ.get("TIDEGATE_LOCKS"):
        return Path(named)
    if os.access(_SYSTEM, os.W_OK):
        return _SYSTEM
    if person := environ.get("XDG_RUNTIME_DIR"):
        return Path(person) / "tidegate"
    return Path(tempfile.gettempdir()) / f"tidegate-{os.getuid()}"


class HeldLock:
    """A lock that is held until it is released or the process ends."""

    def __init__(self, target: Target, descriptors: list[int]) -> None:
        self.target = target
        self._descriptors = descriptors

    @property
    def held(self) -> bool:
        """Whether it was not released yet."""
        return bool(self._descriptors)

    def again(self) -> HeldLock:
        """Return another hold on the same lock; the last one released frees it."""
        return HeldLock(self.target, [os.dup(each) for each in self._descriptors])

    def release(self) -> None:
        """Let go; may be called twice."""
        while self._descriptors:
            # The file stays: unlinking it would let two processes lock two files.
            os.close(self._descriptors.pop())

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.release()


def lock_target(target: Target, *, folder: Path | None = None) -> HeldLock:
    """Become the one master of a relay target, or say who is.

    Where no folder is given, a lock that a system daemon holds in its run folder
    counts too, although we could not write there.
    Errors: Busy, another process (or this one) holds it; Unavailable, no lock file
    can be made.
    """
    name = f"{_name(target)}.lock"
    own = lock_folder() if folder is None else folder
    held = HeldLock(target, [])
    try:
        _make(own)
        descriptor = os.open(own / name, _CREATE, _MODE)
        held._descriptors.append(descriptor)
        give(descriptor, own)
        _close_to_strangers(descriptor)
        _take(descriptor, target)
        if folder is None and "TIDEGATE_LOCKS" not in os.environ and own != _SYSTEM:
            _take_system(held, name)
        _sign(descriptor)
    except OSError as error:
        held.release()
        raise Unavailable(
            f"no lock file in {own} ({error.strerror})",
            target=str(target),
            remedy="Name a folder that can be written in TIDEGATE_LOCKS",
        ) from error
    except Busy:
        held.release()
        raise
    return held


def _name(target: Target) -> str:
    """Return what names this target, the same for every path to one device."""
    with contextlib.suppress(OSError, ValueError):  # absent, or not a path at all
        node = Path(target.link).stat()
        if stat.S_ISCHR(node.st_mode):
            # A node is one board, whatever the channel: its bytes must not mix.
            return f"device-{os.major(node.st_rdev)}-{os.minor(node.st_rdev)}"
    digest = sha256(f"{target.link}\0{target.channel}".encode(errors="replace"))
    return f"target-{digest.hexdigest()[:32]}"


def _make(folder: Path) -> None:
    folder.mkdir(mode=0o755, parents=True, exist_ok=True)
    owner = folder.lstat().st_uid
    if owner not in (os.getuid(), 0) and folder != _SYSTEM:
        # In a shared temporary folder anyone could have put it there.
        raise PermissionError(errno.EPERM, f"belongs to user {owner}", str(folder))


def _close_to_strangers(descriptor: int) -> None:
    """Take from a file of an older tidegate what others may do with it."""
    if os.fstat(descriptor).st_mode & 0o007:
        with contextlib.suppress(PermissionError):  # its owner's next start does it
            os.fchmod(descriptor, _MODE)


def _take(descriptor: int, target: Target) -> None:
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        raise _busy(_holder(descriptor), target) from error


def _busy(holder: str, target: Target) -> Busy:
    return Busy(f"in use by {holder}", target=str(target), remedy="Stop that one first")


def _take_system(held: HeldLock, name: str) -> None:
    file = _SYSTEM / name
    try:
        # Reading is enough to take a lock.
        descriptor = os.open(file, os.O_RDONLY | os.O_CLOEXEC)
    except FileNotFoundError:
        return  # no daemon ever held it
    except PermissionError as error:
        if _is_held(file):
            raise _busy("another tidegate", held.target) from error
        return
    held._descriptors.append(descriptor)
    _take(descriptor, held.target)


def _is_held(file: Path) -> bool:
    """Return whether anybody holds a lock on a file that we may not open."""
    try:
        found = file.stat()
        table = Path("/proc/locks").read_text()
    except OSError:
        # A folder that is not for us either, or a container without that table.
        return False
    device, node = found.st_dev, found.st_ino
    ours = f"{os.major(device):02x}:{os.minor(device):02x}:{node}"
    return any(
        words[1:2] == ["FLOCK"] and ours in words
        for words in map(str.split, table.splitlines())
    )


def _sign(descriptor: int) -> None:
    since = datetime.now(UTC).isoformat(timespec="seconds")
    program = " ".join([Path(sys.argv[0]).name, *sys.argv[1:2]])
    os.ftruncate(descriptor, 0)
    text = f"{os.getpid()}\n{program}\n{since}\n"
    os.pwrite(descriptor, text.encode(errors="replace"), 0)


def _holder(descriptor: int) -> str:
    lines = os.pread(descriptor, 4096, 0).decode(errors="replace").splitlines()
    if len(lines) != 3 or not Path("/proc", lines[0]).exists():
        # Not signed yet, or the text is that of one who died.
        return "another tidegate"
    pid, program, since = lines
    return f"{program} (process {pid}, since {since})"


class Locks:
    """The locks of this process: its own stations share them, others are refused."""

    def __init__(self, folder: Path | None = None) -> None:
        self._folder = folder
        self._held: dict[str, list[HeldLock]] = {}

    def take(self, target: Target) -> HeldLock:
        """Hold the target, together with those of this process that hold it already.

        Errors: those of ``lock_target``.
        """
        name = _name(target)
        holds = [hold for hold in self._held.get(name, []) if hold.held]
        new = holds[0].again() if holds else lock_target(target, folder=self._folder)
        self._held[name] = [*holds, new]
        return new
