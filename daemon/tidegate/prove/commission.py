"""From a person's order to the result: lock, log, rounds, timer, supply on, rows."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Final

from tidegate import notice
from tidegate.assembly import relay_is_another, run_row
from tidegate.core.events import NotProved, Proved
from tidegate.core.policy import MS
from tidegate.core.reading import Supply
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.replay import rebuild
from tidegate.cyclelog.writer import Writer
from tidegate.errors import BackendError, LogError
from tidegate.host import Machine
from tidegate.prove.device import Device
from tidegate.prove.ending import Ended, Ending
from tidegate.prove.findings import Finding, other_contact
from tidegate.prove.haste import on_in_haste, unless_in_haste
from tidegate.prove.homing import supply_on
from tidegate.prove.ledger import COMMIT_LIMIT_S, Ledger
from tidegate.prove.looks import BACK_MS, Looks
from tidegate.prove.result import Order, Result, Seen, Timer, Verdict
from tidegate.prove.rounds import Rounds
from tidegate.prove.timer import Ask, try_timer
from tidegate.prove.within import Within
from tidegate.settings import Settings, StationSettings
from tidegate.station.bounded import bounded, to_its_end
from tidegate.station.plan import Plan

CLOSE_LIMIT_S: Final = 3.0
# What the last rows get where the daemon around the run stops.
HASTY_COMMIT_S: Final = 1.0
# Beside its waits a step may take this long in calls that hang, and a person may think
# this long about a question.
STEP_SPARE_S: Final = 60
ASK_SPARE_S: Final = 400
FAULT: Final = "a fault in tidegate"
REVERSED: Final = "the relay is wired the other way round than `contact` says"
DEAD_LOCK: Final = (
    "this device switches its own supply, and nothing returns it once the battery is "
    "flat: wire the contact normally-closed, use a relay with a timer, or set "
    "accept_dead_lock = true"
)


class Commissioning:
    """One run over one station. Make it and run it within one event loop.

    ``say`` takes lines for a person, ``ask`` puts a question to one. ``limit_s`` ends
    the run; by default after what all its steps may take. ``within`` is the daemon that
    let go of the station for it; without one, lock, log and run are its own.
    """

    def __init__(
        self,
        settings: Settings,
        plan: Plan,
        order: Order,
        *,
        machine: Machine,
        say: Callable[[str], None],
        ask: Ask,
        threaded: bool = True,
        limit_s: float | None = None,
        within: Within | None = None,
    ) -> None:
        self._path = settings.log.path
        self._station: StationSettings = settings.stations[plan.name]
        self._plan = plan
        self._order = order
        self._machine = machine
        self._clock = machine.clock
        self._say = say
        self._ask = ask
        self._threaded = threaded
        self._limit_s = limit_s
        self._within = within
        self._device: Device | None = None
        self._ending = Ending()
        self._began_wall_ms = self._clock.wall_ms()
        self._seen = Seen()

    def end(self, why: str, *, in_haste: bool = False) -> None:
        """End the run early; the supply goes on first.

        ``in_haste``: within seconds, and nobody waits until it is seen to be on.
        """
        self._ending.end(why, in_haste=in_haste)

    def link_is_gone(self) -> None:
        """Take in that a station on the same link closed it."""
        if self._device is not None:
            self._device.link_is_gone()

    def refusal(self) -> Result | None:
        """Return why the station cannot be proven at all, as far as settings tell."""
        if self._station.relay is None:
            return self._refused("the station has no relay, so it only measures")
        self._seen.contact = self._station.relay.contact
        if not self._station.battery.fitted:
            return self._refused("the settings say that there is no battery")
        return None

    async def run(self) -> Result:
        """Run it and return what it came to, with the supply on.

        Errors: Busy when another tidegate holds the relay or writes the log; LogError
        when the log cannot be written, before anything is switched.
        """
        if (refused := self.refusal()) is not None:
            return refused
        if self._within is not None:
            return await self._run_within(self._within)
        device = self._made_device()
        try:
            device.take_lock()
            writer = Writer.open(self._path, clock=self._clock, threaded=self._threaded)
            try:
                return await self._recorded(device, writer)
            finally:
                await self._close_log(writer)
        finally:
            await device.close()
            self._machine.workers.close()

    async def _run_within(self, within: Within) -> Result:
        device = self._made_device(busy=within.busy, poisoned=within.poisoned)
        self._device = device
        try:
            device.take_lock()
            return await self._recorded(device, within.writer)
        finally:
            await to_its_end(device.close())

    def _made_device(self, **around: Callable[[], None]) -> Device:
        return Device(
            self._plan,
            self._seen,
            machine=self._machine,
            ending=self._ending,
            say=self._say,
            **around,
        )

    async def _close_log(self, writer: Writer) -> None:
        try:
            await bounded(writer.close(), limit_s=CLOSE_LIMIT_S)
        except TimeoutError:
            notice.logger().error("the cycle log did not close in time")

    async def _recorded(self, device: Device, writer: Writer) -> Result:
        """Run between two operator rows; whatever happens, on comes before the second."""
        if device.policy.off_is_refused:
            return self._refused(DEAD_LOCK)
        ledger = Ledger(
            self._plan.name,
            self._order,
            clock=self._clock,
            writer=writer,
            within=self._within,
        )
        device.record_in(ledger)
        over = await self._begin(device, ledger)
        if over is not None:
            return over
        ended = Ended(Verdict.ABORTED, FAULT)
        timer = asyncio.get_running_loop().call_later(
            self._limit(device), self.end, "the time limit"
        )
        try:
            course = self._course(device)
            in_time = await unless_in_haste(course, device, self._ending)
            ended = in_time or Ended(Verdict.ABORTED, self._ending.why)
        finally:
            timer.cancel()
            result = await to_its_end(self._ended(device, ledger, ended))
        return result

    async def _begin(self, device: Device, ledger: Ledger) -> Result | None:
        """Write the begin down; return the result where the end comes first."""
        if self._within is not None:
            state = self._within.state
            self._seen.swapped = state is not None and state.drive.swapped
            device.may_have_moved = state is not None and state.drive.on_failed
            return await self._begin_within(device, ledger)
        self._seen.swapped, is_another = self._polarity(device)
        await ledger.begin(
            run_row(self._clock, [self._station]),
            device.policy,
            given=self._plan.given,
            relay_changed=is_another,
        )
        return None

    async def _begin_within(self, device: Device, ledger: Ledger) -> Result | None:
        """A daemon writes on: whatever happens, its log says what came of a begin."""
        try:
            await self._ending.unless(ledger.begin_within())
        except Ended as early:
            return await self._result(device, ledger, early)
        except BaseException:
            failed = Ended(Verdict.ABORTED, "it ended before anything was switched")
            self._write_end(ledger, failed, wiring=None)
            raise
        return None

    async def _ended(self, device: Device, ledger: Ledger, ended: Ended) -> Result:
        """Bring the supply back on and write the result, whatever fails on the way."""
        try:
            await self._home(device)
        except Exception:
            self._seen.is_on = None
            await self._result(device, ledger, Ended(Verdict.ABORTED, FAULT))
            raise
        return await self._result(device, ledger, ended)

    async def _home(self, device: Device) -> None:
        if not self._ending.haste.is_set():
            await unless_in_haste(supply_on(device), device, self._ending)
        if self._ending.haste.is_set():
            await on_in_haste(device, self._ending)

    async def _course(self, device: Device) -> Ended:
        looks = Looks(device, self._ending)
        rounds = Rounds(looks)
        try:
            await rounds.first_look()
            await device.open_relay()
            if device.policy.off_is_refused:
                return Ended(Verdict.REFUSED, DEAD_LOCK)
            await rounds.base()
            await rounds.take(self._order.rounds)
            await try_timer(looks, rounds.offs, self._ending, ask=self._ask)
        except Ended as ended:
            return ended
        except BackendError as error:
            return Ended(Verdict.ABORTED, str(error), error=error)
        return Ended(Verdict.PROVEN, "")

    def _limit(self, device: Device) -> float:
        if self._limit_s is not None:
            return self._limit_s
        # An on is looked at for longer than the off before it lasted.
        step_s = (2 * device.policy.settle_ms + BACK_MS) / MS + STEP_SPARE_S
        timer_s = 2 * (device.relay.facts.dead_man_s or 0.0)
        return (2 * self._order.rounds + 4) * step_s + timer_s + ASK_SPARE_S

    def _polarity(self, device: Device) -> tuple[bool, bool]:
        """Return whether the relay was found reversed, and whether it is another now."""
        name = self._plan.name
        is_another = swapped = False
        try:
            with Reader(self._path) as reader:
                left = reader.last_commanded(name)
                if left is not None and (
                    left.supply is Supply.OFF or not left.is_certain
                ):
                    device.may_have_moved = True
                before = reader.last_settings(name)
                if before is not None:
                    is_another = relay_is_another(before, self._station)
                    # What the next daemon goes by; a killed run has told nobody.
                    state = rebuild(reader, name)
                    swapped = bool(state and state.drive.swapped and not is_another)
        except LogError as error:
            notice.logger().info("no cycle log to ask for the polarity", why=str(error))
        return swapped, is_another

    # --- the result -------------------------------------------------------------------

    def _refused(self, why: str) -> Result:
        """Return a refusal before anything was opened or written."""
        return self._made(Ended(Verdict.REFUSED, why), wiring=None, recorded=False)

    async def _result(self, device: Device, ledger: Ledger, ended: Ended) -> Result:
        seen = self._seen
        if device.last is not None:
            seen.ended_percent = device.last.soc_percent
        wiring = self._wiring(ended)
        if ended.verdict in (Verdict.PROVEN, Verdict.NOT_PROVEN):
            self._find_unsafe(device, wiring)
        if seen.is_reversed and ended.verdict is Verdict.NOT_PROVEN:
            # What came of it besides says nothing more.
            ended = Ended(ended.verdict, REVERSED, error=ended.error)
        if ended.verdict is Verdict.PROVEN and seen.disagreed:
            seen.find(Finding.READBACK_DISAGREES)
        if ended.verdict is Verdict.PROVEN and not seen.is_on:
            ended = Ended(
                Verdict.NOT_PROVEN, "the supply was not seen to be on at the end"
            )
        self._write_end(ledger, ended, wiring=wiring)
        in_haste = self._ending.haste.is_set()
        recorded = await ledger.commit(HASTY_COMMIT_S if in_haste else COMMIT_LIMIT_S)
        return self._made(ended, wiring=wiring, recorded=recorded)

    def _write_end(self, ledger: Ledger, ended: Ended, *, wiring: str | None) -> None:
        seen = self._seen
        ledger.end(
            self._made(ended, wiring=wiring, recorded=True).as_row(),
            Proved(operations=seen.operations)
            if ended.verdict is Verdict.PROVEN
            else NotProved(is_reversed=seen.is_reversed, operations=seen.operations),
        )

    def _made(self, ended: Ended, *, wiring: str | None, recorded: bool) -> Result:
        return Result(
            station=self._plan.name,
            order=self._order,
            verdict=ended.verdict,
            why=ended.why,
            error=ended.error,
            began_wall_ms=self._began_wall_ms,
            ended_wall_ms=self._clock.wall_ms(),
            seen=self._seen,
            wiring=wiring,
            recorded=recorded,
        )

    def _wiring(self, ended: Ended) -> str | None:
        """Return the contact as it was seen to work, ``None`` where nothing showed it."""
        seen = self._seen
        shown = ended.verdict is Verdict.PROVEN or seen.is_reversed or bool(seen.steps)
        if not shown:
            return None
        return other_contact(seen.contact) if seen.swapped else seen.contact

    def _find_unsafe(self, device: Device, wiring: str | None) -> None:
        """Add what is unsafe by the way it is built, whatever the rounds showed."""
        seen, policy = self._seen, device.policy
        if seen.swapped and not seen.is_reversed:
            seen.find(Finding.RELAY_SWAPPED)
        if seen.is_reversed:
            follow = (
                Finding.RELAY_NO_EFFECT,
                Finding.SUPPLY_ABSENT,
                Finding.POWER_WENT,
                Finding.POWER_CAME_BACK,
                Finding.GAUGE_SLOW,
                Finding.GAUGE_NOT_BACK,
            )
            seen.findings[:] = [each for each in seen.findings if each not in follow]
        if policy.gauge_needs_supply:
            seen.find(Finding.GAUGE_BLIND)
        if not self._fails_on(device, wiring):
            own = policy.host_is_device
            seen.find(Finding.DEAD_LOCK if own else Finding.NOT_FAIL_ON)

    def _fails_on(self, device: Device, wiring: str | None) -> bool:
        """Return whether the supply comes back when everything else has died.

        What was seen outweighs what is declared: the wiring, and a timer that failed.
        """
        if self._seen.timer is Timer.RETURNED:
            return True
        facts = device.relay.facts
        if facts.dead_man_s is None and not self._seen.swapped:
            return facts.fails_on
        return (wiring or self._seen.contact) == "normally-closed"
