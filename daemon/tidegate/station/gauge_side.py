"""Readings in: polls, early reads, and every way in which a gauge can fail."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Final

from tidegate.contract import Gauge
from tidegate.core.events import GaugeFailed, ReadingArrived
from tidegate.core.plausibility import judge
from tidegate.core.reading import Reading
from tidegate.errors import BackendError, Malformed, Unavailable, Unsupported
from tidegate.station.bounded import bounded
from tidegate.station.form import formed

if TYPE_CHECKING:
    from tidegate.station.shell import Station

OPEN_LIMIT_S: Final = 5.0
CLOSE_LIMIT_S: Final = 2.0
BEFORE_SWITCHING_LIMIT_S: Final = 2.0
# A hint may come with every event of a chatty kernel driver; two reads a second
# are plenty for anything that decides over minutes.
HINT_LEAST_GAP_MS: Final = 500
# Stations begin so far apart, and so do their polls for ever after: the decisions of
# two hundred at one instant would keep the last one waiting. Measured by the bench of
# two hundred stations; far under the 5 s in which a first reading is due.
START_APART_MS: Final = 5
START_SPREAD_MS: Final = 2_000
# Messages of one failing gauge that are told apart; an engineering choice.
TOLD_APART: Final = 8


class GaugeSide:
    """The gauge of one station and the task that reads it."""

    def __init__(self, station: Station, gauge: Gauge) -> None:
        self.gauge = gauge
        self.last_error = ""
        # Why this machine can never read it, once opening it has shown that.
        self.cannot: Unsupported | None = None
        # Whether a read is due and held back by commands that are under way.
        self.waits_for_relay = False
        self._station = station
        self._open = False
        self._stopped = False
        self._poll_at_ms = 0
        self._asked_ms: set[int] = set()
        self._last_ms: int | None = None
        self._changed = asyncio.Event()
        self._reading = asyncio.Lock()
        self._told: set[str] = set()
        self._waiting: list[asyncio.Future[Reading]] = []

    def read_at(self, at_ms: int) -> None:
        """Also read at this boot-clock time; the polls go on from there."""
        if self._last_ms is not None:
            at_ms = max(at_ms, self._last_ms + HINT_LEAST_GAP_MS)
        if at_ms not in self._asked_ms:
            self._asked_ms.add(at_ms)
            self._changed.set()

    def stop(self) -> None:
        """Read no more."""
        self._stopped = True
        self._answer(None, self._stops())
        self._changed.set()

    async def open(self) -> None:
        """Open the gauge if it is there; the first read says it again if not."""
        await self._in_turn()
        try:
            await self._ensure_open()
        except (BackendError, TimeoutError) as error:
            self.cannot = error if isinstance(error, Unsupported) else None
            self._say(error)
        except Exception as error:  # noqa: BLE001 - a backend's own bug:
            # the first read tries again, and the others do not wait for it.
            self._station.bug("gauge", error)

    async def _in_turn(self) -> None:
        turn = self._station.plan.turn
        if turn:
            await asyncio.sleep(turn * START_APART_MS % START_SPREAD_MS / 1_000)

    async def _ensure_open(self) -> None:
        if self._open:
            return
        try:
            await bounded(self.gauge.open(), limit_s=OPEN_LIMIT_S)
        except TimeoutError:
            await self.close(limit_s=CLOSE_LIMIT_S)
            raise
        self._open, self.cannot = True, None

    async def run(self) -> None:
        """Read at each poll and whenever someone asks for it earlier."""
        clock = self._station.clock
        # A millisecond later: a reading of the instant of the start would not count as
        # taken after it, and an off would be given up that could be kept.
        self._poll_at_ms = clock.boot_ms() + 1
        while not self._stopped:
            now_ms = clock.boot_ms()
            wait_ms = min({self._poll_at_ms, *self._asked_ms}) - now_ms
            if wait_ms > 0:
                await self._wait(wait_ms)
                continue
            self._poll_at_ms = now_ms + self._poll_ms()
            self._asked_ms = {at_ms for at_ms in self._asked_ms if at_ms > now_ms}
            await self._read()
            self._space_out()
            if relay := self._station.relay:
                relay.look_soon()

    def _space_out(self) -> None:
        """Keep the distance for what was asked while the read was under way, too."""
        if self._last_ms is not None:
            least_ms = self._last_ms + HINT_LEAST_GAP_MS
            self._asked_ms = {max(at_ms, least_ms) for at_ms in self._asked_ms}

    async def _wait(self, wait_ms: int) -> None:
        self._changed.clear()
        loop = asyncio.get_running_loop()
        timer = loop.call_later(wait_ms / 1_000, self._changed.set)
        try:
            await self._changed.wait()
        finally:
            timer.cancel()

    def _poll_ms(self) -> int:
        state = self._station.state
        assert state is not None
        return state.policy.poll_ms

    async def before_switching(self) -> None:
        """Read once more just before the relay is told, if the gauge is quick."""
        try:
            async with asyncio.timeout(BEFORE_SWITCHING_LIMIT_S), self._reading:
                reading = await self._sampled()
        except (BackendError, TimeoutError):
            # Only the exact evidence is missing; the poll will say what is wrong.
            return
        except Exception as error:  # noqa: BLE001 - as in _read
            await self._broke(error)
            return
        if not self._stopped:
            self._arrived(reading)

    async def read_now(self) -> Reading:
        """Read once in between, as any other time, and return the reading.

        Errors: BackendError, TimeoutError; a backend's own bug as Unavailable, and a
        station that stops too.
        """
        if self._stopped:
            raise self._stops()
        asked: asyncio.Future[Reading] = asyncio.get_running_loop().create_future()
        self._waiting.append(asked)
        self.read_at(self._station.clock.boot_ms())
        return await asked

    def _answer(self, reading: Reading | None, error: Exception | None) -> None:
        """Hand what a read came to to whoever asked for one."""
        waiting, self._waiting = self._waiting, []
        for asked in waiting:
            if asked.done():
                continue  # whoever asked has gone
            if reading is not None:
                asked.set_result(reading)
            else:
                assert error is not None
                asked.set_exception(error)

    async def _read(self) -> None:
        relay = self._station.relay
        if relay is not None:
            # A sample taken while the contact moves belongs to neither side.
            self.waits_for_relay = True
            await relay.rests()
            self.waits_for_relay = False
        async with self._reading:
            moves = relay.moves if relay is not None else 0
            try:
                reading = await self._sampled()
            except (BackendError, TimeoutError) as error:
                if not self._stopped:
                    await self._failed(error)
                return
            except Exception as error:  # noqa: BLE001 - a backend's own bug: the
                # station goes on, the traceback is written once, the gauge reopens.
                if not self._stopped:
                    await self._broke(error)
                return
        if relay is not None and (moves % 2 or relay.moves != moves):
            self.read_at(self._station.clock.boot_ms())
        elif not self._stopped:
            self._arrived(reading)

    async def _sampled(self) -> Reading:
        """Return one judged sample; what is no sample at all is the backend's bug."""
        await self._ensure_open()
        limit_s = self.gauge.facts.answers_within_s
        sample = formed(await bounded(self.gauge.read(), limit_s=limit_s))
        for note in self.gauge.take_notes():
            self._station.log.warning("gauge", note=note)
        clock = self._station.clock
        return judge(sample, at_ms=clock.boot_ms(), wall_ms=clock.wall_ms())

    def _arrived(self, reading: Reading) -> None:
        station = self._station
        self._last_ms = reading.at_ms
        station.notice_suspend(reading.at_ms)
        if reading.trusted:
            self.last_error = ""
            if missed := self._over():
                station.log.info("gauge is back", missed=missed)
        elif count := station.quiet.count(station.name, f"gauge {reading.why_not}"):
            station.log.warning(
                "reading not trusted", why_not=str(reading.why_not), count=count
            )
        station.feed(ReadingArrived(reading=reading), at_ms=reading.at_ms)
        self._answer(reading, None)

    async def _failed(self, error: BackendError | TimeoutError) -> None:
        self._last_ms = self._station.clock.boot_ms()
        self._say(error)
        kind = "slow" if isinstance(error, TimeoutError) else type(error).__name__
        self._station.feed(GaugeFailed(kind=kind.lower()))
        self._answer(None, error)
        if isinstance(error, Malformed):
            await self.close(limit_s=CLOSE_LIMIT_S)

    async def _broke(self, error: Exception) -> None:
        station = self._station
        self._last_ms = station.clock.boot_ms()
        self.last_error = repr(error)
        station.bug("gauge", error)
        station.feed(GaugeFailed(kind="unforeseen"))
        self._answer(None, self._unforeseen(error))
        await self.close(limit_s=CLOSE_LIMIT_S)

    def _stops(self) -> Unavailable:
        return Unavailable(
            "the station stops, so its gauge is not read any more",
            target=self._station.name,
            remedy="Ask again once it runs",
        )

    def _unforeseen(self, error: Exception) -> Unavailable:
        said = Unavailable(
            f"the gauge's backend failed ({type(error).__name__}: {error})",
            target=self._station.name,
            remedy="Report this fault; the messages hold its traceback",
        )
        said.__cause__ = error
        return said

    def _say(self, error: BackendError | TimeoutError) -> None:
        station = self._station
        self.last_error = str(error) or "no answer in time"
        # Each text is counted by itself: offline after unauthorised is news.
        fault = f"gauge: {self.last_error}"
        if fault not in self._told and len(self._told) >= TOLD_APART:
            fault = "gauge"
        self._told.add(fault)
        if count := station.quiet.count(station.name, fault):
            station.log.warning("gauge", error=self.last_error, count=count)

    def _over(self) -> int:
        """Return how many reads failed until now, and let the next be a first."""
        quiet, name = self._station.quiet, self._station.name
        missed = sum(quiet.over(name, fault) for fault in self._told)
        self._told.clear()
        return missed

    async def close(self, *, limit_s: float) -> None:
        """Close the gauge; bounded, and never an error of its own."""
        self._open = False
        try:
            await bounded(self.gauge.close(), limit_s=limit_s)
        except TimeoutError:
            self._station.log.warning("the gauge did not close in time")
        except Exception as error:  # noqa: BLE001 - a backend's own bug: it
            # goes on, and the traceback is written once.
            self._station.bug("gauge", error)
