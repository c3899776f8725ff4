"""What a network socket wants to be told in secret, from a file of its own.

The file holds one line: ``user:password``, or a bearer token. It is read when the
relay is opened and stands in no setting, message or error.

Source: RFC 7617 (Basic), RFC 6750 section 2.1 (Bearer; a token has no colon).
"""

from __future__ import annotations

import base64
import json
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Final
from urllib.parse import quote

from pydantic import SecretStr, StringConstraints

from tidegate.errors import Refused, Unavailable, Unsupported

HIDDEN: Final = "(hidden)"
FilePath = Annotated[str, StringConstraints(pattern=r"^/[^\x00]+$")]
_FILE_AT_MOST: Final = 4_096
_SHAPE: Final = "It holds one line: user:password, or a bearer token."


@dataclass(frozen=True, slots=True, kw_only=True)
class Credentials:
    """Either user and password, or a token. Prints nothing of them."""

    user: SecretStr | None = None
    password: SecretStr | None = None
    token: SecretStr | None = None

    def authorization(self) -> str:
        """Return the value of the header ``Authorization``."""
        if self.token is not None:
            return f"Bearer {self.token.get_secret_value()}"
        return f"Basic {self._basic()}"

    def places(self) -> dict[str, str]:
        """Return what stands for ``{user}``, ``{password}`` or ``{token}``."""
        held = {"user": self.user, "password": self.password, "token": self.token}
        return {
            f"{{{name}}}": secret.get_secret_value()
            for name, secret in held.items()
            if secret is not None
        }

    def hide(self, text: str) -> str:
        """Return a text, such as a peer's answer, without the secrets it repeats."""
        secrets = [*self.places().values()]
        if self.user is not None:
            secrets.append(self._basic())
        secrets += [
            variant
            for each in secrets
            for variant in (quote(each, safe=""), json.dumps(each)[1:-1])
        ]
        for each in sorted(secrets, key=len, reverse=True):
            text = text.replace(each, HIDDEN) if each else text
        return text

    def _basic(self) -> str:
        assert self.user is not None
        assert self.password is not None
        pair = f"{self.user.get_secret_value()}:{self.password.get_secret_value()}"
        return base64.b64encode(pair.encode()).decode()


def read(path: str, *, target: str) -> tuple[Credentials, list[str]]:
    """Return the credentials of a file, and what a person should know about it.

    Errors: Unavailable where it is missing, Refused where it may not be read,
    Unsupported where it holds something else. Blocks: for the backend's thread.
    """
    file = Path(path)
    try:
        with file.open("rb") as opened:
            mode = file.stat().st_mode
            data = opened.read(_FILE_AT_MOST + 1)
    except PermissionError as error:
        raise Refused(
            "the credentials file may not be read",
            target=target,
            remedy="Give it to the user of this service: chown, then chmod 600.",
        ) from error
    except OSError as error:
        raise Unavailable(
            f"the credentials file cannot be read ({error.strerror})",
            target=target,
            remedy=f"Write it where the settings say. {_SHAPE}",
        ) from error
    found = _parsed(data)
    if found is None:
        raise Unsupported(
            "the credentials file does not hold what is wanted",
            target=target,
            remedy=_SHAPE,
        )
    return found, _notes(mode)


def read_user(path: str, *, target: str) -> tuple[Credentials, list[str]]:
    """Do as ``read`` does, for a peer that takes no token. Errors: as there."""
    held, notes = read(path, target=target)
    if held.user is None:
        raise Unsupported(
            "the credentials file holds a token, and a broker wants a user",
            target=target,
            remedy="Write user:password into it.",
        )
    return held, notes


def _parsed(data: bytes) -> Credentials | None:
    try:
        # With or without the mark that some editors put first.
        lines = data.decode("utf-8-sig").split("\n")
    except UnicodeDecodeError:
        # Without a chain: the error would carry the bytes.
        return None
    line = lines[0].rstrip("\r")
    if len(data) > _FILE_AT_MOST or any(rest.strip() for rest in lines[1:]):
        return None
    if not line.isprintable():
        return None
    user, colon, password = line.partition(":")
    if colon and user:
        return Credentials(user=SecretStr(user), password=SecretStr(password))
    if line and not colon and not any(char.isspace() for char in line):
        return Credentials(token=SecretStr(line))
    return None


def _notes(mode: int) -> list[str]:
    """Say that others may read it; no more, for a supply must not stay off for that."""
    if mode & stat.S_IRWXO == 0:
        return []
    return [
        "the credentials file may be used by every user of this machine "
        f"(mode {stat.S_IMODE(mode):o}): chmod 600"
    ]
