"""One peer of the daemon: their lines in, ours out, both bounded in size and time.

The kernel's own buffers are the only ones that grow with what a peer does or leaves
undone: a line is read when the one before has been taken, and sent whole within a
time limit or not at all.
"""

from __future__ import annotations

import asyncio
import select
import socket
from collections import deque
from collections.abc import Awaitable, Mapping
from typing import Any, Final

from tidegate.control.peer import Peer
from tidegate.control.protocol import (
    QUESTION_MOST_BYTES,
    Gone,
    Lines,
    decoded,
    encoded,
)
from tidegate.errors import TidegateError

# Engineering choices: a peer that does not read for so long is gone.
SEND_LIMIT_S: Final = 5.0
# What is read ahead, so that a peer who leaves is noticed; a line counts for more than
# its bytes, as empty ones fill the memory too.
_AHEAD_BYTES: Final = 4_096
_LINE_COSTS_BYTES: Final = 64
_AT_ONCE_BYTES: Final = 16_384


class Talking:
    """A connected peer. ``gone`` is set once they have left."""

    def __init__(self, connected: socket.socket, peer: Peer) -> None:
        connected.setblocking(False)  # noqa: FBT003
        self.peer = peer
        self.gone = asyncio.Event()
        self._socket = connected
        self._came: deque[bytes] = deque()
        self._news = asyncio.Event()
        self._room = asyncio.Event()
        self._room.set()
        self._ended: Exception | None = None
        self._is_cut = False
        self._sending = asyncio.Lock()
        self._reading = asyncio.get_running_loop().create_task(self._read())

    async def line(self) -> bytes:
        """Return the peer's next line.

        Errors: Gone after the last one, Malformed for one too long.
        """
        while not self._came:
            if self._ended is not None:
                raise self._ended
            self._news.clear()
            await self._news.wait()
        line = self._came.popleft()
        if self._has_room():
            self._room.set()
        return line

    def _has_room(self) -> bool:
        held_bytes = sum(len(line) + _LINE_COSTS_BYTES for line in self._came)
        return held_bytes <= _AHEAD_BYTES

    async def hear(self) -> Mapping[str, Any]:
        """Return what the peer says next. Errors: Gone, Malformed, Unsupported."""
        return decoded(await self.line())

    async def more(self, document: Mapping[str, Any]) -> None:
        """Say one line of a stream. Errors: Gone."""
        await self.say({"more": document})

    async def say(self, document: Mapping[str, Any]) -> None:
        """Say one line. Errors: Gone, where it is not read within the time limit."""
        data = encoded(document)
        loop = asyncio.get_running_loop()
        async with self._sending:
            if self.gone.is_set() or self._is_cut:
                raise Gone
            # Half a line may be out when this ends early, and nothing after it would be
            # understood.
            self._is_cut = True
            try:
                async with asyncio.timeout(SEND_LIMIT_S):
                    await loop.sock_sendall(self._socket, data)
            except OSError as error:  # TimeoutError is one
                raise Gone from error
            self._is_cut = False

    async def _read(self) -> None:
        """Read ahead a little; what ended it is told by ``line``."""
        lines, loop = Lines(QUESTION_MOST_BYTES), asyncio.get_running_loop()
        ended: Exception = Gone()
        try:
            while data := await loop.sock_recv(self._socket, _AT_ONCE_BYTES):
                for line in lines.split(data):
                    await self._room.wait()
                    self._came.append(line)
                    self._news.set()
                    if not self._has_room():
                        self._room.clear()
        except TidegateError as error:
            ended = error
        except OSError:
            self.gone.set()
        finally:
            self._ended = ended
            self._news.set()
        if _has_left(self._socket):
            self.gone.set()

    async def close(self) -> None:
        """Hang up."""
        self.gone.set()
        self._reading.cancel()
        try:
            await asyncio.wait({self._reading})
        finally:
            self._socket.close()
        if not self._reading.cancelled():
            self._reading.result()


def _has_left(connected: socket.socket) -> bool:
    """Return whether a peer who says no more does not listen either.

    Source: poll(2), POLLHUP: both directions are closed.
    """
    poll = select.poll()
    poll.register(connected, 0)
    return any(event & (select.POLLHUP | select.POLLERR) for _, event in poll.poll(0))


async def awaited(work: Awaitable[Mapping[str, Any]]) -> Mapping[str, Any]:
    """Return what the work yields."""
    return await work


async def while_there(
    work: Awaitable[Mapping[str, Any]], talk: Talking
) -> Mapping[str, Any]:
    """Return what the work yields; cancel it once the peer has left. Errors: Gone."""
    loop = asyncio.get_running_loop()
    answering = loop.create_task(awaited(work))
    leaving = loop.create_task(talk.gone.wait())
    both: set[asyncio.Task[Any]] = {answering, leaving}
    try:
        await asyncio.wait(both, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for task in both:
            task.cancel()
        await asyncio.wait(both)
    if answering.cancelled():
        raise Gone
    return answering.result()
