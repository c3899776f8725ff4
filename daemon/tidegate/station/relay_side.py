"""Commands out: one at a time, intent first, never late; and looks at the contact.

How a single call reaches the relay, and what becomes of one that hangs, is
``relay_line``.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Coroutine
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from tidegate.contract import Readback, Relay
from tidegate.core.effects import Reason, SwitchSupply
from tidegate.core.events import (
    Event,
    RelayReported,
    RelaySaid,
    SwitchingFailed,
    SwitchingSucceeded,
)
from tidegate.core.policy import Policy, Proof
from tidegate.core.reading import Supply
from tidegate.cyclelog.rows import DROPPED
from tidegate.errors import BackendError, Unsupported
from tidegate.host import Machine
from tidegate.station.relay_line import RelayHost, RelayLine, kind_of

if TYPE_CHECKING:
    from tidegate.station.shell import Station

ON_WAITS_FOR_LOG_S: Final = 2.0
OFF_WAITS_FOR_LOG_S: Final = 10.0
READ_AFTER_MS: Final = 1_500
# The core judges a relay that is gone within 10 s of an off as fed by the supply that
# it cut, and looks are a poll apart.
LOOK_AFTER_OFF_S: Final = 8.0
# The error of an outcome that nobody waited for, because the daemon ended.
UNANSWERED: Final = "unanswered"
# A contact is looked at every so many polls.
CONTACT_POLLS: Final = 2
# A call that took longer clouds what the neighbours see at its end, too.
LONG_CALL_MS: Final = 1_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Command:
    """A switching that the core ordered, and the row of its intent."""

    effect: SwitchSupply
    told_at_ms: int
    intent: int


class RelaySide:
    """The relay of one station and the task that tells it."""

    def __init__(
        self, station: Station, relay: Relay, *, machine: Machine, host: RelayHost
    ) -> None:
        assert station.plan.target is not None
        self.relay = relay
        # Why this machine can never reach it, once opening it has shown that.
        self.cannot: Unsupported | None = None
        self._station = station
        self._line = RelayLine(
            station,
            relay,
            station.plan.target,
            machine=machine,
            host=host,
            late=self._came_late,
        )
        self._inbox: deque[Command] = deque()
        self._under_way: Command | None = None
        self._wanted = asyncio.Event()
        self._newer = asyncio.Event()
        self._idle = asyncio.Event()
        self._idle.set()
        self._refresh = False
        self._said: RelaySaid | None = None
        self._next_look_ms = 0

    @property
    def moves(self) -> int:
        """Counts begins and ends of calls that may move the contact: odd is now."""
        return self._line.moves

    @property
    def is_open(self) -> bool:
        """Whether the relay is open, as far as is known."""
        return self._line.is_open

    # --- opening ----------------------------------------------------------------------

    def take_lock(self) -> None:
        """Become the one master of the relay. Errors: Busy, Unavailable."""
        self._line.take_lock()

    async def open_at_start(self, *, swapped: bool) -> Supply | None:
        """Open the relay if it is there; return the supply that it reports, if it can.

        ``swapped``: its polarity was found reversed.
        """
        try:
            await self._line.ensure_open()
            if self.relay.facts.readback < Readback.LATCH:
                return None
            said = await self._line.ask()
        except Exception as error:  # noqa: BLE001 - a backend's own bug:
            # the poll tries again.
            self.cannot = error if isinstance(error, Unsupported) else None
            self._say(error)
            return None
        return said.other if swapped and said is not None else said

    def link_is_gone(self) -> None:
        """Open anew before the next call: a neighbour poisoned the link."""
        self._line.go_stale()

    def facts_changed(self) -> None:
        """Look at a relay that was just opened as soon as nothing is under way."""
        self._next_look_ms = self._station.clock.boot_ms()

    # --- telling ----------------------------------------------------------------------

    def tell(self, command: Command) -> None:
        """Queue a command; the intent is written, not yet durable."""
        self._inbox.append(command)
        self._idle.clear()
        self._wanted.set()
        self._newer.set()

    def refresh(self) -> None:
        """Refresh the dead-man timer at the next opportunity."""
        if self.relay.facts.dead_man_s is not None:
            self._refresh = True
            self._wanted.set()

    def look_soon(self) -> None:
        """Look at the contact when no command is under way, if it is time to."""
        if self._look_is_due(self._station.clock.boot_ms()):
            self._wanted.set()

    def _look_is_due(self, now_ms: int) -> bool:
        if now_ms < self._next_look_ms:
            return False
        cannot_tell = self.relay.facts.readback < Readback.LATCH
        return not (cannot_tell and self._line.is_open)

    async def rests(self) -> None:
        """Wait until no command is queued or under way."""
        await self._idle.wait()

    async def drain(self, *, limit_s: float) -> None:
        """Wait until every command is carried out, at most so long."""
        try:
            async with asyncio.timeout(limit_s):
                await self._idle.wait()
        except TimeoutError:
            self._station.log.error("the relay did not answer in time while stopping")

    async def run(self) -> None:
        """Carry out commands one after another; look at the contact in between."""
        while True:
            await self._wanted.wait()
            self._wanted.clear()
            while self._inbox:
                self._newer.clear()
                self._under_way = self._inbox.popleft()
                if self._inbox:
                    self._newer.set()
                await self._carry_out(self._under_way)
            self._idle.set()
            await self._look()

    async def _carry_out(self, command: Command) -> None:
        effect, station = command.effect, self._station
        if effect.supply is Supply.OFF:
            durable = await self._unless_newer(self._prepared(command))
            if durable is None or self._is_too_slow(command, durable=durable):
                self._outcome(command, error=DROPPED, took_ms=None)
                return
        else:
            await self._prepared(command)
        began_ms = station.clock.boot_ms()
        station.link_is_busy()
        station.record.telling(command.intent)
        error = await self._command(effect)
        took_ms = station.clock.boot_ms() - began_ms
        if took_ms > LONG_CALL_MS:
            station.link_is_busy()
        self._outcome(command, error=error, took_ms=took_ms)

    async def _prepared(self, command: Command) -> bool:
        """Take the reading before, unless it is urgent; return whether all is durable."""
        station = self._station
        if not command.effect.urgent:
            await station.gauge.before_switching()
        off = command.effect.supply is Supply.OFF
        return await station.cycle_log.commit(
            OFF_WAITS_FOR_LOG_S if off else ON_WAITS_FOR_LOG_S
        )

    async def _unless_newer(self, work: Coroutine[Any, Any, bool]) -> bool | None:
        """Return what the work yields; ``None`` as soon as another command came.

        Nothing is told yet, so an off yields to whatever comes after it at once.
        """
        loop = asyncio.get_running_loop()
        task = loop.create_task(work)
        newer = loop.create_task(self._newer.wait())
        try:
            await asyncio.wait({task, newer}, return_when=asyncio.FIRST_COMPLETED)
            return None if self._newer.is_set() else task.result()
        finally:
            newer.cancel()
            task.cancel()

    def _is_too_slow(self, command: Command, *, durable: bool) -> bool:
        """Whether an off gives up on a log that is too slow; one that is broken is not."""
        if command.effect.reason is Reason.BATTERY_CRITICAL_HEAT:
            return False
        return not durable and not self._station.cycle_log.is_broken

    async def _command(self, effect: SwitchSupply) -> str | None:
        """Tell the relay; return ``None`` or the kind of the error."""
        try:
            await self._line.tell(effect.supply, swapped=effect.swapped)
        except Exception as error:  # noqa: BLE001 - a backend's own bug: it
            # goes on; it opens again for the next command.
            self._say(error)
            return kind_of(error)
        self._station.quiet.over(self._station.name, "relay")
        return None

    async def _came_late(self, supply: Supply) -> None:
        """A call acted after all: where it said otherwise, the command is said again."""
        await self.rests()
        station = self._station
        commanded = station.state.drive.commanded if station.state else None
        if commanded is not None and commanded is not supply:
            self._said = RelaySaid(supply.value)
            station.feed(RelayReported(said=self._said))

    def _outcome(
        self, command: Command, *, error: str | None, took_ms: int | None
    ) -> None:
        station, supply = self._station, command.effect.supply
        self._note_outcome(command, error=error, took_ms=took_ms)
        if error is None:
            self._said = RelaySaid(supply.value)
            station.gauge.read_at(station.clock.boot_ms() + READ_AFTER_MS)
            if supply is Supply.OFF:
                loop = asyncio.get_running_loop()
                loop.call_later(LOOK_AFTER_OFF_S, self._look_again)
        # Not waited for: a slow log must not keep the next command.
        station.cycle_log.commit_soon()

    def _look_again(self) -> None:
        self._next_look_ms = 0
        self._wanted.set()

    def _note_outcome(
        self, command: Command, *, error: str | None, took_ms: int | None
    ) -> None:
        station, supply = self._station, command.effect.supply
        told_at_ms = command.told_at_ms
        self._under_way = None
        now_ms = station.now_ms()
        row = station.record.outcome(
            command.intent, now_ms=now_ms, error=error, took_ms=took_ms
        )
        if error is None:
            event: Event = SwitchingSucceeded(supply=supply, told_at_ms=told_at_ms)
        else:
            event = SwitchingFailed(supply=supply, kind=error, told_at_ms=told_at_ms)
        station.feed(event, at_ms=now_ms, trigger=row)

    # --- looking ----------------------------------------------------------------------

    async def _look(self) -> None:
        """Refresh the timer and ask a relay that can tell, at most once a poll."""
        station = self._station
        if station.state is None or station.state.drive.commanded is None:
            return
        if self._refresh:
            self._refresh = False
            await self._refreshed()
        was_open, now_ms = self._line.is_open, station.clock.boot_ms()
        if not self._look_is_due(now_ms):
            return
        try:
            supply = await self._line.ask()
        except Exception as error:  # noqa: BLE001 - a backend's own bug: it
            # goes on; the next look opens it again.
            self._say(error)
            said: RelaySaid | None = RelaySaid.UNKNOWN
        else:
            said = self._reported(supply, was_open=was_open)
        self._next_look_ms = now_ms + self._look_apart_ms(station.state.policy)
        if said is not None:
            self._report(said, asked_at_ms=now_ms)

    def _look_apart_ms(self, policy: Policy) -> int:
        """Return how long to leave a relay in peace after a look.

        A hold that a firmware may lift is looked at with every reading. A contact is
        not: the gauge shows a hand that moved it, and each look wakes two threads.
        """
        return policy.poll_ms * (1 if policy.proof is Proof.CHARGING else CONTACT_POLLS)

    def _reported(self, supply: Supply | None, *, was_open: bool) -> RelaySaid | None:
        """Return what a relay that answers says, in terms of the supply."""
        state = self._station.state
        assert state is not None
        assert state.drive.commanded is not None
        if supply is not None:
            return RelaySaid((supply.other if state.drive.swapped else supply).value)
        if not was_open and self._said is RelaySaid.UNKNOWN:
            # One that cannot tell is back: all that it shows is that it is there, and
            # the core says an on again to whatever comes back.
            return RelaySaid(state.drive.commanded.value)
        return None

    def _report(self, said: RelaySaid, *, asked_at_ms: int) -> None:
        """Feed what is news: a change, or a contact that stands otherwise."""
        station = self._station
        if self._inbox or station.state is None:
            return
        drive = station.state.drive
        if drive.probe_until_ms is not None and said is not RelaySaid.UNKNOWN:
            return  # a trial of ours, no stranger's hand
        if said is self._said and (
            said is RelaySaid.UNKNOWN or said.value == drive.commanded
        ):
            return
        self._said = said
        lost_at_ms = asked_at_ms if said is RelaySaid.UNKNOWN else None
        station.feed(RelayReported(said=said, asked_at_ms=lost_at_ms))

    async def _refreshed(self) -> None:
        try:
            await self._line.refresh()
        except Exception as error:  # noqa: BLE001 - a backend's own bug: it
            # goes on, the next reading asks again.
            self._say(error)

    def _say(self, error: Exception) -> None:
        station = self._station
        if not isinstance(error, BackendError):
            station.bug("relay", error)
        elif count := station.quiet.count(station.name, "relay"):
            station.log.warning("relay", error=str(error), count=count)

    # --- the end ----------------------------------------------------------------------

    def give_up(self) -> None:
        """Write down what nobody will wait for; the task must have ended."""
        self._line.give_up()
        left = [self._under_way] if self._under_way is not None else []
        for command in [*left, *self._inbox]:
            self._note_outcome(command, error=UNANSWERED, took_ms=None)
        self._inbox.clear()

    async def close(self, *, limit_s: float) -> None:
        """Close the relay and give its lock back; bounded."""
        await self._line.shut(limit_s)
        self._line.unlock()
