"""A link that stations share, opened in its own thread and never left behind."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import TypeVar

from tidegate.contract import SharedLink, Worker

L = TypeVar("L")


async def opened(
    link: L,
    worker: Worker,
    open_link: Callable[[], object],
    *,
    retire: Callable[[], None],
    give_up: Callable[[], None] = lambda: None,
) -> SharedLink[L]:
    """Return a link once ``open_link`` has opened it; ``retire`` closes it for good.

    Both run in the link's thread. ``give_up`` is called at once where the opening
    fails or is cancelled. Errors: those of ``open_link``.
    """

    async def close() -> None:
        await worker.call(retire)

    try:
        await worker.call(open_link)
    except BaseException:
        # Cancelled half-way, the thread may yet open it: take it back, even if nobody
        # waits for that any more.
        give_up()
        await asyncio.shield(asyncio.ensure_future(close()))
        raise
    return SharedLink(link, close)
