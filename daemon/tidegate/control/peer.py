"""Who is at the other end of a socket, as the kernel says it; never as they claim.

Sources: unix(7), ``SO_PEERCRED``: the credentials in effect when the peer connected;
include/uapi/asm-generic/socket.h of Linux 4.13 and later, ``SO_PEERGROUPS`` (59): the
supplementary groups of that moment as an array of gid_t, ``ERANGE`` and the size
needed where the room is too small.
"""

from __future__ import annotations

import errno
import socket
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Final

_CREDENTIALS: Final = struct.Struct("iII")  # struct ucred: pid, uid, gid
_SO_PEERGROUPS: Final = getattr(socket, "SO_PEERGROUPS", 59)
# What Python's getsockopt takes at most, and the most groups that Linux knows
# (NGROUPS_MAX in include/uapi/linux/limits.h).
_ROOM_BYTES: Final = 1_024
_GROUPS_MOST: Final = 65_536
_GID_BYTES: Final = 4
PASSWD: Final = Path("/etc/passwd")
GROUP: Final = Path("/etc/group")


@dataclass(frozen=True, slots=True, kw_only=True)
class Peer:
    """Who connected: numbers of the kernel; ``name`` is "uid 1000 (ana)"."""

    uid: int
    gid: int
    groups: tuple[int, ...]
    pid: int
    name: str

    @property
    def gids(self) -> frozenset[int]:
        """All groups, the primary one with them."""
        return frozenset((self.gid, *self.groups))


def uid_of(connected: socket.socket) -> int:
    """Return whose process is at the other end, and no more. Errors: OSError."""
    _, uid, _ = _credentials(connected)
    return uid


def peer_of(connected: socket.socket) -> Peer:
    """Return who is at the other end. Errors: OSError."""
    pid, uid, gid = _credentials(connected)
    return Peer(uid=uid, gid=gid, groups=_groups(connected), pid=pid, name=name_of(uid))


def _credentials(connected: socket.socket) -> tuple[int, int, int]:
    data = connected.getsockopt(
        socket.SOL_SOCKET, socket.SO_PEERCRED, _CREDENTIALS.size
    )
    pid, uid, gid = _CREDENTIALS.unpack(data)
    return pid, uid, gid


def name_of(uid: int) -> str:
    """Return how a user is written down: the number, and the name if it is local.

    Only the file is read. Asking a directory in the network could take minutes, and
    the daemon has no minutes.
    """
    name = next((line[0] for line in _lines(PASSWD) if line[2] == str(uid)), None)
    return f"uid {uid}" if name is None else f"uid {uid} ({name})"


def gid_of(group: str) -> int | None:
    """Return the number of a group of this machine, by name or number."""
    if group.isascii() and group.isdigit():
        return int(group)
    gid = next((line[2] for line in _lines(GROUP) if line[0] == group), "")
    return int(gid) if gid.isascii() and gid.isdigit() else None


def group_name(gid: int) -> str:
    """Return the name of a group, else its number."""
    return next((line[0] for line in _lines(GROUP) if line[2] == str(gid)), str(gid))


def _lines(file: Path) -> list[list[str]]:
    """Return the fields of each line. Source: passwd(5), group(5)."""
    try:
        text = file.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return []  # a container may have none; numbers serve as well
    lines = (line.split(":") for line in text.splitlines())
    return [line for line in lines if len(line) > 2]


def _groups(connected: socket.socket) -> tuple[int, ...]:
    try:
        data = connected.getsockopt(socket.SOL_SOCKET, _SO_PEERGROUPS, _ROOM_BYTES)
    except OSError as error:
        if error.errno == errno.ENOPROTOOPT:
            return ()  # a kernel before 4.13: only the primary group counts
        if error.errno != errno.ERANGE:
            raise
        data = _many(connected)
    return struct.unpack(f"={len(data) // _GID_BYTES}I", data)


def _many(connected: socket.socket) -> bytes:
    """Return more groups than Python's own call has room for."""
    import ctypes

    library = ctypes.CDLL(None, use_errno=True)
    room = ctypes.create_string_buffer(_GROUPS_MOST * _GID_BYTES)
    length = ctypes.c_uint(len(room))
    failed = library.getsockopt(
        connected.fileno(),
        socket.SOL_SOCKET,
        _SO_PEERGROUPS,
        room,
        ctypes.byref(length),
    )
    if failed:
        raise OSError(ctypes.get_errno(), "SO_PEERGROUPS")
    return room.raw[: length.value]
