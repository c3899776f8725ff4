"""The plans of a running daemon: told of every reading, they change the marks.

There is no timer: a plan begins and ends at a reading of its station, or at a read that
failed. What the core is told goes into the cycle log with why.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Iterable
from datetime import tzinfo
from typing import Final, Protocol

from tidegate import notice
from tidegate.clock import Clock
from tidegate.core.effects import Effect
from tidegate.core.events import Event, GaugeFailed, PlanChanged, ReadingArrived
from tidegate.core.policy import PlanReason
from tidegate.core.watch import was_jump
from tidegate.errors import LogError
from tidegate.host import Machine
from tidegate.plans.outlook import Outlook, outlook
from tidegate.plans.past import may_charge, rates_of_log
from tidegate.plans.planner import Decision, decide
from tidegate.plans.rates import Rates, Seen
from tidegate.settings import Settings
from tidegate.station.bounded import bounded
from tidegate.station.shell import Station

_THREAD: Final = "plans"
# Control begins without what the log shows of the past, if a disk is slow to tell.
LEARN_LIMIT_S: Final = 5.0
Onlooker = Callable[[Station, Event, tuple[Effect, ...]], None]


class Observed(Protocol):
    """What of the service is used here."""

    settings: Settings
    clock: Clock
    machine: Machine
    stations: dict[str, Station]
    onlookers: list[Onlooker]


class Plans:
    """Changes the marks of stations as their settings and the calendar want it.

    ``zone`` is the local time of the settings, ``None`` that of this machine.
    """

    def __init__(self, service: Observed, *, zone: tzinfo | None = None) -> None:
        self._service = service
        self._zone = zone
        self._rates: dict[str, Rates] = {}
        # What was said of a station, so that it is said once.
        self._said: dict[str, dict[str, object]] = {}
        # Stations that the planner failed at: no plans until the settings change.
        self._failed: set[str] = set()
        self._tasks: set[asyncio.Task[None]] = set()

    async def begin(self) -> None:
        """Look on from here, with the rates of the past where the log tells them."""
        self._service.onlookers.append(self.happened)
        try:
            await bounded(self._learn(self._names()), limit_s=LEARN_LIMIT_S)
        except TimeoutError:
            notice.logger().warning("charge rates of the past are not read in time")

    async def end(self) -> None:
        """Look on no more."""
        if self.happened in self._service.onlookers:
            self._service.onlookers.remove(self.happened)
        for task in tuple(self._tasks):
            task.cancel()
        if self._tasks:
            await asyncio.wait(self._tasks)

    def settings_changed(self) -> None:
        """Learn of stations that have a rise only now; all else is asked anew anyway."""
        time.tzset()  # the machine's local time may be another one by now
        self._failed.clear()
        new = [name for name in self._names() if name not in self._rates]
        if new:
            task = asyncio.get_running_loop().create_task(self._learn(new))
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)

    def outlook(self, name: str) -> Outlook | None:
        """Return the plan of a station that is in force, else its next one.

        ``None`` as well where the planner failed at it: none will come into force.
        """
        station = self._service.stations.get(name)
        if station is None or station.state is None or name in self._failed:
            return None
        return outlook(
            self._service.settings.stations.get(name),
            station.state,
            self._rates.get(name, Rates()),
            self._service.clock.wall_ms(),
            zone=self._zone,
        )

    def happened(
        self, station: Station, event: Event, effects: tuple[Effect, ...]
    ) -> None:
        """Take what happened to a station; told at the very end of each event."""
        del effects
        if isinstance(event, ReadingArrived):
            self._charged(station, event)
        elif not isinstance(event, GaugeFailed):
            return
        if station.name in self._failed:
            return
        try:
            decision = self._decided(station)
        except Exception as error:
            # Left in force, its marks would stay for good; and the other stations
            # keep their plans.
            station.log.error("the planner failed and is left out", exc_info=error)
            self._failed.add(station.name)
            decision = Decision(change=_withdrawn(station))
        self._say(station, decision)
        if decision.change is not None:
            self._change(station, decision.change)

    def _decided(self, station: Station) -> Decision:
        assert station.state is not None
        return decide(
            self._service.settings.stations.get(station.name),
            station.state,
            self._rates.setdefault(station.name, Rates()),
            self._service.clock.wall_ms(),
            zone=self._zone,
        )

    # --- rates ------------------------------------------------------------------------

    def _names(self) -> list[str]:
        stations = self._service.settings.stations
        return [name for name, each in stations.items() if each.rise]

    async def _learn(self, names: Iterable[str]) -> None:
        workers = self._service.machine.workers
        worker = workers.take(_THREAD, _THREAD)
        try:
            for name in names:
                self._rates[name] = await worker.call(self._of_log, name)
        finally:
            workers.give_back(_THREAD, _THREAD)

    def _of_log(self, name: str) -> Rates:
        path, wall_ms = self._service.settings.log.path, self._service.clock.wall_ms()
        try:
            return rates_of_log(path, name, wall_ms)
        except LogError:
            return Rates()  # the writer and the rebuilt past have said so

    def _charged(self, station: Station, event: ReadingArrived) -> None:
        reading, state = event.reading, station.state
        assert state is not None
        if not reading.trusted or was_jump(state, reading):
            return
        sample = reading.sample
        seen = Seen(
            at_ms=reading.at_ms,
            wall_ms=reading.wall_ms,
            soc_percent=reading.soc_percent,
            is_charging=may_charge(sample.battery_status, sample.external_power),
        )
        self._rates.setdefault(station.name, Rates()).take(seen)

    # --- changes ----------------------------------------------------------------------

    def _change(self, station: Station, change: PlanChanged) -> None:
        marks = change.marks
        station.log.info(
            "plan",
            why=None if change.why is None else change.why.value,
            low_percent=None if marks is None else marks.low_percent,
            high_percent=None if marks is None else marks.high_percent,
            because=change.because,
        )
        try:
            station.feed(change)
        except Exception as error:  # noqa: BLE001
            # Half a step of control: the handler ends the daemon, with supply on.
            asyncio.get_running_loop().call_exception_handler(
                {"message": "a plan changed", "exception": error}
            )
        else:
            station.cycle_log.commit_soon()

    def _say(self, station: Station, decision: Decision) -> None:
        """Say once why a relearn waits, and that a rise will not be there in time."""
        said = self._said.setdefault(station.name, {})
        waits = decision.waits_for
        if said.get("waits") != waits:
            said["waits"] = waits
            if waits is not None:
                station.log.info("the relearn waits", why=waits)
        late = decision.late
        if late is None:
            return
        moment, expected = late
        if said.get("late") != moment.at_ms:
            said["late"] = moment.at_ms
            station.log.warning(
                "a planned rise comes too late",
                to_percent=moment.rise.to_percent,
                expected_percent=round(expected, 1),
                because=moment.rise.because,
            )


def _withdrawn(station: Station) -> PlanChanged | None:
    """Return the end of the plan in force, if any."""
    if not station.is_in_a_plan:
        return None
    because = "the planner failed; the messages say how"
    return PlanChanged(marks=None, why=PlanReason.WITHDRAWN, because=because)
