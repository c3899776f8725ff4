"""Commits of one station: what is durable, and a log that is lost and comes back."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from tidegate.core.events import LogBack, LogLost
from tidegate.cyclelog.writer import Writer
from tidegate.errors import LogError

if TYPE_CHECKING:
    from tidegate.station.shell import Station

COMMIT_LIMIT_S: Final = 10.0


class LogSide:
    """The cycle log as one station sees it. A log that fails never stops control."""

    def __init__(self, station: Station, writer: Writer) -> None:
        self._station = station
        self._writer = writer
        self._is_lost = False

    @property
    def is_broken(self) -> bool:
        """Whether the log cannot be written at all, rather than slowly."""
        return not self._writer.healthy

    async def commit(self, limit_s: float = COMMIT_LIMIT_S) -> bool:
        """Make everything so far durable; return whether it is.

        A log that is broken or too slow never stops control; the core is told.
        """
        self._station.record.flush()
        return await self._committed(limit_s)

    def commit_soon(self) -> None:
        """Make the rows so far durable without waiting for it."""
        self._station.spawn(self._commit_quietly())

    def try_again(self) -> None:
        """Notice a log that works again, though nothing new need be written."""
        if self._is_lost:
            self._station.spawn(self._try())

    async def _commit_quietly(self) -> None:
        await self.commit()

    async def _try(self) -> None:
        await self._committed(COMMIT_LIMIT_S)

    async def _committed(self, limit_s: float) -> bool:
        station = self._station
        try:
            await self._writer.commit(limit_s)
        except (LogError, TimeoutError) as error:
            durable = False
            if station.quiet.count(station.name, "log"):
                station.log.error("cycle log", error=str(error) or "too slow")
        else:
            durable = True
        self._note()
        return durable

    def _note(self) -> None:
        station, lost = self._station, not self._writer.healthy
        if lost is not self._is_lost and station.state is not None:
            self._is_lost = lost
            station.feed(LogLost() if lost else LogBack())
            if not lost:
                # What was dropped cannot be replayed: the next start begins here.
                station.record.state(station.state)
