"""The one writer of the cycle log: rows in at once, durable on request.

``append`` never waits. ``commit`` returns when everything appended before it is
durable; requests that arrive together share one transaction. A thread of its own
does the writing (in virtual time the caller does), so a slow disk stalls nobody, and
whoever stops waiting loses no row. While the disk refuses, rows wait in memory and
the next commit that comes at least ten seconds later tries again.
"""

from __future__ import annotations

import asyncio
import threading
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Self

from tidegate.clock import Clock
from tidegate.cyclelog.backlog import LIMIT, Backlog, Moment
from tidegate.cyclelog.disk import cause_of, last_readable
from tidegate.cyclelog.file import LogFile
from tidegate.cyclelog.rows import Entry, GapRow, Row, RunRow
from tidegate.errors import Busy, LogError

RETRY_MS: Final = 10_000
CLOSE_S: Final = 5.0


@dataclass(frozen=True, slots=True)
class _Waiter:
    """One commit that waits for its rows."""

    target_id: int
    loop: asyncio.AbstractEventLoop
    done: asyncio.Future[None]


class Writer:
    """Appends rows to the cycle log. ``append`` may be called from any thread."""

    def __init__(
        self, path: Path, *, clock: Clock, threaded: bool, limit: int = LIMIT
    ) -> None:
        self._clock = clock
        self._file = LogFile(path)
        # Guards all that follows; never held while the disk works.
        self._state = threading.Condition()
        self._rows = Backlog(limit=limit)
        self._durable_id = 0
        self._trouble: LogError | None = None
        self._why = ""
        self._troubled_at: Moment | None = None
        self._tried_ms = 0
        self._was_open = False
        self._has_run = False
        self._waiters: list[_Waiter] = []
        self._asked = False
        self._closing = False
        self._thread: threading.Thread | None = None
        if threaded:
            self._thread = threading.Thread(
                target=self._work, name="cycle log", daemon=True
            )

    @classmethod
    def open(
        cls, path: Path, *, clock: Clock, threaded: bool = True, limit: int = LIMIT
    ) -> Self:
        """Return a writer on the log at this path, making folder and file.

        A log that cannot be written now is no error: ``healthy`` is false then, and
        rows wait. ``limit`` is how many. Errors: Busy when another process writes it.
        """
        writer = cls(path, clock=clock, threaded=threaded, limit=limit)
        with suppress(OSError):  # what is wrong with the folder shows on opening
            path.parent.mkdir(parents=True, exist_ok=True)
        writer._first_open()
        if writer._thread is not None:
            writer._thread.start()
        return writer

    @property
    def path(self) -> Path:
        """The file that is written."""
        return self._file.path

    @property
    def healthy(self) -> bool:
        """Whether the last attempt to write went well."""
        return self._trouble is None

    @property
    def trouble(self) -> LogError | None:
        """What is wrong while the log is not healthy."""
        return self._trouble

    @property
    def head(self) -> str:
        """The last link: the anchor for whoever keeps one elsewhere."""
        return self._file.tail.link

    @property
    def follows(self) -> str:
        """The last link of what came before a new file, "" if that is not known."""
        return self._file.follows

    @property
    def waiting(self) -> int:
        """How many rows are not durable yet."""
        return len(self._rows)

    def append(self, row: Row) -> int:
        """Take a row and return its id; durable after the next commit."""
        with self._state:
            self._has_run = self._has_run or isinstance(row, RunRow)
            return self._rows.append(row)

    def telling(self, intent: int) -> None:
        """Say that a relay hears of this intent now.

        If it is not durable yet, a gap row will count its switching, however late the
        relay answers.
        """
        with self._state:
            self._rows.telling(intent)

    async def commit(self, limit_s: float | None = None) -> None:
        """Wait until every row appended so far is durable.

        Errors: LogError when the log cannot be written, TimeoutError past the limit.
        Either way the rows stay and are written later.
        """
        with self._state:
            target_id = self._rows.last_id
            if self._trouble is None and self._durable_id >= target_id:
                return
            self._refuse_if_hopeless()
            if self._thread is not None:
                waiter = self._ask(target_id)
        if self._thread is None:
            self._attempt()
            if self._trouble is not None:
                raise _again(self._trouble)
            return
        async with asyncio.timeout(limit_s):
            await waiter.done

    async def close(self) -> None:
        """Write what waits and let go; gives a stuck disk five seconds.

        Never raises: rows that could not be written are still counted in ``waiting``.
        """
        with self._state:
            if self._closing:
                return
            self._closing = True
            if self._thread is not None:
                waiter = self._ask(self._rows.last_id)
        if self._thread is None:
            self._attempt()
            self._file.close()
            return
        with suppress(LogError, TimeoutError):
            async with asyncio.timeout(CLOSE_S):
                await waiter.done

    def _ask(self, target_id: int) -> _Waiter:
        loop = asyncio.get_running_loop()
        waiter = _Waiter(target_id, loop, loop.create_future())
        self._waiters.append(waiter)
        self._asked = True
        self._state.notify()
        return waiter

    def _refuse_if_hopeless(self) -> None:
        if self._closing:
            raise LogError("the cycle log is closed already")
        if self._trouble is None:
            return
        too_early = self._clock.boot_ms() - self._tried_ms < RETRY_MS
        if too_early or (self._thread is not None and not self._thread.is_alive()):
            raise _again(self._trouble)

    def _work(self) -> None:
        """Run the thread. Should it end by a bug of ours, nobody waits for ever."""
        try:
            self._serve()
        finally:
            if not self._closing:
                ended = LogError(
                    "the writer of the cycle log ended", remedy="Restart the daemon."
                )
                self._note_trouble(ended, self._now())
            self._wake()

    def _serve(self) -> None:
        closing = False
        while not closing:
            with self._state:
                self._state.wait_for(lambda: self._asked)
                self._asked = False
                closing = self._closing
            self._attempt()
            if closing:
                self._file.close()
            self._wake()

    def _wake(self) -> None:
        """Tell the waiters how it went: all of them in trouble, else the served."""
        with self._state:
            trouble, durable_id = self._trouble, self._durable_id
            served = [
                waiter
                for waiter in self._waiters
                if trouble is not None or waiter.target_id <= durable_id
            ]
            self._waiters = [item for item in self._waiters if item not in served]
        for waiter in served:
            # A loop that is closed has nobody left who waits.
            with suppress(RuntimeError):
                waiter.loop.call_soon_threadsafe(_finish, waiter.done, trouble)

    def _first_open(self) -> None:
        now = self._now()
        try:
            self._file.open(wall_ms=now.wall_ms)
        except LogError as error:
            self._note_trouble(error, now)
            # With nothing readable no one knows which ids are taken; milliseconds
            # since 1970 are beyond any that were counted up from 1.
            known = last_readable(self._file.path).last_id
            self._rows.last_id = known or now.wall_ms
            return
        self._was_open = True
        self._rows.last_id = self._durable_id = self._file.highest_id

    def _attempt(self) -> None:
        """Try once to make everything that waits durable."""
        now = self._now()
        self._tried_ms = now.boot_ms
        try:
            if not self._file.is_open:
                self._open_again(now)
            if self._write(now):
                self._write(now)
        except (LogError, Busy) as error:
            self._note_trouble(error, now)
        else:
            with self._state:
                self._trouble = self._troubled_at = None

    def _open_again(self, now: Moment) -> None:
        first_id = None if self._was_open else self._rows.first_id
        self._file.open(wall_ms=now.wall_ms, first_id=first_id)
        self._was_open = True
        with self._state:
            # What a failed commit had made durable after all, the tail shows.
            self._rows.settle(self._file.tail.last_id)
            self._rows.last_id = max(self._rows.last_id, self._file.highest_id)

    def _write(self, now: Moment) -> bool:
        """Write all that waits; returns whether a new file was begun behind it."""
        is_last = self._file.year_is_over(now.wall_ms)
        with self._state:
            counted = self._rows.uncovered()
            entries = self._rows.due()
            entries += self._numbered(self._rows_to_add(entries, counted, now))
            link_id = self._rows.take_id() if entries else self._rows.last_id
            header = self._numbered(self._rows.in_force(now)) if is_last else []
        if entries:
            self._file.write(
                entries, link_id=link_id, boot_ms=now.boot_ms, wall_ms=now.wall_ms
            )
        with self._state:
            self._rows.settle(link_id)
            self._rows.cover(counted)
            self._durable_id = link_id
        if not is_last or not self._file.turn():
            return False
        with self._state:
            self._rows.put_first(header)
        return True

    def _rows_to_add(
        self, entries: list[Entry], counted: dict[str, int], now: Moment
    ) -> list[Row]:
        """Return what a new file must say again, and the gaps that have ended."""
        again: list[Row] = []
        if self._file.tail.number == 0 and self._has_run:
            again = self._rows.in_force(now, without=entries)
        why = self._why if self._trouble is not None else "slow"
        since = self._troubled_at or now
        gaps = [
            _gap(station, why, since, now, switchings=count)
            for station, count in counted.items()
        ]
        if self._file.began is not None or self._trouble is not None:
            gaps.append(_gap("", self._file.began or why, since, now))
        return [*again, *gaps]

    def _numbered(self, rows: list[Row]) -> list[Entry]:
        return [Entry(self._rows.take_id(), row) for row in rows]

    def _note_trouble(self, error: LogError | Busy, now: Moment) -> None:
        with self._state:
            self._trouble = LogError(error.what, remedy=error.remedy)
            self._trouble.__cause__ = error.__cause__
            self._why = cause_of(error.__cause__)
            self._troubled_at = self._troubled_at or now
            self._tried_ms = now.boot_ms

    def _now(self) -> Moment:
        return Moment(self._clock.boot_ms(), self._clock.wall_ms())


def _gap(
    station: str, why: str, since: Moment, now: Moment, *, switchings: int = 0
) -> GapRow:
    return GapRow(
        boot_ms=now.boot_ms,
        wall_ms=now.wall_ms,
        station=station,
        why=why,
        since_boot_ms=since.boot_ms,
        since_wall_ms=since.wall_ms,
        switchings=switchings,
    )


def _again(error: LogError) -> LogError:
    """Return a fresh copy: one exception raised to many would pile up tracebacks."""
    fresh = LogError(error.what, remedy=error.remedy)
    fresh.__cause__ = error.__cause__
    return fresh


def _finish(done: asyncio.Future[None], trouble: LogError | None) -> None:
    if done.done():
        return
    if trouble is None:
        done.set_result(None)
    else:
        done.set_exception(_again(trouble))
