"""The daemon's side of a service manager: ready, how it goes, alive, stopping.

Everything here happens inside the events of the stations, in the step in which they
happened: there is no timer and no wake-up of its own. A watchdog that were fed by a
timer would prove only that timers run.

Source: sd_notify(3), sd_watchdog_enabled(3); systemd.service(5), ``WatchdogSec=``.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Mapping
from typing import Any, Final, Protocol, Self

from tidegate.clock import Clock
from tidegate.core.effects import Effect
from tidegate.core.events import (
    Event,
    GaugeFailed,
    ReadingArrived,
    Started,
    Stopping,
    SwitchingFailed,
    SwitchingSucceeded,
)
from tidegate.core.policy import Policy
from tidegate.manager import notify
from tidegate.manager.notify import Notifier
from tidegate.manager.phrases import Said, sentence
from tidegate.manager.restarts import Restarts, counted
from tidegate.station.shell import Station

# With every station out for a commissioning run there is no control cycle that could
# show life. At the most rounds such a run has 44 steps of twice ``settle`` and two
# minutes, a relay's timer runs out twice, and a person is asked. Then it sees the
# supply on, which has limits of its own that come to half an hour.
_STEPS: Final = 44
_STEP_SPARE_US: Final = 120 * 1_000_000
_BESIDE_US: Final = (2 * 3_600 + 400 + 2_400) * 1_000_000

_Onlooker = Callable[[Station, Event, tuple[Effect, ...]], None]


class _Outside(Protocol):
    @property
    def names(self) -> Mapping[str, str]:
        """The stations that are out, each with the reason in a word or two."""


class Supervised(Protocol):
    """What of the service is looked at here, and ``restarts``, which is set."""

    settings: Any
    clock: Clock
    stations: dict[str, Station]
    onlookers: list[_Onlooker]
    reloads: list[Callable[[str], None]]
    restarts: dict[str, int] | None

    @property
    def turnover(self) -> _Outside:
        """Who knows which stations are out, and why."""

    @property
    def is_ending(self) -> bool:
        """Whether the service was asked to stop."""


class Manager:
    """A part of the service, on where a service manager listens."""

    name = "service manager"

    def __init__(self, notifier: Notifier, *, watchdog_us: int | None) -> None:
        self._notifier = notifier
        self._watchdog_us = watchdog_us
        self._service: Supervised | None = None
        self._restarts = Restarts()
        # Stations under control, those of them that did not answer yet, and those
        # that have not completed a control cycle since the last ping.
        self._in: set[str] = set()
        self._silent: set[str] = set()
        self._due: set[str] = set()
        # How long each of those that are out may be, in microseconds.
        self._out_us: dict[str, int] = {}
        self._said: dict[str, Said] = {}
        self._told = ""
        # What must reach the manager whenever it listens again: that a reload is over,
        # how far apart the pings may be. By name, for the last word counts.
        self._owed: dict[str, str] = {}
        self._counts: dict[str, int] = {}
        self._is_news = True
        self._is_ready = False
        self._is_stopping = False

    @classmethod
    def of(cls, environ: Mapping[str, str] = os.environ) -> Self | None:
        """Return the part for the manager that started us, ``None`` without one."""
        notifier = Notifier.of(environ)
        if notifier is None:
            return None
        return cls(notifier, watchdog_us=notify.watchdog_us(environ))

    async def begin(self, service: Supervised) -> None:
        """Begin to look on; the stations are made and not yet started."""
        self._service = service
        self._restarts = counted(service.settings.log.path, service.clock)
        self._in = set(service.stations)
        self._silent = set(self._in)
        self._due = set(self._in)
        service.onlookers.append(self._happened)
        service.reloads.append(self.reload)
        self._tell(*self._news())

    async def end(self) -> None:
        """Say the last word."""
        self._say_stopping()
        self._notifier.close()

    def reload(self, what: str) -> None:
        """Say that new settings are being taken (``begins``), or that it is ``over``."""
        if what == "begins":
            now_us = time.clock_gettime_ns(time.CLOCK_MONOTONIC) // 1_000
            self._owed.pop(notify.READY, None)
            self._notifier.tell(notify.reloading(now_us))
        elif self._is_ready:
            self._owed[notify.READY] = notify.READY
            self._tell(*self._news())

    # --- what happens -----------------------------------------------------------------

    def _happened(
        self, station: Station, event: Event, effects: tuple[Effect, ...]
    ) -> None:
        del effects
        if isinstance(event, ReadingArrived | GaugeFailed) or (
            # The read that is due waits until the relay rests. One that hangs up to
            # its limit, several times in a row, is a failure and no standstill.
            isinstance(event, SwitchingSucceeded | SwitchingFailed)
            and station.gauge.waits_for_relay
        ):
            self._cycled(station)
        elif isinstance(event, Started):
            self._came_in(station.name)
        elif isinstance(event, Stopping):
            self._goes_out(station)

    def _cycled(self, station: Station) -> None:
        """A control cycle is complete: a reading, trusted or not, or a failure.

        What the manager did not take stays due, and is told with the next cycle of
        whichever station.
        """
        assert station.state is not None
        if station.name not in self._in:
            return  # it is on its way out
        self._silent.discard(station.name)
        self._due.discard(station.name)
        self._note(station.name, Said.of(station.state))
        is_ready = self._is_ready or not self._silent
        messages = [] if is_ready is self._is_ready else [notify.READY]
        messages += self._news()
        is_alive = not self._due
        if is_alive:
            messages += self._ping()
        if self._tell(*messages):
            self._is_ready = is_ready
            if is_alive:
                self._due = set(self._in)

    def _came_in(self, name: str) -> None:
        """A station is under control, at the start or after it was out."""
        if not self._in and self._watchdog_us is not None:
            self._wait_within(self._watchdog_us)
        self._out_us.pop(name, None)
        self._in.add(name)
        self._due.add(name)
        self._is_news = True

    def _goes_out(self, station: Station) -> None:
        """A station stops, with all the others or by itself."""
        assert self._service is not None
        assert station.state is not None
        name = station.name
        self._out_us[name] = _out_within_us(station.state.policy)
        self._in.discard(name)
        self._silent.discard(name)
        self._due.discard(name)
        self._said.pop(name, None)
        self._is_news = True
        if self._service.is_ending:
            self._say_stopping()
        elif not self._in and self._watchdog_us is not None:
            self._wait_within(max(self._out_us.values()))
        elif self._in and not self._due and self._tell(*self._ping()):
            # It was the only one that was waited for: the others have done theirs.
            self._due = set(self._in)

    def _wait_within(self, within_us: int) -> None:
        """Let the manager wait so long for a ping from now on."""
        self._owed[notify.WATCHDOG_USEC] = notify.watchdog_within(within_us)
        self._tell(notify.PING)

    def _tell(self, *messages: str) -> bool:
        """Tell the manager; what it did not take is said again with the next cycle."""
        messages = (*self._owed.values(), *messages)
        if messages and not self._notifier.tell(*messages):
            self._is_news, self._told = True, ""
            return False
        self._owed.clear()
        return True

    def _ping(self) -> list[str]:
        return [] if self._watchdog_us is None else [notify.PING]

    def _say_stopping(self) -> None:
        if not self._is_stopping:
            self._is_stopping = True
            text = "stopping: the supply goes on everywhere"
            self._notifier.tell(notify.STOPPING, notify.status(text))

    # --- how it goes ------------------------------------------------------------------

    def _note(self, name: str, said: Said) -> None:
        if self._said.get(name) != said:
            self._said[name] = said
            self._is_news = True

    def _news(self) -> list[str]:
        """Return the status line, if it says something else than the last one."""
        assert self._service is not None
        counts = self._restarts.at(self._service.clock.boot_ms())
        if counts != self._counts:
            self._counts = self._service.restarts = counts
            self._is_news = True
        if not self._is_news:
            return []
        self._is_news = False
        text = sentence(
            self._said, waiting=self._waiting(), unclosed=counts["unclosed"]
        )
        if text == self._told:
            return []
        self._told = text
        return [notify.status(text)]

    def _waiting(self) -> dict[str, str]:
        """Return what is known of the stations that are not under control."""
        service = self._service
        assert service is not None
        out = {
            name: f"is out for {why}"
            for name, why in service.turnover.names.items()
            if name not in self._in
        }
        silent = sorted(self._in - set(self._said))
        return {
            **dict.fromkeys(silent, "has not answered yet"),
            **out,
            **dict.fromkeys(service.settings.unsupported, "cannot run here"),
        }


def _out_within_us(policy: Policy) -> int:
    step_us = 2 * policy.settle_ms * 1_000 + _STEP_SPARE_US
    return _STEPS * step_us + _BESIDE_US
