"""`[alarm] run` as a part of the daemon: tells the operator's program of alarms.

One program at a time, in a thread of its own. Of what waits meanwhile there is one an
alarm of a station, the latest. Nothing here is waited for by control.
"""

from __future__ import annotations

import asyncio
import signal
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from tidegate import notice
from tidegate.clock import rfc3339
from tidegate.core.effects import ClearAlarm, Effect, RaiseAlarm
from tidegate.core.events import Event, Started
from tidegate.service import alarm_facts
from tidegate.service.alarm_facts import Told
from tidegate.service.alarm_turns import Key, Turns
from tidegate.service.program import Ended, Program
from tidegate.words import visible

if TYPE_CHECKING:
    from tidegate.service.root import Service
    from tidegate.settings.table_alarm import AlarmSettings
    from tidegate.station.shell import Station

# All of a large place at once, when its mains fail, and half a megabyte at most.
QUEUE_MOST: Final = 1_000
# When the daemon stops: what the programs may still take to tell all that waits, what
# one that runs may take once it was told to end, and what its end may take once it was
# killed. Together less than the daemon gives to a part.
STOP_WAITS_S: Final = (0.4, 0.6, 0.5)
_THREAD: Final = "alarm program"
_FAULT: Final = "alarm program"


class AlarmPart:
    """Starts the program when an alarm is raised and when it is over."""

    name = "alarm program"
    tables: tuple[str, ...] = ("alarm",)

    def __init__(self, settings: AlarmSettings) -> None:
        self.dropped = 0
        self._settings = settings
        self._turns = Turns(settings.apart_ms)
        self._queue: dict[Key, Told] = {}
        self._program = Program()
        self._running: asyncio.Task[None] | None = None
        self._timer: asyncio.TimerHandle | None = None
        self._log = notice.logger()
        self._ending = False

    @property
    def is_idle(self) -> bool:
        """Whether no program runs, and none waits for its turn."""
        return self._running is None and not self._queue

    async def begin(self, service: Service) -> None:
        """Begin to look on."""
        self._clock = service.clock
        self._quiet = notice.Quiet(service.clock)
        self._workers = service.machine.workers
        self._worker = self._workers.take(_THREAD, _THREAD)
        service.onlookers.append(self.happened)

    def settings_changed(self, service: Service) -> None:
        """Take another program, limit or distance; forget stations that are gone."""
        self._settings = service.settings.alarm
        self._turns.apart_ms = self._settings.apart_ms
        known = service.settings.stations if self._settings.run else ()
        self._turns.forget_others(known)
        for key in [key for key in self._queue if key[0] not in known]:
            del self._queue[key]
        self._arm()

    async def end(self) -> None:
        """Tell what waits as far as there is time, then end the program that runs.

        Nobody else would tell: the next run knows nothing of an end that waited here.
        """
        if self._timer is not None:
            self._timer.cancel()
        for told in self._turns.rest(self._clock.boot_ms()):
            self._put(told)
        self._ending = True
        if self._running is not None:
            await self._end_running(self._running)
        self._workers.give_back(_THREAD, _THREAD)

    async def _end_running(self, running: asyncio.Task[None]) -> None:
        numbers = (signal.SIGTERM, signal.SIGKILL)
        for wait_s, number in zip(STOP_WAITS_S, numbers, strict=False):
            await asyncio.wait({running}, timeout=wait_s)
            if running.done():
                return
            self._leave_untold()
            self._program.signal(number)
        await asyncio.wait({running}, timeout=STOP_WAITS_S[-1])
        running.cancel()

    def _leave_untold(self) -> None:
        if self._queue:
            self._log.warning("the stop leaves alarms untold", count=len(self._queue))
            self._queue.clear()

    def happened(
        self, station: Station, event: Event, effects: tuple[Effect, ...]
    ) -> None:
        """Take what happened to a station."""
        if self._settings.run is None:
            return  # a reload took it away
        at_start = isinstance(event, Started)
        for effect in effects:
            if isinstance(effect, RaiseAlarm | ClearAlarm):
                self._take(_told(station, effect), at_start=at_start)

    def _take(self, told: Told, *, at_start: bool) -> None:
        now = self._turns.take(told, self._clock.boot_ms(), at_start=at_start)
        if now is None:
            self._arm()
        else:
            self._put(now)

    def _arm(self) -> None:
        """Have a timer while something waits for its time, and only then."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        next_ms = self._turns.next_ms()
        if next_ms is not None and not self._ending:
            wait_s = max(0, next_ms - self._clock.boot_ms()) / 1_000
            loop = asyncio.get_running_loop()
            self._timer = loop.call_later(wait_s, self._due)

    def _due(self) -> None:
        self._timer = None
        for told in self._turns.due(self._clock.boot_ms()):
            self._put(told)
        self._arm()

    def _put(self, told: Told) -> None:
        if self._ending:
            return
        before = self._queue.get(told.key)
        if before is not None:
            # It has waited longer than `apart`: the latest in its place.
            told = replace(told, untold=told.untold + before.untold + 1)
        elif len(self._queue) == QUEUE_MOST:
            self._drop(self._queue.pop(next(iter(self._queue))))
        self._queue[told.key] = told
        if self._running is None:
            loop = asyncio.get_running_loop()
            self._running = loop.create_task(self._work())

    def _drop(self, told: Told) -> None:
        self.dropped += 1
        if count := self._quiet.count("", "dropped"):
            self._log.warning(
                "too many alarms wait for the alarm program, the oldest is dropped",
                station=told.station,
                alarm=told.alarm,
                count=count,
            )

    async def _work(self) -> None:
        try:
            while self._queue:
                await self._run(self._queue.pop(next(iter(self._queue))))
        finally:
            self._running = None

    async def _run(self, told: Told) -> None:
        command = self._settings.run
        if command is None:
            return  # a reload took it away
        try:
            ended = await self._worker.call(
                self._blocking_run, command, told, self._settings.limit_ms / 1_000
            )
        except OSError as error:
            self._failed(told, f"it does not start: {error.strerror or error}")
        except Exception as error:  # noqa: BLE001 - control goes on, whatever this is
            self._failed(told, repr(error), trace=error)
        else:
            if ended.why:
                self._failed(told, ended.why, said=ended.said)
            elif count := self._quiet.over("", _FAULT):
                self._log.info("the alarm program works again", failed=count)

    def _blocking_run(
        self, command: Sequence[str], told: Told, limit_s: float
    ) -> Ended:
        return self._program.run(
            command,
            environment=alarm_facts.environment(told),
            line=alarm_facts.line(told),
            limit_s=limit_s,
        )

    def _failed(
        self, told: Told, why: str, *, said: str = "", trace: Exception | None = None
    ) -> None:
        if count := self._quiet.count("", _FAULT):
            self._log.error(
                "the alarm program failed",
                station=told.station,
                alarm=told.alarm,
                program=(self._settings.run or ("",))[0],
                why=why,
                said=visible(said.strip()),
                count=count,
                exc_info=trace,
            )


def _told(station: Station, effect: RaiseAlarm | ClearAlarm) -> Told:
    state = station.state
    assert state is not None
    seen, commanded = state.quiet.seen, state.drive.commanded
    return Told(
        station=station.name,
        alarm=effect.alarm.value,
        raised=isinstance(effect, RaiseAlarm),
        at=rfc3339(station.clock.wall_ms()),
        soc_percent=state.soc_percent,
        temperature_c=seen.temperature_c if seen else None,
        external_power=seen.power.value if seen else None,
        supply=commanded.value if commanded else None,
    )
