"""The gauge and the relay under test: single calls, bounded, each of them written down.

The relay is reached the daemon's way (``station.relay_line``): one call at a time,
none of them cancelled, a link past its limit closed and opened again.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Any, Final

from tidegate import notice
from tidegate.contract import Readback, Relay
from tidegate.core.effects import Kind
from tidegate.core.policy import Policy
from tidegate.core.reading import Reading, Supply
from tidegate.cyclelog.rows import DROPPED
from tidegate.errors import BackendError
from tidegate.host import Machine
from tidegate.prove.ending import Ended, Ending
from tidegate.prove.findings import Finding
from tidegate.prove.gauge_hand import GaugeHand, broken
from tidegate.prove.ledger import Ledger
from tidegate.prove.result import Seen, Verdict
from tidegate.station.bounded import bounded
from tidegate.station.plan import Plan
from tidegate.station.relay_line import RelayHost, RelayLine, kind_of
from tidegate.station.relay_side import UNANSWERED

CLOSE_LIMIT_S: Final = 2.0
ON_WAITS_FOR_LOG_S: Final = 2.0
# The same, and what a call under way gets, when the daemon around the run stops.
HASTY_LIMIT_S: Final = 0.5
OFF_RESTS_S: Final = 1.0
ON_RESTS_S: Final = 3.5
CUT_LIMIT_S: Final = 1.0
# A call that took longer clouds what the neighbours see at its end, too.
LONG_CALL_MS: Final = 1_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """A command and what the relay made of it; ``done_ms`` is its outcome's time."""

    intent: int
    supply: Supply
    done_ms: int
    took_ms: int
    error: BackendError | None = None


class Device:
    """What a run has in its hands. ``say`` takes lines for a person."""

    def __init__(
        self,
        plan: Plan,
        seen: Seen,
        *,
        machine: Machine,
        ending: Ending,
        say: Callable[[str], None],
        busy: Callable[[], None] = lambda: None,
        poisoned: Callable[[], None] = lambda: None,
    ) -> None:
        assert plan.relay is not None
        assert plan.target is not None
        self.log = notice.logger(station=plan.name)
        self.say = say
        self.seen = seen
        # The command in force, so far as any was told.
        self.commanded: Told | None = None
        # Whether an off was seen to follow, so that wiring and settings fit.
        self.knows_polarity = False
        # Whether its contact may stand elsewhere than a slow gauge still shows: the
        # last command that anyone gave was no on, or opening alone moves it.
        self.may_have_moved = False
        # How late, past any hope, the gauge showed an off.
        self.late_ms = 0
        self._plan = plan
        self._clock = machine.clock
        self._ending = ending
        self._busy = busy
        self._poisoned = poisoned
        self._eye = GaugeHand(plan, machine=machine, say=say)
        self.gauge = self._eye.gauge
        self._relay_host = RelayHost(plan.name, machine, lambda: None)
        self.relay: Relay = plan.relay(self._relay_host)
        self._line = RelayLine(
            self,
            self.relay,
            plan.target,
            machine=machine,
            host=self._relay_host,
            late=self._came_late,
        )
        self._telling = asyncio.Lock()
        self._under_way: Supply | None = None
        self._proven_moves: int | None = None
        self._coil: Supply | None = None
        self._ledger: Ledger | None = None

    # --- what the line needs to know --------------------------------------------------

    def facts_changed(self) -> None:
        """Take in what the relay, once open, declares."""
        known = self.seen.readback or Readback.NONE
        self.seen.readback = max(known, self.relay.facts.readback)
        self.seen.timer_s = self.relay.facts.dead_man_s

    def link_was_poisoned(self) -> None:
        """Tell the stations on the same link that it was closed under them."""
        self._poisoned()

    def link_is_gone(self) -> None:
        """Open anew before the next call: a station on the same link closed it."""
        self._line.go_stale()

    def bug(self, part: str, error: Exception) -> None:
        """Say what no backend may raise."""
        self.log.error(f"the {part}'s backend failed", exc_info=error)

    # --- life -------------------------------------------------------------------------

    @property
    def policy(self) -> Policy:
        """The policy, with what the backends say of themselves by now."""
        return self._plan.policy(self.gauge, self.relay)

    @property
    def ledger(self) -> Ledger:
        """Where everything is written down."""
        assert self._ledger is not None
        return self._ledger

    def record_in(self, ledger: Ledger) -> None:
        """Write everything down there from now on."""
        self._ledger = ledger

    def now_ms(self) -> int:
        """Return the boot-clock time."""
        return self._clock.boot_ms()

    def take_lock(self) -> None:
        """Become the one master of the relay. Errors: Busy, Unavailable."""
        self._line.take_lock()

    async def open_relay(self) -> None:
        """Open the relay. Errors: BackendError."""
        self.may_have_moved |= self.relay.facts.reopen_disturbs
        try:
            await self._line.ensure_open()
        except BackendError:
            raise
        except Exception as error:
            self.bug("relay", error)
            raise broken(self._plan.name, error) from error

    async def close(self) -> None:
        """Let go of everything; bounded, never an error of its own."""
        limit_s = self._patience_s(CLOSE_LIMIT_S)
        with suppress(TimeoutError):
            # The answer to a late call is not cut off.
            async with asyncio.timeout(limit_s), self._telling:
                pass
        self._line.give_up()
        await asyncio.gather(self._close_relay(limit_s), self._eye.close(limit_s))

    async def _close_relay(self, limit_s: float) -> None:
        await self._line.shut(limit_s)
        self._line.unlock()
        try:
            await bounded(self._relay_host.close(), limit_s=limit_s)
        except TimeoutError:
            self.log.warning("a shared link did not close in time")

    def _patience_s(self, limit_s: float) -> float:
        """Return how long to wait for what is not the relay taking an on."""
        return HASTY_LIMIT_S if self._ending.haste.is_set() else limit_s

    # --- reading ----------------------------------------------------------------------

    @property
    def last(self) -> Reading | None:
        """The last trusted reading."""
        return self._eye.last

    @property
    def was_fed(self) -> bool:
        """Whether any reading of this run has shown the supply."""
        return self._eye.was_fed

    @property
    def is_silent(self) -> bool:
        """Whether the last read brought nothing to trust."""
        return self._eye.is_silent

    @property
    def last_error(self) -> BackendError | None:
        """What the last read that brought nothing ran into."""
        return self._eye.last_error

    async def read(self) -> Reading | None:
        """Return one judged reading, ``None`` where the gauge brought nothing."""
        return await self._eye.read(self.ledger, self.policy)

    # --- telling ----------------------------------------------------------------------

    async def tell(
        self, supply: Supply, *, kind: Kind = Kind.CHANGE, is_last: bool = False
    ) -> Told:
        """Command the supply, intent first; an off only once that is durable.

        Raises Ended for an off that the log or the end of the run keeps back; not for
        one that looks for the supply when the run is over (``is_last``).
        """
        async with self._telling:
            return await self._command(supply, kind=kind, is_last=is_last)

    async def _command(self, supply: Supply, *, kind: Kind, is_last: bool) -> Told:
        swapped = self.seen.swapped
        intent = self.ledger.intent(supply, kind=kind, swapped=swapped)
        try:
            if supply is Supply.ON or is_last:
                await self.ledger.commit(self._patience_s(ON_WAITS_FOR_LOG_S))
            else:
                await self._durable(intent)
        except asyncio.CancelledError:
            self.ledger.outcome(intent, error=DROPPED, took_ms=None)
            raise
        return await self._told(intent, supply, swapped=swapped)

    async def _durable(self, intent: int) -> None:
        if not await self.ledger.commit():
            self.ledger.outcome(intent, error=DROPPED, took_ms=None)
            raise Ended(
                Verdict.ABORTED,
                "the cycle log cannot be written, and no off goes unrecorded",
            )
        if self._ending.has_come:
            self.ledger.outcome(intent, error=DROPPED, took_ms=None)
            self._ending.check()

    async def _told(self, intent: int, supply: Supply, *, swapped: bool) -> Told:
        began_ms = self.now_ms()
        self.ledger.telling(intent)
        told = Told(intent=intent, supply=supply, done_ms=began_ms, took_ms=0)
        if supply is Supply.OFF:
            # From here on it may act, however the call ends.
            self._in_force(told)
        self._under_way = supply
        try:
            failed = await self._carried(supply, swapped=swapped)
        except asyncio.CancelledError:
            self.ledger.outcome(intent, error=UNANSWERED, took_ms=None)
            raise
        finally:
            self._under_way = None
        done_ms = self.now_ms()
        took_ms = done_ms - began_ms
        told = replace(told, done_ms=done_ms, took_ms=took_ms, error=failed)
        word = None if failed is None else kind_of(failed)
        self.ledger.outcome(intent, error=word, took_ms=took_ms)
        if failed is None:
            self._count(supply.other if swapped else supply)
        if failed is None or supply is Supply.OFF:
            self._in_force(told)
        await self.ledger.commit(self._patience_s(ON_WAITS_FOR_LOG_S))
        return told

    def _in_force(self, told: Told) -> None:
        self.commanded, self._proven_moves = told, None

    async def _carried(self, supply: Supply, *, swapped: bool) -> BackendError | None:
        """Tell the relay; return what it ran into, if anything."""
        began_ms = self.now_ms()
        self._busy()
        try:
            await self._line.tell(supply, swapped=swapped)
        except BackendError as error:
            return error
        except Exception as error:  # noqa: BLE001 - a backend's own bug: the supply
            # must go on all the same.
            self.bug("relay", error)
            return broken(self._plan.name, error)
        finally:
            if self.now_ms() - began_ms > LONG_CALL_MS:
                self._busy()
        return None

    async def interrupt(self, teller: asyncio.Task[Any]) -> None:
        """Cancel whoever tells the relay, between two calls if that is soon.

        Else the link is closed under the call, so that what it says reaches nothing.
        An on is what is wanted, so that it gets most of the time there is.
        """
        is_on = self._under_way is Supply.ON
        try:
            async with asyncio.timeout(ON_RESTS_S if is_on else OFF_RESTS_S):
                await self._telling.acquire()
        except TimeoutError:
            await _cancelled(teller)
            with suppress(TimeoutError):
                await bounded(self._line.cut(), limit_s=CUT_LIMIT_S)
            return
        try:
            await _cancelled(teller)
        finally:
            self._telling.release()

    def _count(self, coil: Supply) -> None:
        if self._coil is not None and self._coil is not coil:
            self.seen.operations += 1
        self._coil = coil

    def let_go(self) -> None:
        """Count that the relay's own timer moved it back to on."""
        self._count(Supply.OFF if self.seen.swapped else Supply.ON)

    async def _came_late(self, supply: Supply) -> None:
        """A call that was given up acted after all: never leave an off behind an on."""
        if supply is Supply.ON and not self.seen.is_reversed:
            return  # said under the polarity that is still in force
        async with self._telling:
            commanded = self.commanded
            if commanded is None or commanded.supply is not Supply.ON:
                return
            if not self.ledger.is_over:
                await self._command(Supply.ON, kind=Kind.REPEAT, is_last=False)
            elif await self._carried(Supply.ON, swapped=self.seen.swapped):
                self.log.error("the relay took a late call, and no on after it")

    async def refresh(self) -> None:
        """Refresh the relay's own timer, if it has one."""
        if self.relay.facts.dead_man_s is None:
            return
        try:
            await self._line.refresh()
        except BackendError as error:
            self.say(f"The relay's timer was not refreshed: {error}")
        except Exception as error:  # noqa: BLE001 - a backend's own bug: the timer
            # then returns the supply to on, which is seen.
            self.bug("relay", error)

    async def answers(self, supply: Supply) -> bool:
        """Ask a relay that reads back whether it stands so; false if it is gone."""
        try:
            await self._line.ensure_open()
            if self.relay.facts.readback is Readback.NONE:
                # Opened anew it may tell less than before: then it is not all there.
                return not self.seen.readback
            said = await self._line.ask()
        except BackendError as error:
            self.say(f"The relay does not answer: {error}")
            return False
        except Exception as error:  # noqa: BLE001 - a backend's own bug counts as none
            self.bug("relay", error)
            return False
        if said is not None:
            mine = said.other if self.seen.swapped else said
            self.seen.agreed += mine is supply
            self.seen.disagreed += mine is not supply
        return True

    # --- verdicts ---------------------------------------------------------------------

    @property
    def is_proven(self) -> bool:
        """Whether the gauge has shown the command in force, and nothing moved since."""
        return self._proven_moves == self._line.moves

    async def proven(self, told: Told) -> None:
        """Write down that the gauge shows the effect of a command."""
        await self._judged(told, seen=True)
        if told is self.commanded:
            self._proven_moves = self._line.moves

    async def unproven(self, told: Told, *, seen: bool | None) -> None:
        """Write down that the effect is missing, or not to be known (``None``)."""
        await self._judged(told, seen=seen)

    async def _judged(self, told: Told, *, seen: bool | None) -> None:
        self.ledger.effect(told.intent, told.supply, seen=seen)
        await self.ledger.commit(self._patience_s(ON_WAITS_FOR_LOG_S))

    def found(self, finding: Finding, why: str) -> Ended:
        """Keep a finding and return the end of the run for it."""
        self.seen.find(finding)
        return Ended(Verdict.NOT_PROVEN, why)


async def _cancelled(task: asyncio.Task[Any]) -> None:
    task.cancel()
    await asyncio.wait({task}, timeout=HASTY_LIMIT_S)
