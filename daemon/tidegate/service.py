"""The composition root: settings, backends, cycle log and stations become a daemon."""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import Callable, Iterable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any, Final

from tidegate import __version__, notice
from tidegate.clock import Clock
from tidegate.contract import Gauge, Host, Relay
from tidegate.core.controller import RULES_VERSION
from tidegate.core.events import NeighbourSwitched
from tidegate.core.policy import Policy
from tidegate.cyclelog.plain import canonical
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.record import parsed
from tidegate.cyclelog.replay import rebuild
from tidegate.cyclelog.rows import RunEndRow, RunRow, SettingsRow
from tidegate.cyclelog.writer import Writer
from tidegate.errors import Busy, LogError, Unavailable
from tidegate.host import Machine
from tidegate.registry import GAUGES, RELAYS
from tidegate.settings import Settings, StationSettings, policy, without_secrets
from tidegate.station.bounded import bounded
from tidegate.station.plan import Past, Plan
from tidegate.station.shell import Station

OPENING_COMMIT_S: Final = 2.0
# A stuck disk gets this much of a stop.
CLOSE_LIMIT_S: Final = 3.0
_MACHINE_ID: Final = Path("/etc/machine-id")


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
    ) -> None:
        self.settings = settings
        self.clock = clock
        self.machine = Machine(clock) if machine is None else machine
        self.stations: dict[str, Station] = {}
        self.log = notice.logger()
        self.broken = False
        self._threaded = threaded
        self._on_cycle = on_cycle
        self._ending = asyncio.Event()
        self._has_begun = False

    def end(self) -> None:
        """Ask the service to stop in good order."""
        self._ending.set()

    async def run(self) -> None:
        """Run until ``end`` is called; the supply is on afterwards.

        Errors: Busy when another daemon writes the log or holds every relay;
        Unavailable when no station can run at all.
        """
        asyncio.get_running_loop().set_exception_handler(self._bug)
        self._check_any()
        path = self.settings.log.path
        writer = Writer.open(path, clock=self.clock, threaded=self._threaded)
        try:
            past = self._pasts(path)
            for name, settings in self.settings.stations.items():
                self.stations[name] = self._station(name, settings, writer, past[name])
            self._take_locks()
            writer.append(run_row(self.clock, self.settings.stations.values()))
            self._has_begun = True
            await self._commit(writer)
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
            await asyncio.gather(*(each.start() for each in self.stations.values()))

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
        results = await asyncio.gather(
            *(station.stop() for station in self.stations.values()),
            return_exceptions=True,
        )
        for error in results:
            if isinstance(error, BaseException):
                self._bug(None, {"message": "stop", "exception": error})

    async def _commit(self, writer: Writer) -> None:
        try:
            await writer.commit(OPENING_COMMIT_S)
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

    # --- stations ---------------------------------------------------------------------

    def _station(
        self, name: str, settings: StationSettings, writer: Writer, past: Past
    ) -> Station:
        return Station(
            replace(plan_of(name, settings), turn=len(self.stations)),
            machine=self.machine,
            writer=writer,
            past=past,
            on_cycle=self._on_cycle,
            neighbours=self._tell_neighbours,
            poisoned=self._tell_poisoned,
        )

    def _tell_neighbours(self, busy: Station) -> None:
        """A call on a shared link clouds what the others on it observe."""
        for other in self._on_the_link_of(busy):
            if other.state is not None:
                other.feed(NeighbourSwitched())

    def _tell_poisoned(self, by: Station) -> None:
        for other in self._on_the_link_of(by):
            if other.relay is not None:
                other.relay.link_is_gone()

    def _on_the_link_of(self, station: Station) -> list[Station]:
        mine = station.plan.target
        return [
            other
            for other in self.stations.values()
            if other is not station
            and mine is not None
            and other.plan.target is not None
            and other.plan.target.link == mine.link
        ]

    # --- the past ---------------------------------------------------------------------

    def _pasts(self, path: Path) -> dict[str, Past]:
        """Rebuild each station from the cycle log; without one everything is new."""
        names = self.settings.stations
        try:
            with Reader(path) as reader:
                return {
                    name: self._past_or_none(reader, name, settings)
                    for name, settings in names.items()
                }
        except LogError as error:
            self.log.warning("the past is not readable, beginning anew", why=str(error))
            return {name: Past() for name in names}

    def _past_or_none(
        self, reader: Reader, name: str, settings: StationSettings
    ) -> Past:
        """Return the past of one station; rows that cannot be read cost only its own."""
        try:
            return self._past(reader, name, settings)
        except LogError as error:
            self.log.warning(
                "the past is not readable, beginning anew", station=name, why=str(error)
            )
            return Past()

    def _past(self, reader: Reader, name: str, settings: StationSettings) -> Past:
        before = reader.last_settings(name)
        if before is None:
            return Past()
        run = reader.last_run_of(name)
        return Past(
            state=rebuild(reader, name),
            same_boot=run is not None and run.boot_id == self.clock.boot_id(),
            was_closed=run is None or run.closed,
            relay_changed=relay_is_another(before, settings),
        )


def run_row(clock: Clock, stations: Iterable[StationSettings]) -> RunRow:
    """Return the row that begins a run of these stations."""
    each = tuple(stations)
    used = {
        *(GAUGES.provenance(one.gauge.kind) for one in each),
        *(RELAYS.provenance(one.relay.kind) for one in each if one.relay),
    }
    return RunRow(
        boot_ms=clock.boot_ms(),
        wall_ms=clock.wall_ms(),
        boot_id=clock.boot_id(),
        machine=machine_digest(),
        version=__version__,
        rules_version=RULES_VERSION,
        backends=canonical(
            sorted([one.kind, one.distribution, one.version] for one in used)
        ),
        synchronised=clock.synchronised(),
    )


def relay_is_another(before: SettingsRow, settings: StationSettings) -> bool:
    """Return whether the relay has other settings than it had before.

    What was found out about its wiring then belongs to another relay.
    Errors: LogError.
    """
    given = parsed(before.given)
    relay = given.get("relay") if isinstance(given, dict) else None
    return bool(relay != without_secrets(settings).get("relay"))


def plan_of(name: str, settings: StationSettings) -> Plan:
    """Return what a station is made of; backends are made, not yet opened."""
    relay = settings.relay
    return Plan(
        name=name,
        gauge=partial(make_gauge, settings),
        relay=partial(make_relay, settings) if relay is not None else None,
        policy=partial(_policy, settings),
        target=relay.target() if relay is not None else None,
        given=canonical(without_secrets(settings)),
    )


def make_gauge(settings: StationSettings, host: Host) -> Gauge:
    """Return the gauge of a station, not yet open."""
    return GAUGES.find(settings.gauge.kind).make(settings.gauge, host)


def make_relay(settings: StationSettings, host: Host) -> Relay:
    """Return the relay of a station that has one, not yet open."""
    assert settings.relay is not None
    return RELAYS.find(settings.relay.kind).make(settings.relay, host)


def _policy(settings: StationSettings, gauge: Gauge, relay: Relay | None) -> Policy:
    return policy(settings, gauge.facts, None if relay is None else relay.facts)


def _none_can(reasons: Iterable[object]) -> Unavailable:
    return Unavailable(
        "no station can run on this machine",
        target="tidegate",
        remedy=" ".join(str(why) for why in reasons),
    )


def machine_digest() -> str:
    """Return a digest that tells machines apart without naming them.

    The machine id itself is confidential: see machine-id(5).
    """
    try:
        text = _MACHINE_ID.read_text(encoding="ascii").strip()
    except OSError:
        text = ""
    return hashlib.sha256(f"tidegate cycle log {text}".encode()).hexdigest()
