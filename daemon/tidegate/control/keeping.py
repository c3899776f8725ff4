"""Keeps the control socket within reach: a file that was taken away is made again.

A cleaner of the run folder or a slip of a person takes it away under a daemon that goes
on for years. There is no timer for this: whoever has something else to do looks, which
costs one lstat(2), and much less than that where the last look was just now.
"""

from __future__ import annotations

from typing import Final

from tidegate.clock import Clock
from tidegate.control.server import Server
from tidegate.core.policy import HOUR_MS
from tidegate.errors import Busy, TidegateError, Unavailable

# Engineering choices: a person who asks again after a moment is answered.
LOOK_APART_MS: Final = 5_000
AGAIN_APART_MS: Final = HOUR_MS


class Keeper:
    """Looks after the file of one server."""

    def __init__(self, server: Server, clock: Clock) -> None:
        self._server = server
        self._clock = clock
        self._looked_ms = clock.boot_ms()
        self._told = ""
        self._told_ms = 0

    def begin(self) -> None:
        """Listen, or say why not and try again with the looks that follow.

        Errors: Busy, where somebody else listens there, who was first.
        """
        try:
            self._server.listen()
        except Unavailable as error:
            self._tell(error)
        else:
            self._server.log.info("control socket", path=str(self._server.path))

    def look(self) -> None:
        """Listen anew where the file is gone, or say why not; now and then only."""
        now_ms = self._clock.boot_ms()
        if now_ms - self._looked_ms < LOOK_APART_MS:
            return
        self._looked_ms = now_ms
        if self._server.is_in_place:
            return
        try:
            self._server.listen()
        except (Busy, Unavailable) as error:
            self._tell(error)
            return
        self._told = ""
        self._server.log.warning(
            "control socket", what="listens again", path=str(self._server.path)
        )

    def _tell(self, error: TidegateError) -> None:
        """Say a fault once, and as long as it stays the same one once an hour."""
        now_ms, says = self._clock.boot_ms(), str(error)
        if says == self._told and now_ms - self._told_ms < AGAIN_APART_MS:
            return
        self._told, self._told_ms = says, now_ms
        self._server.log.error("control socket", what="nobody can connect", error=says)
