"""Where the control socket is, so that a daemon and its commands agree unasked.

A daemon of the system has its run folder, one that a person runs the folder where its
locks are. A command looks in all the places that a daemon on this machine could have
chosen for whoever runs the command, its own first.
"""

from __future__ import annotations

import os
import socket
import stat
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Final

SYSTEM: Final = Path("/run/tidegate")
NAME: Final = "control.sock"
PATH_MOST_BYTES: Final = 107


def daemon_place(environ: Mapping[str, str] = os.environ) -> Path:
    """Return where a daemon without a setting puts its socket."""
    from tidegate.host.locks import lock_folder

    return lock_folder(environ) / NAME


def candidates(environ: Mapping[str, str] = os.environ) -> tuple[Path, ...]:
    """Return where a daemon without a setting may have its socket, best first.

    Whoever says where locks go means that daemon, and no other.
    """
    if named := environ.get("TIDEGATE_LOCKS"):
        return (Path(named) / NAME,)
    own = [Path(tempfile.gettempdir()) / f"tidegate-{os.getuid()}"]
    if person := environ.get("XDG_RUNTIME_DIR"):
        own.insert(0, Path(person) / "tidegate")
    folders = [SYSTEM, *own] if os.access(SYSTEM, os.W_OK) else [*own, SYSTEM]
    return tuple(folder / NAME for folder in folders)


def client_place(environ: Mapping[str, str] = os.environ) -> Path:
    """Return the first candidate behind which a daemon is, else the likeliest."""
    found = [place for place in candidates(environ) if _is_ours(place)]
    for place in found:
        if answers(place):
            return place
    return found[0] if found else _likeliest(environ)


def _likeliest(environ: Mapping[str, str]) -> Path:
    named = candidates(environ)
    system = SYSTEM / NAME
    return system if SYSTEM.is_dir() and system in named else named[0]


def _is_ours(place: Path) -> bool:
    """Return whether a socket is there, in a folder that is ours or the system's.

    In a shared temporary folder anyone could have put one there.
    """
    try:
        owner = place.parent.lstat().st_uid
        is_socket = stat.S_ISSOCK(place.lstat().st_mode)
    except OSError:
        return False
    return is_socket and (owner in (0, os.getuid()) or place.parent == SYSTEM)


def answers(place: Path) -> bool:
    """Return whether somebody listens there; one who may not ask is told so later."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        probe.setblocking(False)  # noqa: FBT003
        try:
            connect(probe, place)
        except (BlockingIOError, PermissionError):
            return True
        except OSError:
            return False
    return True


def connect(connecting: socket.socket, place: Path) -> None:
    """Connect to a socket by its path, however long. Errors: OSError."""
    if len(os.fsencode(place)) <= PATH_MOST_BYTES:
        connecting.connect(str(place))
        return
    # The socket itself, as its name alone may be too long for an address.
    found = os.open(place, os.O_PATH | os.O_CLOEXEC)
    try:
        connecting.connect(f"/proc/self/fd/{found}")
    finally:
        os.close(found)


@contextmanager
def short(place: Path) -> Iterator[str]:
    """Lend a path to bind to that fits into an address, as long as the block lasts.

    Source: unix(7), ``sun_path`` has 108 bytes with the zero at its end; proc(5),
    /proc/self/fd.
    """
    if len(os.fsencode(place)) <= PATH_MOST_BYTES:
        yield str(place)
        return
    folder = os.open(place.parent, os.O_PATH | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        yield f"/proc/self/fd/{folder}/{place.name}"
    finally:
        os.close(folder)
