"""HTTP/1.1 as one request and one answer, in bytes; the connection ends with it.

Source: RFC 9112 (messages), RFC 9110 (what they mean). The answer is taken apart by
the standard library's own reader.
"""

from __future__ import annotations

import io
import re
from collections.abc import Mapping
from dataclasses import dataclass
from http.client import HTTPException, HTTPResponse
from typing import Any, Final

_HEAD_ENDS: Final = re.compile(rb"\r?\n\r?\n")
# The longest beginning by which an answer is known to be one.
_BEGINS: Final = b"HTTP/"
# Answers that come before the answer (RFC 9110, section 15.2).
_INTERIM: Final = re.compile(rb"HTTP/1\.[01] 1[0-9][0-9]\b")
# The whole line of the last chunk; its trailer says nothing that is of use here.
_LAST_CHUNK: Final = re.compile(rb"\n0+(?:;[^\r\n]*)?\r?\n")


class NotHttp(ValueError):
    """What came back is no answer, or one that was cut off."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What a server said. ``challenge``: how it wants to be told who we are."""

    status: int
    reason: str
    body: bytes
    location: str | None = None
    challenge: str | None = None

    @property
    def text(self) -> str:
        """The body as text; bytes that are none are replaced."""
        return self.body.decode("utf-8", errors="replace")


def request(
    method: str,
    target: str,
    *,
    host: str,
    headers: Mapping[str, str],
    body: bytes | None,
) -> bytes:
    """Return a request that asks the server to close afterwards."""
    lines = [f"{method} {target} HTTP/1.1", f"Host: {host}", "Connection: close"]
    lines += ["User-Agent: tidegate", "Accept: */*", "Accept-Encoding: identity"]
    lines += [f"{name}: {value}" for name, value in headers.items()]
    if body is not None or method not in ("GET", "HEAD"):
        lines.append(f"Content-Length: {len(body or b'')}")
    head = "\r\n".join([*lines, "", ""]).encode()
    return head + (body or b"")


def answer(data: bytes, *, is_all: bool) -> Answer | None:
    """Return the answer once it is whole, else ``None``.

    ``is_all``: nothing more will come. Errors: NotHttp.
    """
    while True:
        if not data.startswith(_BEGINS[: len(data)]):
            raise NotHttp("it does not begin like an answer")
        head = _HEAD_ENDS.search(data)
        if head is None:
            if is_all and data:
                raise NotHttp("it was cut off in its head")
            return None
        if not _INTERIM.match(data):
            break
        data = data[head.end() :]
    reader: Any = _Reader(data)
    response = HTTPResponse(reader)
    try:
        response.begin()
        if response.length is None and not response.chunked and not is_all:
            return None  # it ends with the connection
        if response.chunked and not is_all and not _LAST_CHUNK.search(data):
            return None
        body = response.read()
    except HTTPException as error:
        # Incomplete it may still become whole; everything else it will not.
        if not is_all and _is_short(error):
            return None
        raise NotHttp(f"it is no whole answer ({type(error).__name__})") from error
    except OverflowError as error:
        raise NotHttp("it announces more than any memory holds") from error
    finally:
        response.close()
    return Answer(
        status=response.status,
        reason=response.reason.strip(),
        body=body,
        location=response.getheader("Location"),
        challenge=response.getheader("WWW-Authenticate"),
    )


def _is_short(error: HTTPException) -> bool:
    return type(error).__name__ in ("IncompleteRead", "RemoteDisconnected")


class _Reader:
    """Bytes that the standard library may read like a connection."""

    def __init__(self, data: bytes) -> None:
        self._data = data

    def makefile(self, mode: str) -> io.BytesIO:
        return io.BytesIO(self._data)
