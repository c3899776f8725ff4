"""The socket's file: whose it is, who may use it, and what lay there before.

It is made in a private folder, gets its owner and its mode there, and is moved to its
place as the last step: nobody ever meets one that is open too far. The move replaces
what a dead daemon left. A lock that the kernel frees with its process says who lives.

Sources: unix(7), connecting needs write permission on the file; rename(2), which
replaces in one step; flock(2).
"""

from __future__ import annotations

import os
import shutil
import socket
import stat
import tempfile
from pathlib import Path
from typing import Final

from tidegate.contract import Target
from tidegate.control import place
from tidegate.control.peer import gid_of
from tidegate.errors import Busy, TidegateError, Unavailable
from tidegate.host.locks import HeldLock, lock_target

# Who waits to be accepted while the daemon takes its time.
BACKLOG: Final = 32


class SocketFile:
    """A listening socket at its place, until it is taken away."""

    def __init__(self, path: Path, *, mode: int, group: str | None) -> None:
        """Make it. Errors: Busy, Unavailable."""
        self.path = path
        gid = _gid(group, path)
        self._lock = _locked(path)
        self._id = (0, 0)
        try:
            _check_free(path)
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

    def _made(self, mode: int, gid: int | None) -> socket.socket:
        private = Path(tempfile.mkdtemp(prefix=".control-", dir=self.path.parent))
        made = private / "new"
        listening = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
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
        except OSError:
            listening.close()
            raise
        finally:
            shutil.rmtree(private, ignore_errors=True)
        self._id, self._gid = (found.st_dev, found.st_ino), found.st_gid
        return listening

    def close(self) -> None:
        """Listen no more, and take the file away if it is still this one."""
        self.listening.close()
        try:
            found = self.path.lstat()
            if (found.st_dev, found.st_ino) == self._id:
                self.path.unlink()
        except FileNotFoundError:
            pass  # somebody took it away before us
        finally:
            self._lock.release()


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
            remedy="Name a file in a folder of the daemon's own as `socket` in "
            "[control]",
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
    denied = isinstance(error, PermissionError)
    return Unavailable(
        f"no socket can be made there ({error.strerror})",
        target=str(path),
        remedy="The daemon must be root or in the group that it names as `group` in "
        "[control]"
        if denied
        else "Name another file as `socket` in [control]",
    )
