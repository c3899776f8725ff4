"""The composition root: settings, backends, cycle log and stations become a daemon."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import Any, Final

from tidegate import notice
from tidegate.assembly import plan_of, run_row
from tidegate.clock import Clock
from tidegate.core.effects import Effect
from tidegate.core.events import Event, NeighbourSwitched
from tidegate.cyclelog.rows import RunEndRow
from tidegate.cyclelog.writer import Writer
from tidegate.errors import Busy, LogError, TidegateError, Unavailable
from tidegate.host import Machine
from tidegate.service.parts import END_LIMIT_S, Part
from tidegate.service.past import pasts
from tidegate.service.reload import Reload
from tidegate.service.turnover import Turnover
from tidegate.settings import Settings
from tidegate.station.bounded import bounded
from tidegate.station.plan import Past, Plan
from tidegate.station.shell import Station

COMMIT_LIMIT_S: Final = 2.0
# A stuck disk gets this much of a stop, and a station that is out so much to come back.
CLOSE_LIMIT_S: Final = 3.0
OUT_LIMIT_S: Final = 10.0

# Told after each event of a station, with what came of it.
Onlooker = Callable[[Station, Event, tuple[Effect, ...]], None]


class Service:
    """All stations of one settings file, one cycle log, one process."""

    def __init__(
        self,
        settings: Settings,
        *,
        clock: Clock,
        machine: Machine | None = None,
        threaded: bool = True,
        on_cycle: Callable[[], None] = lambda: None,
        parts: Sequence[Part] = (),
        load: Callable[[], Settings] | None = None,
    ) -> None:
        self.settings = settings
        self.clock = clock
        self.machine = Machine(clock) if machine is None else machine
        self.stations: dict[str, Station] = {}
        self.onlookers: list[Onlooker] = []
        # Told "begins" and "over" of each reload of the settings.
        self.reloads: list[Callable[[str], None]] = []
        # Runs of the last hour, and how many of them followed a kill or a fault; only
        # where a service manager started us.
        self.restarts: dict[str, int] | None = None
        # Why the settings files are not those in force, since the last reload.
        self.settings_error: str | None = None
        self.turnover = Turnover(self)
        self.reload = Reload(self, load)
        self.log = notice.logger()
        self.broken = False
        self._parts = tuple(parts)
        self._begun: list[Part] = []
        self._writer: Writer | None = None
        self._threaded = threaded
        self._on_cycle = on_cycle
        self._ending = asyncio.Event()
        self._has_begun = False
        self._up = asyncio.Event()

    def end(self) -> None:
        """Ask the service to stop in good order."""
        self._ending.set()

    @property
    def is_ending(self) -> bool:
        """Whether the service was asked to stop."""
        return self._ending.is_set()

    async def ended(self) -> None:
        """Wait until the service is asked to stop."""
        await self._ending.wait()

    @property
    def is_up(self) -> bool:
        """Whether the stations have begun to start, so that each can be stopped."""
        return self._up.is_set()

    async def up(self) -> None:
        """Wait until the stations have begun to start."""
        await self._up.wait()

    @property
    def parts_begun(self) -> tuple[Part, ...]:
        """The parts that stand around the stations now."""
        return tuple(self._begun)

    @property
    def writer(self) -> Writer:
        """The cycle log's one writer, while the service runs."""
        assert self._writer is not None
        return self._writer

    async def run(self) -> None:
        """Run until ``end`` is called; the supply is on afterwards.

        Errors: Busy when another daemon writes the log or holds every relay;
        Unavailable when no station can run at all.
        """
        asyncio.get_running_loop().set_exception_handler(self._bug)
        self._check_any()
        path = self.settings.log.path
        writer = Writer.open(path, clock=self.clock, threaded=self._threaded)
        self._writer = writer
        try:
            self._make_stations()
            self._take_locks()
            writer.append(run_row(self.clock, self.settings.stations.values()))
            self._has_begun = True
            await self.commit()
            await self._begin_parts()
            await self._start_stations()
            self._check_any_can()
            await self._ending.wait()
        finally:
            await self._stop(writer)

    def _check_any(self) -> None:
        for name, why in self.settings.unsupported.items():
            self.log.error("station cannot run", station=name, why=str(why))
        if not self.settings.stations:
            raise _none_can(self.settings.unsupported.values())

    def _take_locks(self) -> None:
        """Become the master of the relays; a station whose relay is held tries again.

        Errors: Busy when that is so for each of them: then another daemon runs here.
        """
        relays = [each.relay for each in self.stations.values() if each.relay]
        busy = []
        for relay in relays:
            try:
                relay.take_lock()
            except Busy as error:
                busy.append(error)
            except Unavailable:
                continue  # said, and tried again, when the relay is opened
        if busy and len(busy) == len(relays):
            raise busy[0]

    async def _start_stations(self) -> None:
        """Start them all; a stop does not wait for those that hang."""

        async def all_started() -> None:
            starts = [each.start() for each in self.stations.values()]
            starting = asyncio.gather(*starts)
            self._up.set()
            await starting

        loop = asyncio.get_running_loop()
        started = loop.create_task(all_started())
        ending = loop.create_task(self._ending.wait())
        await asyncio.wait({started, ending}, return_when=asyncio.FIRST_COMPLETED)
        ending.cancel()
        if started.done():
            started.result()

    def _check_any_can(self) -> None:
        """Give up where opening has shown that this machine can do nothing at all."""
        reasons = [each.cannot for each in self.stations.values()]
        if all(reasons):
            others = self.settings.unsupported.values()
            raise _none_can([*(why for why in reasons if why), *others])

    async def _stop(self, writer: Writer) -> None:
        try:
            if self._has_begun:
                await self._stop_stations()
                await self._end_parts()
                writer.append(
                    RunEndRow(
                        boot_ms=self.clock.boot_ms(),
                        wall_ms=self.clock.wall_ms(),
                        why="bug" if self.broken else "stopped",
                    )
                )
        finally:
            try:
                await bounded(writer.close(), limit_s=CLOSE_LIMIT_S)
            except TimeoutError:
                self.log.error("the cycle log did not close in time")
            self.machine.workers.close()

    async def _stop_stations(self) -> None:
        """Stop them all, whatever one of them runs into."""
        self.end()  # whatever brought us here, no station comes back from now on
        stopped = {
            name: station
            for name, station in self.stations.items()
            if not self.turnover.is_leaving(name)
        }
        await asyncio.gather(self._stop_these(stopped.values()), self._all_in())
        await self.reload.end()
        # One that was being taken out, and did not let itself be.
        left = [it for it in self.stations.values() if it not in stopped.values()]
        await self._stop_these(left)

    async def _stop_these(self, stations: Iterable[Station]) -> None:
        results = await asyncio.gather(
            *(station.stop() for station in stations), return_exceptions=True
        )
        for error in results:
            if isinstance(error, BaseException):
                self._bug(None, {"message": "stop", "exception": error})

    async def _all_in(self) -> None:
        """Wait for the stations that are out, while the others stop; bounded."""
        try:
            await bounded(self.turnover.all_in(), limit_s=OUT_LIMIT_S)
        except TimeoutError:
            self.log.error("a station was still out", stations=[*self.turnover.names])

    async def commit(self) -> None:
        """Make what was written durable; said where it is not, control goes on."""
        try:
            await self.writer.commit(COMMIT_LIMIT_S)
        except (LogError, TimeoutError) as error:
            self.log.error("cycle log", error=str(error) or "too slow")

    def _bug(
        self, _: asyncio.AbstractEventLoop | None, context: dict[str, Any]
    ) -> None:
        """Anything that no one handles is our bug: stop, supply on, start afresh."""
        error = context.get("exception")
        future = context.get("future")
        is_bare = future is not None and not isinstance(future, asyncio.Task)
        if is_bare and isinstance(error, OSError | EOFError):
            # Libraries leave one behind where a connection died that nobody waits for.
            self.log.warning("a connection was lost unseen", error=repr(error))
            return
        self.log.error("internal fault", what=context["message"], exc_info=error)
        self.broken = True
        self.end()

    # --- parts ------------------------------------------------------------------------

    async def _begin_parts(self) -> None:
        """Begin what stands around the stations; they go on without what cannot."""
        for part in self._parts:
            try:
                await part.begin(self)
            except (TidegateError, OSError) as error:
                self.log.error("cannot begin", part=part.name, error=str(error))
            except Exception as error:
                # A fault of ours in it; control goes on.
                self.log.error("cannot begin", part=part.name, exc_info=error)
            else:
                self._begun.append(part)

    async def _end_parts(self) -> None:
        await asyncio.gather(*(self._end_part(part) for part in self._begun))

    async def _end_part(self, part: Part) -> None:
        try:
            await bounded(part.end(), limit_s=END_LIMIT_S)
        except TimeoutError:
            self.log.error("did not end in time", part=part.name)
        except (TidegateError, OSError) as error:
            self.log.error("did not end well", part=part.name, error=str(error))
        except Exception as error:
            # A fault of ours in it; the log still gets its end.
            self.log.error("did not end well", part=part.name, exc_info=error)

    def _happened(
        self, station: Station, event: Event, effects: tuple[Effect, ...]
    ) -> None:
        for onlooker in tuple(self.onlookers):
            try:
                onlooker(station, event, effects)
            except Exception as error:
                # Whoever looks on must never stop control: it is dropped, and the
                # traceback says why. One that fed an event itself may be gone already.
                if onlooker in self.onlookers:
                    self.onlookers.remove(onlooker)
                self.log.error(
                    "an onlooker failed and is left out",
                    onlooker=repr(onlooker),
                    exc_info=error,
                )

    # --- stations ---------------------------------------------------------------------

    def _make_stations(self) -> None:
        settings = self.settings
        past = pasts(
            settings.log.path,
            settings.stations,
            boot_id=self.clock.boot_id(),
            log=self.log,
            follows=self.writer.follows,
        )
        for turn, (name, station) in enumerate(settings.stations.items()):
            plan = replace(plan_of(name, station), turn=turn)
            self.stations[name] = self.make_station(plan, past[name])

    def make_station(self, plan: Plan, past: Past) -> Station:
        """Return a station of this service, not yet started."""
        return Station(
            plan,
            machine=self.machine,
            writer=self.writer,
            past=past,
            on_cycle=self._on_cycle,
            happened=self._happened,
            neighbours=self._tell_neighbours,
            poisoned=self._tell_poisoned,
        )

    def _tell_neighbours(self, busy: Station) -> None:
        """A call on a shared link clouds what the others on it observe."""
        self.link_is_busy(busy.plan)

    def _tell_poisoned(self, by: Station) -> None:
        self.link_is_gone(by.plan)

    def link_is_busy(self, plan: Plan) -> None:
        """Tell the stations on the link of this one's relay of a call on it."""
        for other in self._on_the_link_of(plan):
            if other.state is not None:
                other.feed(NeighbourSwitched())

    def link_is_gone(self, plan: Plan) -> None:
        """Tell them, and those that are out, that it was closed under them."""
        for other in self._on_the_link_of(plan):
            if other.relay is not None:
                other.relay.link_is_gone()
        self.turnover.link_is_gone(plan)

    def _on_the_link_of(self, plan: Plan) -> list[Station]:
        mine = plan.target
        return [
            other
            for other in self.stations.values()
            if other.name != plan.name
            and mine is not None
            and other.plan.target is not None
            and other.plan.target.link == mine.link
        ]


def _none_can(reasons: Iterable[object]) -> Unavailable:
    return Unavailable(
        "no station can run on this machine",
        target="tidegate",
        remedy=" ".join(str(why) for why in reasons),
    )
