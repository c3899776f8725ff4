"""A disk that hangs: a mounted file system whose server never answers. fuse(4)."""

from __future__ import annotations

import ctypes
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

_FUSE = "/dev/fuse"
# mount(2), umount2(2), of <sys/mount.h>.
_FORCE, _DETACH = 1, 2


@contextmanager
def hung_disk(folder: Path) -> Iterator[Path]:
    """Mount one; whoever opens a file there waits until they are killed.

    Needs root and FUSE: without them skip, or fail where nothing may be skipped.
    """
    libc = ctypes.CDLL(None, use_errno=True)
    folder.mkdir()
    target = os.fsencode(folder)
    try:
        server = os.open(_FUSE, os.O_RDWR | os.O_CLOEXEC)
    except OSError as error:
        _cannot(str(error))
    try:
        options = f"fd={server},rootmode=40000,user_id=0,group_id=0".encode()
        if libc.mount(b"hung", target, b"fuse", 0, options):
            _cannot(os.strerror(ctypes.get_errno()))
        try:
            yield folder
        finally:
            libc.umount2(target, _FORCE | _DETACH)
    finally:
        os.close(server)


def _cannot(why: str) -> None:
    said = f"no file system can be mounted here: {why}"
    if os.environ.get("CI") == "true":
        pytest.fail(said)
    pytest.skip(said)
