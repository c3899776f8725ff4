"""Core and twin: who looks on. Promises from outside, and what was reached.

The notebook of ``core_promises`` reads events and effects; here the truth of the twin
is held against them: a device whose supply is there rises from its floor, and never
goes dark. What excuses it is this file's own list, by the names of incidents.
"""

from __future__ import annotations

from collections import Counter
from typing import Final

from support.core_promises import Limits, Notebook
from support.search.core_site import CoreSite
from support.search.core_world import CoreWorld, Step
from support.search.plan import Plan
from tidegate.core.effects import Alarm, RaiseAlarm, SwitchSupply
from tidegate.core.events import (
    ReadingArrived,
    Resumed,
    Started,
    SwitchingFailed,
    SwitchingSucceeded,
)
from tidegate.core.policy import HOUR_MS, MINUTE_MS, Policy
from tidegate.core.reading import WhyNot
from tidegate.core.state import State
from tidegate.twin.charger import Band, band

RISES_WITHIN_MS: Final = 30 * MINUTE_MS
# Charging is slower than the current says near a band's edge or the charge's end.
SLOWER: Final = 1.25
BACK_MS: Final = 15 * MINUTE_MS
"""How long after trouble the supply may take to be back: an on is said again at most
every 5 min, a reading is lost, a relay boots."""
FOUND_MS: Final = 12 * HOUR_MS
"""How long crossed wires may keep a device down: an observation the wrong way round
comes with a switching, and not every hour has one."""

NO_SUPPLY: Final = frozenset({"mains outage", "weak supply"})
NO_RELAY: Final = frozenset(
    {"relay dead", "relay stuck", "relay rewired", "relay bouncing"}
)
NO_GAUGE: Final = frozenset(
    {
        # It reads too high, so that the floor is never seen.
        "gauge lies: level too high",
        # Rule 2 keeps the supply off: never hot outweighs never dark.
        "gauge lies: critical heat",
    }
)
NO_CHARGE: Final = frozenset({"critical heat", "cold"})
NO_DAEMON: Final = frozenset({"host suspended", "host lost its power"})
EXCUSES: Final = NO_SUPPLY | NO_RELAY | NO_GAUGE | NO_CHARGE | NO_DAEMON
"""While one of these lasts, and shortly after, a device may go low and dark."""

# Fault of the list of what must be survived -> what shows that it was met: the alarm,
# raised while (or soon after) one of the incidents that are that fault.
ALARMED: Final[tuple[tuple[int, Alarm, frozenset[str]], ...]] = (
    (1, Alarm.GAUGE_LOST, frozenset({"gauge lost"})),
    (7, Alarm.GAUGE_IMPLAUSIBLE, frozenset({"nonsense: all zero"})),
    (7, Alarm.GAUGE_IMPLAUSIBLE, frozenset({"nonsense: all ones"})),
    (
        8,
        Alarm.GAUGE_FROZEN,
        frozenset({"gauge frozen", "gauge level frozen", "twin's gauge frozen"}),
    ),
    (10, Alarm.NO_BATTERY, frozenset({"battery absent"})),
    (16, Alarm.BATTERY_HOT, frozenset({"heat", "critical heat"})),
    (16, Alarm.BATTERY_CRITICAL_HEAT, frozenset({"critical heat"})),
    (16, Alarm.TEMPERATURE_ABSENT, frozenset({"gauge lies: temperature"})),
    (19, Alarm.GAUGE_LOST, frozenset({"gauge lost", "gauge flaky"})),
    (28, Alarm.RELAY_FAILED, frozenset({"relay dead"})),
    (29, Alarm.RELAY_NO_EFFECT, frozenset({"relay stuck", "relay welded"})),
    (
        30,
        Alarm.RELAY_EXTERNAL_CHANGE,
        frozenset({"relay moved by a stranger", "relay reset by a brown-out"}),
    ),
    (31, Alarm.OVERCHARGE_RISK, frozenset({"relay stuck", "relay welded"})),
    (31, Alarm.DEVICE_WILL_DIE, frozenset({"relay stuck", "mains outage"})),
    (50, Alarm.GAUGE_LOST, frozenset({"gauge raises what nobody foresaw"})),
)
REJECTED: Final = {
    WhyNot.OUT_OF_RANGE: 6,
    WhyNot.ALL_ZERO: 7,
    WhyNot.SLOW: 5,
    WhyNot.LEVEL_ONLY: 11,
    WhyNot.UPDATES_STOPPED: 22,
}
AFTERWARDS_MS: Final = HOUR_MS
CRITICAL_LEAVES_K: Final = 5.0


class CoreWitness:
    """Follows one world, writes down every broken promise and counts what was met."""

    def __init__(self, plan: Plan, site: CoreSite, world: CoreWorld) -> None:
        self.broken: list[str] = []
        self.checks: Counter[int] = Counter()
        self.faults: set[int] = set()
        self._site, self._world = site, world
        self._gauge_is_off_by_percent = site.gauge_is_off_by_percent
        self._spans = [
            (round(each.at_s * 1000), round((each.at_s + each.lasts_s) * 1000), each)
            for each in plan.incidents
        ]
        self._notebook = Notebook(_limits(site.policy))
        self._policy = site.policy
        # Crossed wires show at a gauge that can be read while they cut the supply, and
        # where an off may be tried.
        shows = not site.policy.gauge_needs_supply and not site.policy.off_is_refused
        self._is_crossed = site.is_reversed or any(
            each.what == "relay rewired" for each in plan.incidents
        )
        self._may_be_low = site.is_worn_out or (self._is_crossed and not shows)
        self._safe_at_ms = 0
        self._trouble_at_ms = 0
        self._due_at_ms: int | None = None
        self._is_critical = False
        self._cut_until_ms = 0
        self._was_alive = True
        self._stepped = self._resumed = self._killed = False
        self._moved = self._failed_first = False
        world.onlooker, world.on_stop = self.take, self.stopped

    # --- steps ------------------------------------------------------------------------

    def take(self, one: Step, before: State) -> None:
        """Read one step."""
        notebook, event = self._notebook, one.event
        if isinstance(event, Started) and self._world.is_forgetful:
            # Another log: what the one before held binds nobody.
            notebook = self._notebook = Notebook(_limits(before.policy))
        known = len(notebook.broken)
        notebook.take(one)
        if len(notebook.broken) > known:
            self.broken += [self._placed(text) for text in notebook.broken[known:]]
            del notebook.broken[:]
        self.checks[1] += notebook.floor_at_ms is not None
        self.checks[2] += notebook.supply == "off"
        for effect in one.effects:
            if isinstance(effect, SwitchSupply):
                self.checks[3] += 1
            elif isinstance(effect, RaiseAlarm):
                self._alarmed(effect.alarm)
        self._policy = self._world.state.policy
        self._reached(one, before)

    def stopped(self, done: bool) -> None:
        """Hold the supply against the promise of a stop."""
        world, names = self._world, self._going_on(AFTERWARDS_MS)
        if not done or names & (NO_RELAY | NO_DAEMON) or self._is_crossed:
            return
        if self._policy.marks is None:
            return  # it only measures, and moves no contact
        if self._site.is_fed and world.state.drive.swapped:
            return  # its coil loses the supply with the contact, and lets go of it
        self.checks[7] += 1
        self.faults.add(38)
        on = not world.device.is_held and world.device.contact.closed
        if not on:
            self._break("stopped, and the supply is not on")

    # --- the truth --------------------------------------------------------------------

    def watch(self) -> None:
        """Look at the device."""
        world, device, policy = self._world, self._world.device, self._policy
        now_ms, percent = world.true_ms, device.true_soc_percent
        self._note_heat(device.temperature_c, now_ms)
        least_percent = policy.floor_percent - self._gauge_is_off_by_percent
        if percent >= least_percent or policy.marks is None:
            self._safe_at_ms, self._due_at_ms = now_ms, None
            self._was_alive = device.alive
            return
        if self._is_in_trouble():
            self._trouble_at_ms, self._due_at_ms = now_ms, None
        elif self._due_at_ms is None:
            hours = (least_percent - percent) / self._site.net_percent_per_h
            late_ms = round(SLOWER * hours * HOUR_MS) + RISES_WITHIN_MS
            self._due_at_ms = now_ms + late_ms
        elif now_ms > self._due_at_ms:
            self._break(
                f"{percent:.1f} %, and not above a floor of {policy.floor_percent:.0f}"
                " in time although nothing kept it down"
            )
            self._trouble_at_ms, self._due_at_ms = now_ms, None
        self.checks[1] += 1
        excused = self._trouble_at_ms >= self._safe_at_ms
        if self._was_alive and not device.alive and not excused:
            self._break("dark, although nothing excuses it")
        self._was_alive = device.alive

    def _note_heat(self, celsius: float, now_ms: int) -> None:
        """Note for how long critical heat may keep the supply off, the floor or not.

        It ends 5 °C under its mark, or without a temperature after ``heat_hold``: that
        is how a device that went flat in it gets its supply back.
        """
        policy = self._policy
        if celsius >= policy.critical_c:
            self._is_critical = True
        elif celsius < policy.critical_c - CRITICAL_LEAVES_K:
            self._is_critical = False
        if self._is_critical:
            held_ms = policy.heat_hold_ms + 3 * policy.poll_ms
            self._cut_until_ms = now_ms + held_ms

    def _is_in_trouble(self) -> bool:
        device = self._world.device
        unwell = band(device.temperature_c) in (Band.TOO_COLD, Band.TOO_HOT)
        return (
            self._may_be_low
            or unwell
            or self._world.true_ms <= self._cut_until_ms
            or not self._world.relay.is_awake
            or self._is_unseen
            or (self._site.is_reversed and self._world.true_ms < FOUND_MS)
            or self._was_rewired
            or not self._world.is_up
            or bool(self._going_on(BACK_MS) & EXCUSES)
        )

    @property
    def _was_rewired(self) -> bool:
        """Whether somebody exchanged the wires of a relay that had worked.

        Where that cuts the supply while it is on, nothing tells it from a mains
        outage, and the other polarity is not tried. Known, and not mended.
        """
        now_ms = self._world.true_ms
        return any(
            each.what == "relay rewired" and from_ms <= now_ms
            for from_ms, _, each in self._spans
        )

    @property
    def _is_unseen(self) -> bool:
        """Whether nobody can read it, because its supply is off.

        How long that may last is the second promise. The box of a coast counts on twice
        the load that was seen, or on 30 %/h; one that grows by more in the middle of it
        can empty the device. Known, and not mended.
        """
        fed = self._world.device.external_power
        return self._policy.gauge_needs_supply and not fed

    def _going_on(self, afterwards_ms: int) -> set[str]:
        now_ms = self._world.true_ms
        return {
            each.what
            for from_ms, until_ms, each in self._spans
            if from_ms <= now_ms <= until_ms + afterwards_ms
        }

    # --- what was met -----------------------------------------------------------------

    def _alarmed(self, alarm: Alarm) -> None:
        going_on = self._going_on(AFTERWARDS_MS)
        for number, sign, names in ALARMED:
            if sign is alarm and names & going_on:
                self.faults.add(number)
        site = self._site
        if alarm is Alarm.RELAY_EXTERNAL_CHANGE and site.holds:
            self.faults.add(34)
        if alarm is Alarm.RELAY_BUDGET:
            self.faults.add(36)
        if alarm is Alarm.RELAY_FED_BY_SUPPLY and site.is_fed:
            self.faults.add(37)

    def _reached(self, one: Step, before: State) -> None:
        event, state = one.event, self._world.state
        if isinstance(event, ReadingArrived):
            why_not = event.reading.why_not
            if why_not is not None:
                if why_not in REJECTED:
                    self.faults.add(REJECTED[why_not])
                return
            if state.watch.set_aside_at_ms == event.reading.at_ms:
                self.faults.add(9)
            if self._resumed:
                self.faults.add(18)
                self._resumed = False
            if self._killed:
                self.faults.add(38)
                self._killed = False
            if before.latches.coast_since_ms is not None:
                self.faults.add(24)
            if state.watch.pack != before.watch.pack and before.watch.pack:
                self.faults.add(15)
        elif isinstance(event, SwitchingSucceeded):
            if self._stepped:
                self.faults.add(17)
            if self._failed_first:
                self.faults.add(27)
            self._moved, self._failed_first = True, False
            self._stepped = self._world.wall_by_ms != 0
        elif isinstance(event, SwitchingFailed):
            self._failed_first = not self._moved
        elif isinstance(event, Resumed):
            self._resumed = True
        elif isinstance(event, Started):
            self._killed = one.run > 1 and not event.was_closed
            self._moved = False

    # --- words ------------------------------------------------------------------------

    def _break(self, what: str) -> None:
        self.broken.append(f"{self._world.true_ms / HOUR_MS:.3f} h: {what}")

    def _placed(self, text: str) -> str:
        return f"{self._world.true_ms / HOUR_MS:.3f} h: {text.split(': ', 1)[1]}"


def _limits(policy: Policy) -> Limits:
    return Limits(
        floor_percent=policy.floor_percent,
        dwell_on_ms=policy.dwell_on_ms,
        dwell_off_ms=policy.dwell_off_ms,
        poll_ms=policy.poll_ms,
        stale_after_ms=policy.stale_after_ms,
        heat_hold_ms=policy.heat_hold_ms,
        max_off_ms=policy.max_off_ms if policy.gauge_needs_supply else 0,
        per_hour=policy.per_hour,
        per_day=policy.per_day,
    )
