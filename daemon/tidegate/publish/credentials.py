"""User and password for a broker, from a file with one line ``user:password``.

It is read anew for each connection, so that a new password needs no restart. Nothing
of it stands in a setting, message or error.
"""

from __future__ import annotations

import stat
from collections.abc import Callable
from pathlib import Path
from typing import Final

from tidegate.errors import TidegateError

_AT_MOST: Final = 4_096
_SHAPE: Final = "It holds one line: user:password"


def read(path: str, *, note: Callable[[str], None]) -> tuple[str, str]:
    """Return user and password. Errors: TidegateError."""
    try:
        with Path(path).open("rb") as opened:
            mode = Path(path).stat().st_mode
            data = opened.read(_AT_MOST + 1)
    except OSError as error:
        raise TidegateError(
            f"the credentials file {path} cannot be read ({error.strerror})",
            remedy=f"Write it for this service's user, then chmod 600. {_SHAPE}",
        ) from error
    if mode & stat.S_IRWXO:
        note(
            "the credentials file may be used by every user of this machine "
            f"(mode {stat.S_IMODE(mode):o}): chmod 600"
        )
    found = _parsed(data)
    if found is None:
        raise TidegateError(
            f"the credentials file {path} does not hold what is wanted", remedy=_SHAPE
        )
    return found


def _parsed(data: bytes) -> tuple[str, str] | None:
    try:
        # With or without the mark that some editors put first.
        line, *rest = data.decode("utf-8-sig").split("\n")
    except UnicodeDecodeError:
        return None  # without a chain: the error would carry the bytes
    user, colon, password = line.rstrip("\r").partition(":")
    sound = bool(user and colon) and line.rstrip("\r").isprintable()
    if len(data) > _AT_MOST or any(each.strip() for each in rest) or not sound:
        return None
    return user, password
