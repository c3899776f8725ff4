"""The metrics over HTTP on loopback, for a collector that asks.

It lives in the control loop, costs nothing until somebody asks, and little whoever
asks how often: connections are taken one by one, a few at a time and no faster than a
bucket of tokens allows. The others wait in the kernel's queue, where they cost
nothing; that is why this takes connections itself, for ``asyncio.start_server`` takes
as many as come. Each has a time limit and one request.

Source: RFC 9112, section 9.6 (how to close without cutting off the answer).
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import socket
from collections.abc import Callable
from typing import Final

from tidegate import notice
from tidegate.clock import Clock
from tidegate.errors import TidegateError
from tidegate.publish import openmetrics
from tidegate.publish.figures import View
from tidegate.publish.http_request import Asked, answer, asked, said

# Engineering choices, no source. A collector asks once or twice a minute.
TOGETHER: Final = 4
BURST: Final = 20
EACH_S: Final = 0.2
LIMIT_S: Final = 5.0
REQUEST_AT_MOST: Final = 8 * 1024
_WAITING: Final = 16
_CHUNK: Final = 4_096
# Without file descriptors, and until somebody gives some back.
_PAUSE_S: Final = 1.0


class Endpoint:
    """Listens until it is closed. ``beyond`` loopback any host name is good."""

    def __init__(
        self,
        host: str,
        port: int,
        *,
        beyond: bool,
        views: Callable[[], tuple[View, ...]],
        clock: Clock,
    ) -> None:
        self._where = (host, port)
        self._beyond = beyond
        self._views = views
        self._log = notice.logger()
        self._quiet = notice.Quiet(clock)
        self._room = asyncio.Semaphore(TOGETHER)
        self._tokens = Tokens()
        self._answering: set[asyncio.Task[None]] = set()
        self._listening: socket.socket | None = None
        self._serving: asyncio.Task[None] | None = None

    def open(self) -> None:
        """Begin to listen. Errors: TidegateError where that is not possible."""
        family = socket.AF_INET6 if ":" in self._where[0] else socket.AF_INET
        try:
            plug = socket.socket(family, socket.SOCK_STREAM)
        except OSError as error:
            raise _not_listening(self._where, error) from error
        try:
            plug.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            plug.bind(self._where)
            plug.listen(_WAITING)
            plug.settimeout(0)
        except OSError as error:
            plug.close()
            raise _not_listening(self._where, error) from error
        self._listening = plug
        self._serving = asyncio.get_running_loop().create_task(self._serve(plug))
        self._serving.add_done_callback(self._told_why)

    async def close(self) -> None:
        """Listen no more; whoever is being answered is dropped."""
        tasks = {*self._answering} | ({self._serving} if self._serving else set())
        for task in tasks:
            task.cancel()
        if tasks:
            await asyncio.wait(tasks)
        if self._listening is not None:
            self._listening.close()

    async def _serve(self, listening: socket.socket) -> None:
        loop = asyncio.get_running_loop()
        while True:
            await self._tokens.take()
            await self._room.acquire()
            try:
                plug, _ = await loop.sock_accept(listening)
            except OSError as error:
                # The peer left already, or there are no descriptors: not for ever.
                self._room.release()
                if error.errno != errno.ECONNABORTED:
                    if count := self._quiet.count("", "metrics"):
                        said = {"error": str(error), "count": count}
                        self._log.warning("no connection for metrics", **said)
                    await asyncio.sleep(_PAUSE_S)
                continue
            except asyncio.CancelledError:
                self._room.release()
                raise
            task = loop.create_task(self._answer(plug))
            self._answering.add(task)
            task.add_done_callback(self._answered)

    def _answered(self, task: asyncio.Task[None]) -> None:
        self._answering.discard(task)
        self._room.release()
        self._told_why(task)

    def _told_why(self, task: asyncio.Task[None]) -> None:
        error = None if task.cancelled() else task.exception()
        # Our own bug, and no reason to stop a station, nor to say so at every scrape.
        if error is not None and (count := self._quiet.count("", "metrics bug")):
            self._log.error(
                "the metrics were not told: a fault of tidegate; control goes on",
                error=repr(error),
                count=count,
                exc_info=error if count == 1 else None,
            )

    async def _answer(self, plug: socket.socket) -> None:
        """Answer one request, within its limit; a peer that fails is left alone."""
        with plug, contextlib.suppress(TimeoutError, OSError):
            async with asyncio.timeout(LIMIT_S):
                wanted = await self._asked(plug)
                if wanted is None:
                    return
                body = said(wanted.status)
                if wanted.status == 200:
                    body = await self._told(wanted.media_type)
                loop = asyncio.get_running_loop()
                await loop.sock_sendall(plug, answer(wanted, body))
                plug.shutdown(socket.SHUT_WR)
                await self._until_it_leaves(plug)

    async def _asked(self, plug: socket.socket) -> Asked | None:
        loop, heard = asyncio.get_running_loop(), b""
        while b"\r\n\r\n" not in heard:
            if len(heard) > REQUEST_AT_MOST:
                return Asked(400)
            more = await loop.sock_recv(plug, _CHUNK)
            if not more:
                return None
            heard += more
        return asked(heard.partition(b"\r\n\r\n")[0], any_name=self._beyond)

    async def _told(self, media_type: str) -> bytes:
        """Return the metrics; with hundreds of stations others get their turn."""
        told = []
        for piece in openmetrics.pieces(self._views(), media_type):
            told.append(piece)
            await asyncio.sleep(0)
        return "".join(told).encode()

    async def _until_it_leaves(self, plug: socket.socket) -> None:
        """Read what was not asked for, so that closing does not cut off the answer."""
        loop, left = asyncio.get_running_loop(), REQUEST_AT_MOST
        while left > 0 and (more := await loop.sock_recv(plug, _CHUNK)):
            left -= len(more)


class Tokens:
    """``BURST`` at once, then one every ``EACH_S``; waits only where there is none."""

    def __init__(self) -> None:
        self._full_at_s = 0.0

    async def take(self) -> None:
        """Take one, as soon as there is one."""
        loop = asyncio.get_running_loop()
        wait_s = self._full_at_s - loop.time() - (BURST - 1) * EACH_S
        if wait_s > 0:
            await asyncio.sleep(wait_s)
        self._full_at_s = max(self._full_at_s, loop.time()) + EACH_S


def _not_listening(where: tuple[str, int], error: OSError) -> TidegateError:
    host, port = where
    shown = f"[{host}]:{port}" if ":" in host else f"{host}:{port}"
    remedies = {
        errno.EADDRINUSE: "Another program listens there: give `listen` in [metrics] "
        "another port, or end that program",
        errno.EACCES: "A port under 1024 is not for this user: take one above",
        errno.EAFNOSUPPORT: "The service's unit lets it use no network: install the "
        "drop-in metrics.conf",
        errno.EADDRNOTAVAIL: "This machine does not have that address",
    }
    return TidegateError(
        f"the metrics cannot be had at {shown} ({error.strerror}); control goes on",
        remedy=remedies.get(error.errno or 0, "Check `listen` in [metrics]"),
    )
