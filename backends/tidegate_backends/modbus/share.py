"""A relay's share in the link to its unit."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from functools import partial

from tidegate.contract import Host, SharedLink
from tidegate.errors import Unavailable, Unsupported
from tidegate_backends import links
from tidegate_backends.modbus.link import Link, NotYet, User
from tidegate_backends.wire.modbus import Request


class LinkShare:
    """A share that is taken and given back; ``make`` returns a link, not yet open."""

    def __init__(
        self,
        host: Host,
        key: str,
        make: Callable[[], Link],
        *,
        unit: int,
        limit_s: float,
        target: str,
    ) -> None:
        self._host = host
        self._key = key
        self._make = make
        self._unit = unit
        self._limit_s = limit_s
        self._target = target
        self._link: Link | None = None

    @property
    def is_taken(self) -> bool:
        """Whether it was taken and not given back."""
        return self._link is not None

    @property
    def turn_s(self) -> float:
        """The longest that a call waits and takes, with all who share the link."""
        return 0.0 if self._link is None else self._link.turn_s

    async def take(self, user: User) -> None:
        """Open the link, or join those who have it open already.

        Errors: Unavailable, Busy; Unsupported when they want something else of it.
        """
        wanted = self._make()

        async def opened() -> SharedLink[Link]:
            return await self._opened(wanted)

        self._link = await self._host.share(self._key, opened)
        try:
            self._link.join(self, user, wanted.form, target=self._target)
        except Unsupported:
            await self.give_back()
            raise

    async def give_back(self) -> None:
        """Let go; the last one closes the link. May be called twice."""
        link, self._link = self._link, None
        if link is not None:
            link.leave(self)
            await self._host.release(self._key)

    def check(self) -> Link:
        """Return the link. Errors: Unavailable when it is not taken."""
        if self._link is None:
            raise Unavailable(
                "the relay is not open", target=self._target, remedy="Open it first."
            )
        return self._link

    async def ask(self, request: Request) -> int:
        """Return what the unit replies, once a late reply cannot be mistaken for it.

        Whether one is due shows only when our turn comes: the call before ours may be
        the one that goes without a reply. Others have the link while we wait.
        """
        link = self.check()
        ask = partial(link.ask, limit_s=self._limit_s, target=self._target)
        while True:
            try:
                return await self._host.worker(self._key).call(ask, self._unit, request)
            except NotYet as late:
                await asyncio.sleep(late.for_s)

    async def _opened(self, link: Link) -> SharedLink[Link]:
        worker = self._host.worker(self._key)
        open_link = partial(link.open, self._limit_s)
        return await links.opened(link, worker, open_link, retire=link.retire)
