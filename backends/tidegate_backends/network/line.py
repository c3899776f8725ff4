"""One address on the network that answers one call at a time.

Names are looked up in the backend's thread when the line is opened, for nothing else
may block there; after that a call is a connection of its own, with one limit on all
of it and on what comes back. A call that is given up resets its connection at once,
so what the peer has not taken by then it never gets (see ``endings``). What it has
taken it may still act upon.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import ssl
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, TypeVar

from tidegate.errors import Malformed, Unavailable
from tidegate_backends.network import endings, tls

T = TypeVar("T")

Address = tuple[socket.AddressFamily, Any]

ANSWER_AT_MOST: Final = 64 * 1024
_CHUNK: Final = 4_096


def resolve(host: str, port: int, *, target: str) -> tuple[Address, ...]:
    """Return the addresses of a name. Blocks. Errors: Unavailable."""
    try:
        found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError) as error:
        # UnicodeError: it is no name that a resolver could be asked for.
        reason = getattr(error, "strerror", None) or "it is no name"
        raise Unavailable(
            f"the name is not known ({reason.lower()})",
            target=target,
            remedy="Check the name and this machine's resolver, or use an address.",
        ) from error
    return tuple((family, address) for family, _, _, _, address in found)


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
    """How a station calls: its TLS, the name that it expects, its limit."""

    context: ssl.SSLContext | None
    name: str
    limit_s: float
    target: str


class Line:
    """The way to one address, shared by the stations that it serves.

    Their calls queue, because small devices serve one connection; a call waits no
    longer than its own limit for its turn.
    """

    def __init__(self, addresses: tuple[Address, ...]) -> None:
        self._addresses = addresses
        self._turn = asyncio.Lock()
        self._plug: socket.socket | None = None
        self._retired = False

    async def exchange(
        self, data: bytes, terms: Terms, whole: Callable[[bytes, bool], T | None]
    ) -> T:
        """Send and return what ``whole`` makes of what comes back.

        It is given all that came so far and whether that is the end, and returns
        ``None`` for more. Errors: Unavailable, Refused, Malformed; those of ``whole``.
        """
        await self._take_turn(terms)
        try:
            self._check_alive(terms)
            async with asyncio.timeout(terms.limit_s):
                return await self._exchanged(data, terms, whole)
        except TimeoutError as error:
            raise Unavailable(
                f"no whole answer within {terms.limit_s:g} s",
                target=terms.target,
                remedy="Check its power and the network; a slow one needs more `limit`. "
                "A service may reach private networks alone (drop-in network.conf).",
            ) from error
        except OSError as error:
            raise tls.failure(error, target=terms.target) from error
        finally:
            self._turn.release()

    async def close(self) -> None:
        """End the call that is under way, and let no other begin."""
        self._retired = True
        if self._plug is not None:
            # Like an end that came from the peer, and so the call resets it. asyncio
            # would take a transport that is aborted for a handshake that succeeded.
            with contextlib.suppress(OSError):
                self._plug.shutdown(socket.SHUT_RD)

    async def _take_turn(self, terms: Terms) -> None:
        try:
            async with asyncio.timeout(terms.limit_s):
                await self._turn.acquire()
        except TimeoutError as error:
            raise Unavailable(
                "the calls of other stations to this address do not end",
                target=terms.target,
                remedy="Check its power and the network.",
            ) from error

    def _check_alive(self, terms: Terms) -> None:
        if self._retired:
            raise Unavailable(
                "the line was given up", target=terms.target, remedy="Open it anew."
            )

    async def _exchanged(
        self, data: bytes, terms: Terms, whole: Callable[[bytes, bool], T | None]
    ) -> T:
        plug = await self._plugged(terms.limit_s / len(self._addresses))
        # In the clear first: one that asyncio opens with TLS goes on to flush when it is
        # given up as its handshake ends, by a descriptor that is soon another's.
        reader, writer = await asyncio.open_connection(sock=plug)
        self._plug = plug
        try:
            self._check_alive(terms)
            if terms.context is not None:
                await writer.start_tls(terms.context, server_hostname=terms.name)
                self._check_alive(terms)
            writer.write(data)
            told = await _answer(reader, terms.target, whole)
            endings.send_the_rest(plug)
            return told
        finally:
            self._plug = None
            writer.transport.abort()
            await asyncio.sleep(0)  # the transport lets go in the loop's next round

    async def _plugged(self, each_s: float) -> socket.socket:
        """Return a connection to the first address that takes one, each in its time."""
        loop = asyncio.get_running_loop()
        refused: OSError = OSError("no address")
        for family, address in self._addresses:
            plug = socket.socket(family, socket.SOCK_STREAM)
            plug.settimeout(0)
            endings.drop_the_rest(plug)
            try:
                async with asyncio.timeout(each_s):
                    await loop.sock_connect(plug, address)
            except OSError as error:
                plug.close()
                refused = error
            except BaseException:
                plug.close()
                raise
            else:
                return plug
        raise refused


async def _answer(
    reader: asyncio.StreamReader,
    target: str,
    whole: Callable[[bytes, bool], T | None],
) -> T:
    came = bytearray()
    while True:
        part = await reader.read(_CHUNK)
        came += part
        if len(came) > ANSWER_AT_MOST:
            raise Malformed(
                f"it answers with more than {ANSWER_AT_MOST // 1024} KiB",
                target=target,
                remedy="Ask it for less: the answer to a request is small.",
            )
        told = whole(bytes(came), not part)
        if told is not None:
            return told
        if not part:
            raise Unavailable(
                "it closed the connection without an answer",
                target=target,
                remedy="It may be starting or busy; if it stays so, restart it.",
            )
