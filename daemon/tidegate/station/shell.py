"""One station: turns the world into events and effects into rows and orders.

Everything that happens goes through ``feed``, in the event loop's thread and in one
piece, so the cycle log holds the events of a station in the order of its decisions.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from dataclasses import replace
from typing import Any, Final

from tidegate import notice
from tidegate.core.controller import step
from tidegate.core.effects import (
    ClearAlarm,
    Effect,
    EffectSeen,
    RaiseAlarm,
    ReadSoon,
    RefreshDeadMan,
    SwitchSupply,
    WakeAt,
)
from tidegate.core.events import (
    Event,
    GaugeFailed,
    ReadingArrived,
    Resumed,
    SettingsChanged,
    Started,
    Stopping,
    TimePassed,
)
from tidegate.core.policy import Policy
from tidegate.core.reading import Supply
from tidegate.core.state import State, evidence
from tidegate.cyclelog.writer import Writer
from tidegate.errors import Unsupported
from tidegate.host import Machine, StationHost
from tidegate.station.bounded import bounded, leave
from tidegate.station.gauge_side import GaugeSide
from tidegate.station.log_side import LogSide
from tidegate.station.plan import Past, Plan
from tidegate.station.recorder import Recorder, tells
from tidegate.station.relay_line import RelayHost
from tidegate.station.relay_side import Command, RelaySide

# A stop lasts at most as long as these together, whatever hangs.
STOP_LIMIT_S: Final = 5.0
TASKS_LIMIT_S: Final = 0.5
CLOSE_LIMIT_S: Final = 1.0
HOST_LIMIT_S: Final = 0.5
# Between the timers of the loop and the boot clock only a suspend makes a gap.
SUSPEND_GAP_MS: Final = 5_000


def _nobody(station: Station, event: Event, effects: tuple[Effect, ...]) -> None:
    """Look on without doing anything."""


class Station:
    """One device and the one supply that feeds it."""

    def __init__(
        self,
        plan: Plan,
        *,
        machine: Machine,
        writer: Writer,
        past: Past,
        on_cycle: Callable[[], None] = lambda: None,
        happened: Callable[[Station, Event, tuple[Effect, ...]], None] = _nobody,
        neighbours: Callable[[Station], None] = lambda _: None,
        poisoned: Callable[[Station], None] = lambda _: None,
    ) -> None:
        self.plan = plan
        self.name = plan.name
        self.state: State | None = None
        self.log = notice.logger(station=plan.name)
        self.quiet = notice.Quiet(machine.clock)
        self.clock = machine.clock
        self._past = past
        self._on_cycle = on_cycle
        self._happened = happened
        self._neighbours = neighbours
        self._poisoned = poisoned
        self._host = machine.host(plan.name, hint=self._hinted)
        self.record = Recorder(plan.name, clock=machine.clock, writer=writer)
        self._tasks: set[asyncio.Task[None]] = set()
        self._wake: asyncio.TimerHandle | None = None
        self.cycle_log = LogSide(self, writer)
        self._clock_gap_ms: int | None = None
        self._stopping = False
        self._starting: asyncio.Task[None] | None = None
        self.gauge = GaugeSide(self, plan.gauge(self._host))
        self.relay: RelaySide | None = None
        self._relay_host = RelayHost(plan.name, machine, self._hinted)
        if plan.relay is not None:
            host = self._relay_host
            relay = plan.relay(host)
            self.relay = RelaySide(self, relay, machine=machine, host=host)

    # --- life -------------------------------------------------------------------------

    async def start(self) -> None:
        """Open the backends as far as they let themselves be opened, and begin."""
        self._starting = asyncio.get_running_loop().create_task(self._start())
        await asyncio.wait({self._starting})
        if not self._starting.cancelled():
            self._starting.result()

    @property
    def is_in_a_plan(self) -> bool:
        """Whether other marks than those of the settings are in force, by a plan."""
        state = self.state or self._past.state
        return state is not None and state.plan_why is not None

    @property
    def was_started(self) -> bool:
        """Whether it began to start, so that a stop says on."""
        return self._starting is not None

    async def _start(self) -> None:
        said, _ = await asyncio.gather(self._open_relay(), self.gauge.open())
        self._begin(said)
        self.spawn(self.gauge.run())

    async def _open_relay(self) -> Supply | None:
        if self.relay is None:
            return None
        past = self._past
        swapped = past.state is not None and past.state.drive.swapped
        said = await self.relay.open_at_start(swapped=swapped)
        # What another relay reports says nothing about what this one was told.
        return None if past.relay_changed else said

    def _begin(self, said: Supply | None) -> None:
        policy = self.policy_now()
        past = self._past
        state = past.state or State(policy=policy)
        self.record.settings(policy, self.plan.given)
        self.state = replace(state, policy=policy)
        self.record.begin(self.state)
        self.feed(
            Started(
                same_boot=past.same_boot,
                was_closed=past.was_closed,
                relay=said,
            )
        )
        if past.relay_changed:
            self.feed(SettingsChanged(policy=policy, relay_changed=True))
        if self.relay is not None:
            self.spawn(self.relay.run())

    @property
    def cannot(self) -> Unsupported | None:
        """Why this machine can never run the station, as far as opening has shown."""
        relay = None if self.relay is None or self.relay.is_open else self.relay.cannot
        return self.gauge.cannot or relay

    def policy_now(self) -> Policy:
        """Return the policy with what the backends say of themselves by now."""
        relay = self.relay.relay if self.relay else None
        return self.plan.policy(self.gauge.gauge, relay)

    def facts_changed(self) -> None:
        """Tell the core when a relay, once open, turned out to be otherwise."""
        if self.relay is not None:
            self.relay.facts_changed()
        policy = self.policy_now()
        if self.state is not None and policy != self.state.policy:
            self.record.settings(policy, self.plan.given)
            self.feed(SettingsChanged(policy=policy, relay_changed=False))

    def renew(self, plan: Plan) -> None:
        """Take other settings while everything goes on; the backends stay the same."""
        self.plan = replace(plan, turn=self.plan.turn)
        if self.state is not None:
            policy, poll_ms = self.policy_now(), self.state.policy.poll_ms
            self.record.settings(policy, plan.given)
            self.feed(SettingsChanged(policy=policy, relay_changed=False))
            self.cycle_log.commit_soon()
            if policy.poll_ms < poll_ms:
                self.gauge.read_at(self.clock.boot_ms())

    async def stop(self) -> None:
        """Supply on, then let go; bounded, whatever hangs."""
        self._stopping = True
        self.gauge.stop()
        await self._stop_starting()
        if self.state is not None:
            self.feed(Stopping())
            if self.relay is not None:
                await self.relay.drain(limit_s=STOP_LIMIT_S)
        await self._end_tasks()
        if self.state is not None:
            if self.relay is not None:
                self.relay.give_up()
            self.record.state(self.state)
        await asyncio.gather(
            self.gauge.close(limit_s=CLOSE_LIMIT_S),
            *([self.relay.close(limit_s=CLOSE_LIMIT_S)] if self.relay else []),
        )
        await asyncio.gather(self._let_go(self._host), self._let_go(self._relay_host))

    async def _stop_starting(self) -> None:
        """A stop that comes while the backends open still says on."""
        starting = self._starting
        if starting is None or starting.done():
            return
        starting.cancel()
        await asyncio.wait({starting}, timeout=TASKS_LIMIT_S)
        leave(starting)
        if self.state is None:
            self._begin(None)

    async def _end_tasks(self) -> None:
        if self._wake is not None:
            self._wake.cancel()
        for task in self._tasks:
            task.cancel()
        if self._tasks:
            await asyncio.wait(self._tasks, timeout=TASKS_LIMIT_S)
        for task in tuple(self._tasks):
            leave(task)

    async def _let_go(self, host: StationHost) -> None:
        try:
            await bounded(host.close(), limit_s=HOST_LIMIT_S)
        except TimeoutError:
            self.log.warning("a shared link did not close in time")

    def spawn(self, work: Coroutine[Any, Any, None]) -> None:
        task = asyncio.get_running_loop().create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._ended)

    def _ended(self, task: asyncio.Task[None]) -> None:
        self._tasks.discard(task)
        if not task.cancelled() and (error := task.exception()) is not None:
            # Our own bug: nothing may hide it. The service manager starts us again
            # and its stop action sets the supply on.
            asyncio.get_running_loop().call_exception_handler(
                {"message": f"station {self.name}", "exception": error}
            )

    def bug(self, part: str, error: Exception) -> None:
        """Say what no backend may raise; the traceback once, then only the count."""
        if count := self.quiet.count(self.name, f"{part} bug"):
            trace = error if count == 1 else None
            text = f"the {part}'s backend failed"
            self.log.error(text, error=repr(error), count=count, exc_info=trace)

    # --- events -----------------------------------------------------------------------

    def now_ms(self) -> int:
        """Return the boot-clock time of an event that is about to be fed."""
        now_ms = self.clock.boot_ms()
        self.notice_suspend(now_ms)
        return now_ms

    def feed(
        self, event: Event, *, at_ms: int | None = None, trigger: int | None = None
    ) -> None:
        """Take one event in and carry out what the core makes of it.

        ``at_ms`` is what ``now_ms`` returned just before, for an event whose time
        stands in a row or a reading already; ``trigger`` is that row.
        """
        assert self.state is not None
        now_ms = self.now_ms() if at_ms is None else at_ms
        before = self.state
        self.state, effects = step(before, event, now_ms)
        row = self.record.event(
            event,
            self.state,
            now_ms=now_ms,
            apart=tells(effects) or evidence(before) != evidence(self.state),
            trigger=trigger,
            error=self.gauge.last_error,
        )
        self._carry_out(before, effects, row)
        if isinstance(event, ReadingArrived | GaugeFailed):
            self._after_read(now_ms)
        self._happened(self, event, effects)

    def notice_suspend(self, now_ms: int) -> None:
        """Tell the core of a suspend: timers stand still in it, the boot clock not."""
        gap_ms = now_ms - round(asyncio.get_running_loop().time() * 1_000)
        before_ms, self._clock_gap_ms = self._clock_gap_ms, gap_ms
        if before_ms is not None and gap_ms - before_ms > SUSPEND_GAP_MS:
            self.log.info("resumed after a suspend", gap_s=(gap_ms - before_ms) // 1000)
            self.gauge.read_at(now_ms)
            self.feed(Resumed(), at_ms=now_ms)

    def _after_read(self, now_ms: int) -> None:
        assert self.state is not None
        self._on_cycle()
        if self.record.state_is_due(self.state):
            self.record.state(self.state)
            self.cycle_log.commit_soon()
        elif self.record.due(now_ms):
            self.cycle_log.commit_soon()
        else:
            self.cycle_log.try_again()

    # --- effects ----------------------------------------------------------------------

    def _carry_out(
        self, before: State, effects: tuple[Effect, ...], trigger: int | None
    ) -> None:
        urgent = False
        for effect in effects:
            match effect:
                case SwitchSupply():
                    self._switch(before, effect, trigger)
                case EffectSeen():
                    self.record.effect(effect)
                    urgent = True
                case RaiseAlarm() | ClearAlarm():
                    self._alarm(effect)
                    urgent = True
                case ReadSoon():
                    self.gauge.read_at(effect.at_ms)
                case RefreshDeadMan():
                    if self.relay is not None:
                        self.relay.refresh()
                case WakeAt():
                    self._wake_at(effect.at_ms)
        if urgent:
            self.cycle_log.commit_soon()

    def _switch(self, before: State, effect: SwitchSupply, trigger: int | None) -> None:
        if self.relay is None:
            return
        assert self.state is not None
        at_ms = self.state.quiet.now_ms
        intent = self.record.intent(before, effect, at_ms=at_ms, trigger=trigger)
        self.log.info(
            "supply",
            to=effect.supply.value,
            reason=effect.reason.value,
            kind=effect.kind.value,
            soc_percent=self.state.soc_percent,
        )
        self.relay.tell(Command(effect=effect, told_at_ms=at_ms, intent=intent))

    def _alarm(self, effect: RaiseAlarm | ClearAlarm) -> None:
        self.record.alarm(effect)
        if isinstance(effect, RaiseAlarm):
            self.log.warning("alarm", alarm=effect.alarm.value)
        else:
            self.log.info("alarm over", alarm=effect.alarm.value)

    def _wake_at(self, at_ms: int) -> None:
        if self._wake is not None:
            self._wake.cancel()
        wait_s = max(0, at_ms - self.clock.boot_ms()) / 1_000
        loop = asyncio.get_running_loop()
        self._wake = loop.call_later(wait_s, self._woken)

    def _woken(self) -> None:
        self._wake = None
        if not self._stopping:
            self.feed(TimePassed())

    def _hinted(self) -> None:
        self.gauge.read_at(self.clock.boot_ms())

    def link_is_busy(self) -> None:
        """Tell the stations on the same link that a call of ours begins."""
        self._neighbours(self)

    def link_was_poisoned(self) -> None:
        """Tell the stations on the same link that it was closed under them."""
        self._poisoned(self)
