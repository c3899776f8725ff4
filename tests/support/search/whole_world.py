"""One whole world: the real service over many lives, devices that outlast them all.

The daemon is the real one with its real settings file and log files, in virtual time.
It may be stopped, killed between any two steps of its loop or at any operation on its
disk, and started again on what is left, as a service manager does.
"""

from __future__ import annotations

import asyncio
import heapq
import random
from collections import Counter, deque
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any, Final
from unittest import mock
from zoneinfo import ZoneInfo

from support.search.log_witness import LogWitness
from support.search.mortal import FakeDisk, HostDies, bury
from support.search.plan import Incident, Outcome, Plan, Tally
from support.search.whole_deeds import begin
from support.search.whole_life import Life, Talk, in_words, machine
from support.search.whole_reached import Reached
from support.search.whole_site import Place, site_of
from support.search.whole_stage import Actor, Stage, Stand, TwinStand, held
from support.search.whole_witness import StationWitness
from tidegate import assembly, notice, restore, settings
from tidegate.core.reading import Supply
from tidegate.cyclelog.writer import Writer
from tidegate.errors import SettingsError, TidegateError
from tidegate.host import Machine
from tidegate.service import Service, root
from tidegate.service.plans_part import PlansPart
from tidegate.twin.world import Event as TwinEvent
from tidegate.twin.world import What
from tidegate.virtual import VirtualClock, run

BOOT_MS: Final = 600_000
HOUR_MS: Final = 3_600_000
# At the end every fault is over, and so long later everything must be well.
CALM_MS: Final = 2 * HOUR_MS
LAST_EVENTS: Final = 60
MESSAGES_KEPT: Final = 4_000
DAY_S: Final = 86_400
# What the twin itself does, by its incident: kind and amount.
IN_THE_TWIN: Final = {
    "mains_out": (What.MAINS_OUT, (0.0, 0.0)),
    "weak_supply": (What.WEAK_SUPPLY, (0.05, 0.4)),
    "warm": (What.HOT, (18.0, 28.0)),
    "very_hot": (What.HOT, (38.0, 55.0)),
    "frost": (What.HOT, (-45.0, -25.0)),
    "welded": (What.RELAY_WELDED, (0.0, 0.0)),
}


class WholeWorld:
    """A plan that is being lived in a folder."""

    def __init__(self, plan: Plan, folder: Path) -> None:
        self.plan, self.folder = plan, folder
        self.dice = plan_dice(plan)
        self.site = site_of(plan.seed)
        self.site.folder = folder
        for place in self.site.places:
            place.lie_in(folder)
        self.site.log.parent.mkdir()
        self.clock = VirtualClock(boot_ms=BOOT_MS, wall_ms=self.site.wall_ms)
        self.tally = Tally(worlds=1)
        self.broken: list[str] = []
        self.events: deque[tuple[Any, ...]] = deque(maxlen=LAST_EVENTS)
        self.talk = Talk()
        self.stage = Stage(self.true_ms, self._told)
        self.witnesses: dict[str, StationWitness] = {}
        self.reached = Reached(self)
        self.log = LogWitness(
            self.site.log.parent, self.site.log, [p.name for p in self.site.places]
        )
        self.log.files.stays_open = True
        self.active: dict[int, Incident] = {}
        self.excused_until_ms: dict[str, int] = {}
        self.disk_fault: str | None = None
        self.disk_takes_s = 0.0
        self.is_torn = False
        self.is_over = False
        self.life: Life | None = None
        self.boots = 1
        self.next_start: Callable[[], None] = _nothing
        self.after_death: Callable[[], None] = _nothing
        # What ends each incident that lasts; a calm ends them all.
        self.overs: dict[int, Callable[[], None]] = {}
        self.was_stalled = False
        # Stations whose wires somebody changed, or whose contact with nobody to tell.
        self.rewired: set[str] = set()
        self._away_ms = 0
        self._agenda: list[tuple[int, int, Callable[[], None]]] = []
        self._turn = 0
        self._death = "killed"
        self._durable_id = 0
        self._enter()

    # --- time -------------------------------------------------------------------------

    def true_ms(self) -> int:
        """Return the world's own time, which nothing stops or sets."""
        return self.clock.running_ms() + self._away_ms

    def suspend(self, for_ms: int) -> None:
        """Let the daemon's host sleep; the devices do not."""
        self.clock.suspend(for_ms)
        self._away_ms += for_ms

    def at(self, true_ms: int, what: Callable[[], None]) -> None:
        """Do something at a moment of the world; in the daemon's loop if it lives."""
        self._turn += 1
        heapq.heappush(self._agenda, (true_ms, self._turn, what))

    def after(self, s: float, what: Callable[[], None]) -> None:
        """Do something so much later."""
        self.at(self.true_ms() + round(s * 1_000), what)
        self._arm()

    def _arm(self) -> None:
        """Set the loop's timer for what comes next."""
        life = self.life
        if life is None or life.is_dead or life.loop.is_closed():
            return
        if life.pump is not None:
            life.pump.cancel()
        if self._agenda:
            wait_ms = max(0, self._agenda[0][0] - self.true_ms())
            life.pump = life.loop.call_later(wait_ms / 1_000, self._pumped)

    def _pumped(self) -> None:
        self._run_due()
        self._arm()

    def _run_due(self) -> None:
        while self._agenda and self._agenda[0][0] <= self.true_ms():
            heapq.heappop(self._agenda)[2]()

    # --- the whole of it --------------------------------------------------------------

    def live(self) -> Outcome:
        """Live the plan to its end, or to the first broken promise."""
        notice.configure(stream=self.talk)
        self.site.write()
        for each in self.plan.incidents:
            if each.at_s < self.plan.hours * 3_600:
                self.at(round(each.at_s * 1_000), partial(begin, self, each))
        self.at(self.end_ms, self._calm)
        while not self.is_over:
            self._one_life()
        if not self.broken:
            self.reached.ended()
        self.tally.checks.update(self.log.checks)
        self._add_up()
        return Outcome(
            plan=self.plan,
            tally=self.tally,
            broken=self.broken,
            last_events=[in_words(*event) for event in self.events],
        )

    def _enter(self) -> None:
        """Put the devices on the stage, with what the plan has for each."""
        for place in self.site.places:
            if place.variant == "hold":
                stand: Stand = held(place, self.plan.seed)
            else:
                stand = TwinStand(place, 0, self._twin_events(place))
            actor = self.stage.enter(place, stand)
            self.witnesses[place.name] = StationWitness(
                actor,
                broke=self.broke,
                checks=self.tally.checks,
                excuse=partial(self._excuse, place),
            )

    def _twin_events(self, place: Place) -> tuple[TwinEvent, ...]:
        events = []
        for each in self.plan.incidents:
            if each.what in IN_THE_TWIN and each.station in ("", place.name):
                what, (least, most) = IN_THE_TWIN[each.what]
                events.append(
                    TwinEvent(
                        what=what,
                        from_wall_ms=round(each.at_s * 1_000),
                        for_ms=round(each.lasts_s * 1_000),
                        amount=each.random.uniform(least, most),
                    )
                )
        return tuple(events)

    # --- lives ------------------------------------------------------------------------

    def _one_life(self) -> None:
        self._run_due()
        # Whoever broke the settings mends them before the daemon would not start.
        self.site.write()
        life = self.life = self.stage.life = self._new_life()
        try:
            with life.disk.patched(), self.stage.patched(), self._writes(life):
                starts, self.next_start = self.next_start, _nothing
                starts()
                try:
                    life.loop.run_until_complete(self._main(life))
                except HostDies:
                    assert life.is_dead
                finally:
                    # A host that died between two turns of the loop is dead by now.
                    if not life.loop.is_closed():
                        bury(life.loop)
        finally:
            life.let_go()
            self.life = None
        if life.is_dead:
            self._died(life)
        elif not self.is_over:
            self._down(self.dice.randrange(100, 60_000))

    def _new_life(self) -> Life:
        disk = FakeDisk(self.site.log.parent, self.dice)
        disk.fault = self.disk_fault
        disk.on_close = self.log.files.let_go
        return Life(self.clock, disk, self.folder / "locks")

    def _writes(self, life: Life) -> Any:
        world = self

        class WatchedWriter(Writer):
            """The real writer; what it says is durable is noted.

            On a slow disk a commit is made so much later, as by the writer's thread,
            whether or not somebody still waits for it.
            """

            def __init__(self, *arguments: Any, **more: Any) -> None:
                super().__init__(*arguments, **more)
                life.writers.append(self)

            async def commit(self, limit_s: float | None = None) -> None:
                if not world.disk_takes_s:
                    await super().commit(limit_s)
                    return
                work = life.loop.create_task(self._later(world.disk_takes_s))
                # Whoever gave up does not hear of its end.
                work.add_done_callback(lambda it: it.cancelled() or it.exception())
                async with asyncio.timeout(limit_s):
                    await asyncio.shield(work)

            async def _later(self, takes_s: float) -> None:
                await asyncio.sleep(takes_s)
                await super().commit()

            def _attempt(self) -> None:
                super()._attempt()
                if not self.healthy:
                    world.log.refused()
                elif self._durable_id != world._durable_id:
                    world._durable_id = self._durable_id
                    for witness in world.witnesses.values():
                        witness.written()
                    with life.disk.unseen():
                        world.log.committed()
                        world._take_log()

        return mock.patch.object(root, "Writer", WatchedWriter)

    async def _main(self, life: Life) -> None:
        load = partial(settings.load, self.site.settings)
        try:
            service = Service(
                load(),
                clock=self.clock,
                machine=life.machine,
                threaded=False,
                parts=[PlansPart(zone=ZoneInfo("Europe/Vienna"))],
                load=load,
            )
        except TidegateError as error:
            self.broke(0, "", f"does not start: {error}")
            life.loop.die_in(0)
            await asyncio.sleep(0)
            return
        life.service = service
        service.onlookers.append(self._happened)
        self._arm()
        try:
            await service.run()
        except TidegateError as error:
            self.broke(0, "", f"ended by itself: {error}")
        if service.broken:
            self.broke(0, "", f"a fault of its own: {self._fault_said()}")
        elif not self.broken:
            self._stopped()
            self._log_ended(life)

    def _fault_said(self) -> str:
        said = [line for line in self.talk.lines if "internal fault" in line]
        return said[-1][-600:] if said else "unsaid"

    def _log_ended(self, life: Life) -> None:
        with life.disk.unseen():
            self.log.ended(log_works=self.disk_fault is None, replays=self.is_over)
        # What the disk refused up to the end is known to nobody any more.
        for witness in self.witnesses.values():
            witness.died()
        self._take_log()

    def _stopped(self) -> None:
        """Every relay was told on, and with one that obeys the supply is on."""
        self.tally.checks[7] += 1
        for name, witness in self.witnesses.items():
            actor = witness.actor
            if actor.place.variant == "measure":
                continue
            actor.stand.advance(self.true_ms())
            if self._excuse(actor.place):
                continue
            if not actor.stand.lets_through:
                self.broke(7, name, "stopped, and the supply is off")

    def _died(self, life: Life) -> None:
        """The process is gone; its files are as it left them."""
        self.log.files.let_go()
        if self._death == "power_cut":
            life.disk.lose_power()
        life.disk.release()
        if self.broken:
            self.is_over = True
            return
        self.tally.crashes += 1
        self.events.append((self.true_ms(), "", "the daemon died", self._death, None))
        after, self.after_death = self.after_death, _nothing
        after()
        self.log.crashed(is_torn=self.is_torn)
        for witness in self.witnesses.values():
            witness.died()
        if self.is_torn:
            for witness in self.witnesses.values():
                witness.log_is_lost()
        self.is_torn = False
        self._take_log()
        if self.broken:
            return
        for actor in self.stage.actors.values():
            if self._death == "power_cut" and actor.place.follows_host:
                actor.stand.host_lost_power(self.true_ms())
        if self._death == "power_cut":
            self._reboot()
        else:
            self._restore()
            self._down(self.dice.randrange(100, 60_000))
        self._death = "killed"

    def _restore(self) -> None:
        """The service manager's stop action: supply on without a daemon."""
        if not self.site.restores:
            return

        life = self.stage.life = self._new_life()
        try:
            stations = settings.load(self.site.settings).stations
        except SettingsError:
            # Wrong for a while; what the files or the log know of the relays is enough.
            _, stations = restore.last_known(self.site.settings)
        relays = {name: station for name, station in stations.items() if station.relay}
        self.by = "restore"
        try:
            with (
                self.stage.patched(),
                mock.patch.object(restore, "Machine", self._machine),
                mock.patch.object(restore, "make_relay", assembly.make_relay),
            ):
                run(restore.all_on(self.site.log, relays), clock=self.clock)
        finally:
            self.by = "daemon"
            life.loop.close()

    def _machine(self, clock: object) -> Machine:
        del clock
        return machine(self.clock, self.folder / "locks")

    # Who tells the relays.
    by = "daemon"

    def _down(self, for_ms: int) -> None:
        """Let time pass without a daemon, in the same boot."""
        self.clock.advance(for_ms)
        self._after_down()

    def _reboot(self) -> None:
        """Another boot, once the host has power."""
        down_ms = self.dice.randrange(20_000, 600_000)
        self.boots += 1
        self.clock.reboot(f"boot-{self.boots}", down_ms=down_ms, boot_ms=20_000)
        self._away_ms += down_ms
        self._after_down()

    def _after_down(self) -> None:
        hosts = [a for a in self.stage.actors.values() if a.place.is_host]
        for actor in hosts:
            actor.stand.advance(self.true_ms())
            while not actor.stand.is_alive:
                # A flat device starts once it is fed; time passes for all the same.
                self._away_ms += 60_000
                self.clock.step_wall(60_000)
                self._run_due()
                actor.stand.advance(self.true_ms())
                self.witnesses[actor.name].look()
                if self.broken or self.true_ms() > self.end_ms + 24 * HOUR_MS:
                    self.is_over = True
                    return
        self.stage.advance()

    # --- ends -------------------------------------------------------------------------

    @property
    def end_ms(self) -> int:
        """When the plan is over."""
        return round(self.plan.hours * HOUR_MS)

    def dies(self, *, reboots: bool) -> str:
        """Say how the death that comes next is: of the process, or of the host."""
        self._death = "power_cut" if reboots else "killed"
        return self._death

    def stop(self) -> None:
        """Ask the daemon to end in good order."""
        if self.life is not None and self.life.service is not None:
            self.life.service.end()

    def set_disk_fault(self, fault: str | None) -> None:
        """Let every write to the log fail from now on, or no longer."""
        self.disk_fault = fault
        if self.life is not None:
            self.life.disk.fault = fault

    def garble_log(self, dice: random.Random) -> None:
        """Write noise over pages of the log, as a worn card does."""
        path = self.site.log
        if path.exists() and path.stat().st_size > 3 * 4096:
            pages = path.stat().st_size // 4096
            with path.open("r+b") as file:
                for _ in range(dice.randrange(1, 5)):
                    file.seek(4096 * dice.randrange(pages))
                    file.write(dice.randbytes(4096))

    def _calm(self) -> None:
        """Nothing misbehaves any more; so long later all must be well."""
        for over in tuple(self.overs.values()):
            over()
        self.after(CALM_MS / 1_000, self._finish)

    def _finish(self) -> None:
        if self.life is None or self.life.service is None:
            self.after(60, self._finish)
            return
        self.is_over = True
        self.stop()

    def broke(self, number: int, station: str, sentence: str) -> None:
        """Write down a broken promise; the world ends with it."""
        if self.broken:
            return
        where = f" of {station}" if station else ""
        self.broken.append(
            f"promise {number}{where} at {self.true_ms() / HOUR_MS:.3f} h: {sentence}"
        )
        self.is_over = True
        if self.life is not None and not self.life.is_dead:
            self.life.loop.die_in(0)

    # --- looking on -------------------------------------------------------------------

    def _told(self, actor: Actor, supply: Supply) -> None:
        life = self.life
        assert life is not None or self.by == "restore"
        if actor.place.is_host and not actor.stand.is_alive and life is not None:
            self._flat(life)
        self.tally.switchings += self.by == "daemon"
        if supply is Supply.OFF and actor.when_off is not None:
            actor.when_off()
        self.events.append((self.true_ms(), actor.name, "told", supply.value, self.by))
        if life is None:
            self.log.moved(actor.name, self.clock.boot_ms(), supply.value, by=self.by)
            return
        with life.disk.unseen():
            self.log.moved(actor.name, self.clock.boot_ms(), supply.value, by=self.by)
            self._take_log()

    def _flat(self, life: Life) -> None:
        self.dies(reboots=True)
        life.disk.die()
        raise HostDies

    def _happened(self, station: Any, event: object, effects: Any) -> None:
        actor = self.stage.actors[station.name]
        life = self.life
        assert life is not None
        if actor.place.is_host and not actor.stand.is_alive:
            self._flat(life)
        soc = getattr(station.state, "soc_percent", None)
        self.events.append((self.true_ms(), station.name, event, effects, soc))
        self.witnesses[station.name].happened(station.state, event, effects)
        self.reached.happened(station, event, effects)

    def _take_log(self) -> None:
        if self.log.broken and not self.broken:
            self.broke(0, "", self.log.broken[0])
            # Its own sentence says which promise.
            self.broken[:] = [self.broken[0].split(": ", 1)[1]]

    def _excuse(self, place: Place) -> str:
        """Why this device may go low or stay off, for as long and a while after."""
        now_ms = self.true_ms()
        for each in self.active.values():
            if each.station in ("", place.name) and each.what in EXCUSES:
                self.excused_until_ms[place.name] = now_ms + EXCUSED_AFTER_MS
        if place.is_miswired or place.name in self.rewired:
            return "miswired"
        return "lately" if now_ms < self.excused_until_ms.get(place.name, 0) else ""

    # --- adding up --------------------------------------------------------------------

    def _add_up(self) -> None:
        tally = self.tally
        stations = len(self.site.places)
        tally.device_days = stations * self.true_ms() / 1_000 / DAY_S
        for witness in self.witnesses.values():
            tally.rules.update(dict.fromkeys(witness.reasons, 1))
        tally.rules = Counter(dict.fromkeys(tally.rules, 1))
        tally.faults.update(dict.fromkeys(self.reached.faults, 1))


# What may leave a device low although there is mains: the relay does not obey, the
# gauge lies, there is not enough to charge from, or it may not be charged.
EXCUSES: Final = frozenset(
    {
        "relay_dead",
        "relay_breaks",
        "relay_stuck",
        "relay_hangs",
        "relay_late",
        "relay_reversed",
        "relay_absent",
        "welded",
        "mains_out",
        "weak_supply",
        "very_hot",
        "frost",
        "gauge_jumps",
        "gauge_lags",
        "gauge_frozen",
        "lies_of_charge",
        "lies_of_power",
        "lies_of_status",
        "lies_of_critical_heat",
        "lies_of_cold",
        "sleeps",
    }
)
EXCUSED_AFTER_MS: Final = 3 * HOUR_MS


def _nothing() -> None:
    """Do what is to be done where nothing is."""


def plan_dice(plan: Plan) -> random.Random:
    """Return the dice of what no incident rolls for itself."""
    return random.Random(f"world {plan.seed}")
