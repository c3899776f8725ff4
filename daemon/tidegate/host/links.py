"""Links that stations share: opened once, closed by the last, never cached broken.

A link is a port, a bus or a server connection. Its key says what it reaches. A call
past its limit *poisons* the link: it is closed at once, whoever else holds it, and
the next one who asks opens it anew.
"""

from __future__ import annotations

import asyncio
from collections import defaultdict
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Any, Generic, TypeVar, cast

from tidegate import notice
from tidegate.contract import SharedLink
from tidegate.errors import BackendError

T = TypeVar("T")

# What a safe stop allows a relay; `restore` takes at most 5 s for one, too.
CLOSE_LIMIT_S = 5.0


@dataclass(eq=False, slots=True)
class Lease(Generic[T]):
    """One station's share in an open link."""

    key: str
    link: SharedLink[T]
    holders: int = 0
    closed: bool = False

    @property
    def value(self) -> T:
        """The link itself."""
        return self.link.value


class Links:
    """The open links of a process."""

    def __init__(self, *, close_limit_s: float = CLOSE_LIMIT_S) -> None:
        self._close_limit_s = close_limit_s
        self._open: dict[str, Lease[Any]] = {}
        self._closing: set[asyncio.Task[None]] = set()
        # One lock a key, so that one that hangs while opening delays no other.
        self._gates: defaultdict[str, asyncio.Lock] = defaultdict(asyncio.Lock)

    async def take(
        self, key: str, opener: Callable[[], Awaitable[SharedLink[T]]]
    ) -> Lease[T]:
        """Return a share in the link of this key, opening it if it is not open.

        Errors: those of ``opener``; a failure is not remembered.
        """
        async with self._gates[key]:
            lease = self._open.get(key)
            if lease is None:
                lease = Lease(key, await opener())
                self._open[key] = lease
            lease.holders += 1
            return cast("Lease[T]", lease)

    async def give_back(self, lease: Lease[Any]) -> None:
        """Return a share; the last one closes the link."""
        assert lease.holders > 0, "given back more often than taken"
        lease.holders -= 1
        if lease.holders == 0:
            await self._close(lease)

    async def poison(self, key: str) -> None:
        """Close the link now, whoever holds it; the next ``take`` opens another."""
        lease = self._open.get(key)
        if lease is not None:
            await self._close(lease)

    async def _close(self, lease: Lease[Any]) -> None:
        # Out of the table first: even if closing hangs, nobody is given it again.
        if self._open.get(lease.key) is lease:
            del self._open[lease.key]
        # A caller that gives up must not leave the link half closed.
        task = asyncio.create_task(self._close_gated(lease))
        self._closing.add(task)
        task.add_done_callback(self._closing.discard)
        await asyncio.shield(task)

    async def _close_gated(self, lease: Lease[Any]) -> None:
        async with self._gates[lease.key]:
            if lease.closed:
                return
            lease.closed = True
            try:
                async with asyncio.timeout(self._close_limit_s):
                    await lease.link.close()
            except (BackendError, OSError) as error:
                # It is out of the table, so what we say of open links stays true.
                log = notice.logger(link=lease.key)
                log.warning("a link did not close in good order", error=repr(error))
