"""From a person's order to the result: lock, log, rounds, timer, supply on, rows."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Final

from tidegate import notice
from tidegate.core.events import NotProved, Proved
from tidegate.core.policy import MS
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.replay import rebuild
from tidegate.cyclelog.writer import Writer
from tidegate.errors import BackendError, LogError
from tidegate.host import Machine
from tidegate.prove.device import Device
from tidegate.prove.ending import Ended, Ending, to_its_end
from tidegate.prove.findings import Finding, other_contact
from tidegate.prove.homing import supply_on
from tidegate.prove.ledger import Ledger
from tidegate.prove.looks import BACK_MS, Looks
from tidegate.prove.result import Order, Result, Seen, Timer, Verdict
from tidegate.prove.rounds import Rounds
from tidegate.prove.timer import Ask, try_timer
from tidegate.service import relay_is_another, run_row
from tidegate.settings import Settings, StationSettings
from tidegate.station.bounded import bounded
from tidegate.station.plan import Plan

CLOSE_LIMIT_S: Final = 3.0
# Beside its waits a step may take this long in calls that hang, and a person may think
# this long about a question.
STEP_SPARE_S: Final = 60
ASK_SPARE_S: Final = 400
REVERSED: Final = "the relay is wired the other way round than `contact` says"
DEAD_LOCK: Final = (
    "this device switches its own supply, and nothing returns it once the battery is "
    "flat: wire the contact normally-closed, use a relay with a timer, or set "
    "accept_dead_lock = true"
)


class Commissioning:
    """One run over one station. Make it and run it within one event loop.

    ``say`` takes lines for a person, ``ask`` puts a question to one. ``limit_s`` ends
    the run; by default after what all its steps may take.
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
        self._ending = Ending()
        self._began_wall_ms = self._clock.wall_ms()
        self._seen = Seen()

    def end(self, why: str) -> None:
        """End the run early; the supply goes on first."""
        self._ending.end(why)

    async def run(self) -> Result:
        """Run it and return what it came to, with the supply on.

        Errors: Busy when another tidegate holds the relay or writes the log; LogError
        when the log cannot be written, before anything is switched.
        """
        relay = self._station.relay
        if relay is None:
            return self._refused("the station has no relay, so it only measures")
        self._seen.contact = relay.contact
        if not self._station.battery.fitted:
            return self._refused("the settings say that there is no battery")
        device = Device(
            self._plan,
            self._seen,
            machine=self._machine,
            ending=self._ending,
            say=self._say,
        )
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

    async def _close_log(self, writer: Writer) -> None:
        try:
            await bounded(writer.close(), limit_s=CLOSE_LIMIT_S)
        except TimeoutError:
            notice.logger().error("the cycle log did not close in time")

    async def _recorded(self, device: Device, writer: Writer) -> Result:
        """Run between two operator rows; whatever happens, on comes before the second."""
        if device.policy.off_is_refused:
            return self._refused(DEAD_LOCK)
        ledger = Ledger(self._plan.name, self._order, clock=self._clock, writer=writer)
        device.record_in(ledger)
        self._seen.swapped, is_another = self._polarity()
        await ledger.begin(
            run_row(self._clock, [self._station]),
            device.policy,
            given=self._plan.given,
            relay_changed=is_another,
        )
        ended = Ended(Verdict.ABORTED, "a fault in tidegate")
        timer = asyncio.get_running_loop().call_later(
            self._limit(device), self.end, "the time limit"
        )
        try:
            ended = await self._course(device)
        finally:
            timer.cancel()
            result = await to_its_end(self._ended(device, ledger, ended))
        return result

    async def _ended(self, device: Device, ledger: Ledger, ended: Ended) -> Result:
        await supply_on(device)
        return await self._result(device, ledger, ended)

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
        step_s = (device.policy.settle_ms + BACK_MS) / MS + STEP_SPARE_S
        timer_s = 2 * (device.relay.facts.dead_man_s or 0.0)
        return (2 * self._order.rounds + 4) * step_s + timer_s + ASK_SPARE_S

    def _polarity(self) -> tuple[bool, bool]:
        """Return whether the relay was found reversed, and whether it is another now."""
        name = self._plan.name
        is_another = swapped = False
        try:
            with Reader(self._path) as reader:
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
        is_proven = ended.verdict is Verdict.PROVEN
        ledger.end(
            self._made(ended, wiring=wiring, recorded=True).as_row(),
            Proved(operations=seen.operations)
            if is_proven
            else NotProved(is_reversed=seen.is_reversed, operations=seen.operations),
        )
        recorded = await ledger.commit()
        return self._made(ended, wiring=wiring, recorded=recorded)

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
            follow = (Finding.RELAY_NO_EFFECT, Finding.SUPPLY_ABSENT)
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
