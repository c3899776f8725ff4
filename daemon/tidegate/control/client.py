"""The other half of the control socket: asks a running daemon, and waits.

Blocking and small, without asyncio, so that a command is quick.
"""

from __future__ import annotations

import socket
import struct
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

from tidegate.control import place
from tidegate.control.protocol import ANSWER_MOST_BYTES, Lines, decoded, encoded
from tidegate.control.told import raised
from tidegate.errors import DaemonAbsent, Malformed, NotPermitted, Unavailable

CONNECT_LIMIT_S: Final = 5.0
ANSWER_LIMIT_S: Final = 30.0
_LIMIT: Final = struct.pack("@ll", int(CONNECT_LIMIT_S), 0)  # struct timeval
_AT_ONCE_BYTES: Final = 65_536


class Client:
    """A connection to a daemon; use it in a ``with``."""

    def __init__(self, connected: socket.socket, path: Path) -> None:
        self.path = path
        # What ended the last stream.
        self.answer: Mapping[str, Any] = {}
        self._socket = connected
        self._lines = Lines(ANSWER_MOST_BYTES)
        self._came: list[bytes] = []

    @classmethod
    def connect(cls, path: Path) -> Self:
        """Connect to the daemon at this socket.

        Errors: DaemonAbsent where none listens, NotPermitted where we may not ask.
        """
        connecting = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            # A connection that waits for its turn waits in connect(2) itself, which only
            # this bounds: socket(7), unix(7).
            connecting.setsockopt(socket.SOL_SOCKET, socket.SO_SNDTIMEO, _LIMIT)
            place.connect(connecting, path)
        except PermissionError as error:
            connecting.close()
            raise _not_permitted(path) from error
        except BlockingIOError as error:
            connecting.close()
            raise _silent(path) from error
        except OSError as error:
            connecting.close()
            raise _absent(path, error) from error
        return cls(connecting, path)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._socket.close()

    def ask(
        self, name: str, *, limit_s: float = ANSWER_LIMIT_S, **arguments: Any
    ) -> Mapping[str, Any]:
        """Return the answer to one question.

        Errors: what the daemon raised, of its own class; DaemonAbsent where it goes
        away meanwhile; Unavailable where it takes longer than the limit.
        """
        for _ in self.stream(name, limit_s=limit_s, **arguments):
            pass
        return self.answer

    def stream(
        self, name: str, *, limit_s: float | None = None, **arguments: Any
    ) -> Iterator[Mapping[str, Any]]:
        """Yield the lines of a stream; what ends it is in ``answer`` then.

        ``limit_s`` is the longest silence; without it, there is none too long.
        Errors: as ``ask``.
        """
        self.tell({"ask": name, **arguments})
        yield from self.listen(limit_s=limit_s)

    def listen(self, *, limit_s: float | None = None) -> Iterator[Mapping[str, Any]]:
        """Yield the lines of a stream that was asked for with ``tell``.

        Another thread may ``tell`` meanwhile. Errors: as ``ask``.
        """
        self.answer = {}
        while True:
            document = self._next(limit_s)
            if "error" in document:
                raise raised(document["error"])
            if "answer" in document:
                self.answer = _object(document["answer"])
                return
            yield _object(document.get("more"))

    def tell(self, document: Mapping[str, Any]) -> None:
        """Say one line to the daemon. Errors: DaemonAbsent, Unavailable.

        Another thread may be listening meanwhile, so its time limit is left alone; what
        bounds this is the limit of the connection itself.
        """
        try:
            self._socket.sendall(encoded(document))
        except (TimeoutError, BlockingIOError) as error:
            raise _silent(self.path) from error
        except BrokenPipeError:
            pass  # it may have said why it hung up: that is read next
        except OSError as error:
            raise _left(self.path) from error

    def _next(self, limit_s: float | None) -> dict[str, Any]:
        self._socket.settimeout(limit_s)
        while not self._came:
            try:
                data = self._socket.recv(_AT_ONCE_BYTES)
            except TimeoutError as error:
                raise _silent(self.path) from error
            except OSError as error:
                raise _left(self.path) from error
            if not data:
                raise _left(self.path)
            self._came += self._lines.split(data)
        return decoded(self._came.pop(0))


def _object(value: object) -> Mapping[str, Any]:
    if not isinstance(value, dict):
        raise Malformed(
            "the daemon answered what is no answer",
            target="control socket",
            remedy="Use the same tidegate for the daemon and for its commands",
        )
    return value


def _absent(path: Path, error: OSError) -> DaemonAbsent:
    said = (error.strerror or type(error).__name__).lower()
    return DaemonAbsent(
        f"no tidegate daemon answers at {path} ({said})",
        remedy="Start it: systemctl start tidegate, or tidegate run",
    )


def _not_permitted(path: Path) -> NotPermitted:
    group = _group_of(path)
    member = "a member of the group that owns it (usermod -aG GROUP NAME)"
    if group is not None:
        member = f"a member of its group: usermod -aG {group} NAME, then log in anew"
    return NotPermitted(
        f"you may not use the control socket {path}", remedy=f"Be root, or {member}"
    )


def _group_of(path: Path) -> str | None:
    from tidegate.control.peer import group_name

    try:
        gid = path.lstat().st_gid
    except OSError:
        return None
    return group_name(gid) if gid else None


def _silent(path: Path) -> Unavailable:
    return Unavailable(
        f"the daemon at {path} did not answer in time",
        target="daemon",
        remedy="Look at its messages; journalctl -u tidegate",
    )


def _left(path: Path) -> DaemonAbsent:
    return DaemonAbsent(
        f"the daemon at {path} hung up before it answered",
        remedy="It stops, or was too busy: ask again, and look at its messages",
    )
