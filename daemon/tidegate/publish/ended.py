"""How the loop learns that a sink's thread has ended, at most once and without a wait."""

from __future__ import annotations

import asyncio


class Ended:
    """Made in the loop; told in the thread."""

    def __init__(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._event = asyncio.Event()

    async def wait(self) -> None:
        """Return when the thread has told so; whoever waits sets a limit."""
        await self._event.wait()

    def tell(self) -> None:
        """Say so, as the last act of the thread."""
        try:
            self._loop.call_soon_threadsafe(self._event.set)
        except RuntimeError:
            if not self._loop.is_closed():
                raise
            # The daemon did not wait for this any longer, and is gone.
