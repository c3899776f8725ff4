"""Single attributes of the kernel: one short line out, one short line in.

A driver's answer to a write comes with the write or with the close, so a line is
written in one call and the file is closed at once. What an error means is the same
for every attribute: the driver said no, or it cannot be reached now.

Source: Linux Documentation/filesystems/sysfs.rst, "Reading/Writing Attribute Data".
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path
from typing import Final

from tidegate.errors import BackendError, Refused, Unavailable

Show = Callable[[Path], str]
Store = Callable[[Path, str], None]

_SHOWN_AT_MOST: Final = 4_096  # a page, which is all that an attribute may hold
# ENOTSUPP is the kernel's own and should never leave it; some drivers let it out.
_ENOTSUPP: Final = 524
_NO: Final = frozenset(
    {errno.EINVAL, errno.EOPNOTSUPP, _ENOTSUPP, errno.ERANGE, errno.EPERM}
)
# The kernel says so for an attribute that this driver or this moment does not have.
ABSENT: Final = frozenset({errno.ENOENT, errno.ENODATA, errno.EOPNOTSUPP})


def show(path: Path) -> str:
    """Return what an attribute says, without the end of its line."""
    with path.open("rb", buffering=0) as file:
        return file.read(_SHOWN_AT_MOST).decode("utf-8", errors="replace").strip()


def store(path: Path, line: str) -> None:
    """Write one short line to an attribute."""
    data = f"{line}\n".encode("ascii")
    descriptor = os.open(path, os.O_WRONLY | os.O_TRUNC | os.O_CLOEXEC)
    try:
        taken = os.write(descriptor, data)
    finally:
        os.close(descriptor)
    if taken != len(data):
        raise OSError(errno.EIO, f"took {taken} of {len(data)} bytes", str(path))


def failure(error: OSError, *, what: str, target: str, permit: str) -> BackendError:
    """Return our error for what the kernel raised.

    ``what`` was attempted; ``permit`` is the remedy where permission is missing.
    """
    said = error.strerror or str(error)
    if error.errno in _NO:
        return Refused(
            f"the driver refuses {what} ({said})",
            target=target,
            remedy="This machine's firmware may not know that value; see `dmesg`.",
        )
    if error.errno == errno.EACCES:
        return Unavailable(
            f"no permission: {what} ({said})", target=target, remedy=permit
        )
    if error.errno == errno.EROFS:
        return Unavailable(
            f"not to be written from here: {what} ({said})",
            target=target,
            remedy="A service needs the drop-in of this kind of relay (kernel.conf, "
            "usb-port.conf), a container the folder lent to write to.",
        )
    if error.errno in (errno.ENOENT, errno.ENODEV, errno.ENXIO):
        return Unavailable(
            f"it is gone: {what} ({said})",
            target=target,
            remedy="It comes back with its driver or its device; see `dmesg`.",
        )
    return Unavailable(
        f"the driver fails: {what} ({said})",
        target=target,
        remedy="See `dmesg`; a firmware or kernel update may have changed it.",
    )
