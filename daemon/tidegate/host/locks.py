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

A disk that is full or read-only keeps nobody from a supply that has to be on: a file
that is not there is held by nobody, so the hold is one without a file until there can
be one. A file that was taken away, as a cleaner of the run folder does, is made and
locked anew.
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
from tidegate.errors import BackendError, Busy, Unavailable

_SYSTEM = Path("/run/tidegate")
_MODE = 0o640
_CAREFUL = os.O_CLOEXEC | os.O_NOFOLLOW
_CREATE = os.O_RDWR | os.O_CREAT | _CAREFUL
_FULL = (errno.ENOSPC, errno.EDQUOT)


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
    """A lock that is held until it is released or the process ends.

    ``file`` is what everybody comes to. Where it could not be made ``lacking`` says so,
    and nobody is kept away.
    """

    def __init__(self, target: Target, file: Path) -> None:
        self.target = target
        self.file = file
        self.lacking = ""
        # Where the file lies, as it was when it was locked.
        self.folder: os.stat_result | None = None
        self.held = True
        # Of the files that are locked.
        self._descriptors: dict[Path, int] = {}

    @property
    def is_in_place(self) -> bool:
        """Whether the file that is locked is still the one that others come to."""
        try:
            there = self.file.lstat()
        except OSError:
            return False
        own = self._descriptors.get(self.file)
        return own is not None and os.path.samestat(there, os.fstat(own))

    @property
    def descriptor(self) -> int:
        """That of ``file``, which is there."""
        return self._descriptors[self.file]

    def again(self) -> HeldLock:
        """Return another hold on the same lock; the last one released frees it.

        Errors: Unavailable, no more file descriptors.
        """
        other = HeldLock(self.target, self.file)
        try:
            other.take_over(self)
        except OSError as error:
            other.release()
            raise _no_file(other, error) from error
        return other

    def take_over(self, new: HeldLock) -> None:
        """Hold what the other one holds too, each file in place of the one before.

        Errors: OSError, no more file descriptors.
        """
        self.lacking, self.folder = new.lacking, new.folder or self.folder
        for file, descriptor in new._descriptors.items():
            self.add(file, os.dup(descriptor))

    def add(self, file: Path, descriptor: int) -> None:
        """Hold this descriptor of a file from now on."""
        before = self._descriptors.pop(file, None)
        self._descriptors[file] = descriptor
        if before is not None:
            os.close(before)

    def release(self) -> None:
        """Let go; may be called twice."""
        self.held = False
        while self._descriptors:
            # The file stays: unlinking it would let two processes lock two files.
            _, descriptor = self._descriptors.popitem()
            os.close(descriptor)

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
    held = HeldLock(target, own / name)
    try:
        _lock_own(held)
        if folder is None and "TIDEGATE_LOCKS" not in os.environ and own != _SYSTEM:
            _take_system(held, name)
    except OSError as error:
        held.release()
        raise _no_file(held, error) from error
    except Busy:
        held.release()
        raise
    return held


def _no_file(held: HeldLock, error: OSError) -> Unavailable:
    return Unavailable(
        f"no lock file in {held.file.parent} ({error.strerror})",
        target=str(held.target),
        remedy="Name a folder that can be written in TIDEGATE_LOCKS",
    )


def _lock_own(held: HeldLock) -> None:
    folder = held.file.parent
    try:
        _make(folder)
        held.add(held.file, os.open(held.file, _CREATE, _MODE))
    except OSError as error:
        if error.errno in _FULL:
            held.lacking = f"no room for a lock file in {folder} ({error.strerror})"
        elif error.errno == errno.EROFS:
            _lock_as_it_is(held, error)
        else:
            raise
        return
    descriptor = held.descriptor
    give(descriptor, folder)
    _close_to_strangers(descriptor)
    _take(descriptor, held.target)
    held.folder = folder.stat()
    _sign(descriptor)


def _lock_as_it_is(held: HeldLock, error: OSError) -> None:
    """Lock a file that cannot be written, if it is there."""
    try:
        # Reading is enough to take a lock; whatever lies there, nobody waits for it.
        careful = os.O_RDONLY | os.O_NONBLOCK | _CAREFUL
        held.add(held.file, os.open(held.file, careful))
    except FileNotFoundError:
        folder = held.file.parent
        held.lacking = f"no lock file can be made in {folder} ({error.strerror})"
        return
    _take(held.descriptor, held.target)


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


def make_again(folder: Path, before: os.stat_result, *, target: str) -> None:
    """Make a folder that is gone, for those who could come in before.

    Errors: Unavailable, about ``target``, where it is not ours to make.
    """
    try:
        folder.mkdir(mode=0o700, parents=True)
    except FileExistsError:
        return
    except OSError as error:
        raise _no_folder(folder, error, target) from error
    try:
        if before.st_gid != folder.stat().st_gid:
            os.chown(folder, -1, before.st_gid)
        folder.chmod(stat.S_IMODE(before.st_mode))
    except OSError as error:
        folder.rmdir()
        raise _no_folder(folder, error, target) from error


def _no_folder(folder: Path, error: OSError, target: str) -> Unavailable:
    return Unavailable(
        f"{folder} is gone and cannot be made again ({error.strerror})",
        target=target,
        remedy="Make it again for the daemon's user, as a restart of its service does",
    )


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
    held.add(file, descriptor)
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
    try:
        os.pwrite(descriptor, text.encode(errors="replace"), 0)
    except OSError as error:
        if error.errno not in _FULL:
            raise
        # It is locked all the same; others are told "another tidegate".


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

    def renew(self) -> list[BackendError]:
        """Lock anew where a file was taken away; return what keeps us from it."""
        found: list[BackendError] = []
        for name, holds in self._held.items():
            self._held[name] = holds = [hold for hold in holds if hold.held]
            if not holds or holds[0].is_in_place:
                continue
            # By its file: a node that came back may have another number by now.
            with HeldLock(holds[0].target, holds[0].file) as new:
                try:
                    _lock_anew(new, holds)
                except OSError as error:
                    found.append(_no_file(new, error))
                except (Busy, Unavailable) as error:
                    found.append(error)
                else:
                    if new.lacking:
                        found.append(without_file(new))
        return found


def _lock_anew(new: HeldLock, holds: list[HeldLock]) -> None:
    if (before := holds[0].folder) is not None:
        make_again(new.file.parent, before, target=str(new.target))
    _lock_own(new)
    for hold in holds:
        hold.take_over(new)


def without_file(lock: HeldLock) -> Unavailable:
    """Return what is to be said of a hold that keeps nobody away."""
    return Unavailable(
        f"{lock.lacking}: another tidegate would not be kept away from the relay",
        target=str(lock.target),
        remedy="Make room there, or let it be written; it is then locked by itself",
    )
