"""The socket's file: whose it is, who may use it, and what lay there before.

It is made in a private folder, gets its owner and its mode there, and is moved to its
place as the last step: nobody ever meets one that is open too far. The move replaces
what a dead daemon left. A lock that the kernel frees with its process says who lives.
Where it was taken away another one like it is made, by the same rules.

Sources: unix(7), connecting needs write permission on the file; rename(2), which
replaces in one step; flock(2). A file has its number for as long as somebody listens at
it, wherever it was moved to.
"""

from __future__ import annotations

import errno
import os
import socket
import stat
import tempfile
from contextlib import suppress
from pathlib import Path
from typing import Final

from tidegate.contract import Target
from tidegate.control import place
from tidegate.control.peer import gid_of
from tidegate.errors import Busy, TidegateError, Unavailable
from tidegate.host.locks import HeldLock, lock_target, make_again

# Who waits to be accepted while the daemon takes its time.
BACKLOG: Final = 32
_FULL: Final = "Make room on the disk that it lies on; it is then made by itself"


class SocketFile:
    """A listening socket at its place, until it is taken away."""

    def __init__(self, path: Path, *, mode: int, group: str | None) -> None:
        """Make it. Errors: Busy, Unavailable."""
        self.path = path
        self._mode = mode
        gid = _gid(group, path)
        self._lock = _locked(path)
        self._id = (0, 0)
        try:
            _check_free(path)
            self._folder = path.parent.stat()
            self.listening = self._made(mode, gid)
        except OSError as error:
            self._lock.release()
            raise _cannot(path, error) from error
        except TidegateError:
            self._lock.release()
            raise

    @property
    def gid(self) -> int:
        """The group that owns the file."""
        return self._gid

    @property
    def is_in_place(self) -> bool:
        """Whether the file that we listen at is still where we put it."""
        try:
            found = self.path.lstat()
        except OSError:
            return False
        return (found.st_dev, found.st_ino) == self._id

    def again(self) -> SocketFile:
        """Return another one like it at the same place, where it was taken away.

        This one is then to be left. Errors: Busy, Unavailable; it goes on as it is.
        """
        try:
            _check_free(self.path)
            make_again(self.path.parent, self._folder, target=str(self.path))
        except OSError as error:
            raise _cannot(self.path, error) from error
        # The lock's file may have gone too, and whoever came since holds the new one.
        self._lock.release()
        return SocketFile(self.path, mode=self._mode, group=str(self._gid))

    def leave(self) -> None:
        """Listen no more, and let what lies at the place be."""
        self.listening.close()
        self._lock.release()

    def _made(self, mode: int, gid: int | None) -> socket.socket:
        private = Path(tempfile.mkdtemp(prefix=".control-", dir=self.path.parent))
        try:
            listening = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
            try:
                self._put(listening, private / "new", mode, gid)
            except OSError:
                listening.close()
                raise
        finally:
            # Not shutil.rmtree, which needs a file descriptor: there may be none left.
            with suppress(OSError):
                (private / "new").unlink(missing_ok=True)
                private.rmdir()
        return listening

    def _put(
        self, listening: socket.socket, made: Path, mode: int, gid: int | None
    ) -> None:
        with place.short(made) as path:
            listening.bind(path)
        if gid is not None and gid != made.lstat().st_gid:
            # Not where it is so already: a hardened service may not call it at all.
            os.chown(made, -1, gid)
        made.chmod(mode)
        found = made.lstat()
        listening.listen(BACKLOG)
        listening.setblocking(False)  # noqa: FBT003
        made.replace(self.path)
        self._id, self._gid = (found.st_dev, found.st_ino), found.st_gid

    def close(self) -> None:
        """Take the file away if it is still this one, and listen no more."""
        try:
            # In this order: another file may get its number once nobody listens.
            if self.is_in_place:
                self.path.unlink()
        except FileNotFoundError:
            pass  # somebody took it away before us
        finally:
            self.leave()


def _gid(group: str | None, path: Path) -> int | None:
    if group is None:
        return None
    gid = gid_of(group)
    if gid is None:
        raise Unavailable(
            f'there is no group "{group}"',
            target=str(path),
            remedy=f"Make it (groupadd --system {group}), or change `group` in "
            "[control]",
        )
    return gid


def _locked(path: Path) -> HeldLock:
    target = Target(str(path), "control")
    try:
        return lock_target(target, folder=path.parent)
    except Unavailable as error:
        raise Unavailable(
            f"no socket can be made there ({error.__cause__ or error.what})",
            target=str(path),
            remedy=_FULL
            if _is_full(error.__cause__)
            else "Name a file in a folder of the daemon's own as `socket` in [control]",
        ) from error.__cause__


def _check_free(path: Path) -> None:
    """Refuse to replace what is in use, or is no socket at all."""
    try:
        mode = path.lstat().st_mode
    except FileNotFoundError:
        return
    if not stat.S_ISSOCK(mode):
        raise Unavailable(
            "something that is no socket lies there",
            target=str(path),
            remedy="Remove it, or name another file as `socket` in [control]",
        )
    if place.answers(path):
        raise Busy(
            "another program listens there",
            target=str(path),
            remedy="Stop that one, or name another file as `socket` in [control]",
        )


def _cannot(path: Path, error: OSError) -> Unavailable:
    remedy = "Name another file as `socket` in [control]"
    if isinstance(error, PermissionError):
        remedy = (
            "The daemon must be root or in the group that it names as `group` in "
            "[control]"
        )
    elif _is_full(error):
        remedy = _FULL
    return Unavailable(
        f"no socket can be made there ({error.strerror})",
        target=str(path),
        remedy=remedy,
    )


def _is_full(error: BaseException | None) -> bool:
    return isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EDQUOT)
