"""A battery-powered device at the end of a switched supply, simulated on demand.

Nothing happens to it until somebody looks: it is brought forward when it is read or
switched, in steps that end wherever the load, the world or the contact changes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

from tidegate.core.reading import BatteryStatus
from tidegate.twin.cell import Cell, State
from tidegate.twin.charger import Charger, Offer, Stretch
from tidegate.twin.contact import Contact
from tidegate.twin.heat import Heat
from tidegate.twin.profile import Profile
from tidegate.twin.truth import Truth
from tidegate.twin.world import Event, What, World, warmth_k

# Cell and heat are solved exactly over a step; what moves within one is the band of
# the charger and the surroundings, and those are slow.
_STEP_MS: Final = 60_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Build:
    """What a twin is made of and how it begins.

    ``load_a`` is what the device draws, taken from the supply or from the battery;
    ``boot_s`` how long it takes to start once the supply is back on a dead one.
    """

    cell: Cell = field(default_factory=Cell)
    charger: Charger = field(default_factory=Charger)
    heat: Heat = field(default_factory=Heat)
    load_a: Profile = field(default_factory=lambda: Profile((0.5,)))
    around_c: Profile = field(default_factory=lambda: Profile((25.0,)))
    soc_percent: float = 60.0
    boot_s: float = 60.0

    def __post_init__(self) -> None:
        assert 0 < self.soc_percent <= 100
        assert self.charger.full_v <= self.cell.curve.volts(1.0)


class Device:
    """One twin. Times of its interface are boot-clock milliseconds.

    It dies at a charge of zero and starts again only when the supply is back.
    """

    def __init__(
        self, build: Build, world: World | None = None, contact: Contact | None = None
    ) -> None:
        self.build = build
        self.world = world or World()
        self.contact = contact or Contact()
        self.at_ms = self.world.start_boot_ms
        self.boots = 1
        self.alive = True
        self.active: dict[What, Event] = {}
        self.state = State(build.soc_percent / 100)
        self.temperature_c = build.around_c.between(self._wall_ms)
        self._booted_at_ms = self.at_ms
        self._boots_at_ms: int | None = None
        self._fed_since_ms: int | None = None
        self._charge_ended = False
        self._observers: list[Callable[[Truth], None]] = []
        self._turn_page(self._wall_ms - 1)

    # What it looks like from outside.

    @property
    def true_soc_percent(self) -> float:
        """The state of charge, without any gauge in between."""
        return 100 * self.state.soc

    @property
    def mains(self) -> bool:
        """Whether there is anything to switch."""
        return not self.active or What.MAINS_OUT not in self.active

    @property
    def external_power(self) -> bool:
        """Whether the device is fed."""
        return self.mains and self.contact.closed

    @property
    def fed_s(self) -> float:
        """For how long it has been fed; zero if it is not."""
        since = self._fed_since_ms
        return 0.0 if since is None else (self.at_ms - since) / 1000

    @property
    def uptime_s(self) -> int:
        """How long it has been running since it last started."""
        return (self.at_ms - self._booted_at_ms) // 1000

    @property
    def current_a(self) -> float:
        """The current into the battery."""
        flow = self._flow()
        if not isinstance(flow, Offer):
            return flow
        holding_a = self.build.cell.holding_current_a(self.state, flow.voltage_v)
        ended = holding_a <= min(flow.current_a, self.build.charger.end_a)
        return 0.0 if ended else min(flow.current_a, holding_a)

    @property
    def voltage_v(self) -> float:
        """The voltage at the battery's terminals."""
        return self.build.cell.voltage_v(self.state, self.current_a)

    @property
    def battery_status(self) -> BatteryStatus:
        """What an honest gauge says that the battery is doing."""
        return self.status_at(self.current_a)

    def status_at(self, current_a: float) -> BatteryStatus:
        """Return that status where ``current_a`` is known, this moment's."""
        if current_a < 0 or not self.external_power:
            return BatteryStatus.DISCHARGING
        if current_a > 0:
            return BatteryStatus.CHARGING
        ended = self._charge_ended
        return BatteryStatus.FULL if ended else BatteryStatus.NOT_CHARGING

    def truth(self) -> Truth:
        """Return this moment."""
        return Truth(
            self.at_ms,
            100 * self.state.soc,
            self.temperature_c,
            self.mains,
            self.contact.closed,
            self.alive,
        )

    def observe(self, observer: Callable[[Truth], None]) -> None:
        """Tell ``observer`` this moment and every later one, step by step."""
        self._observers.append(observer)
        observer(self.truth())

    # What makes it move.

    def advance_to(self, boot_ms: int) -> None:
        """Let time pass up to ``boot_ms``."""
        assert boot_ms >= self.at_ms, "a twin cannot be younger than it was"
        while self.at_ms < boot_ms:
            due_ms = self._due_ms()
            until_ms = min(boot_ms, due_ms, self.at_ms + _STEP_MS)
            self._live((until_ms - self.at_ms) / 1000)
            before_ms, self.at_ms = self.at_ms, until_ms
            if until_ms == due_ms:
                self._turn_page(self.world.wall_ms(before_ms))
            if self._observers:
                self._tell()

    def drive(self, *, driven: bool, boot_ms: int) -> None:
        """Drive or release the relay's coil."""
        self.advance_to(boot_ms)
        self.contact.drive(driven, boot_ms)
        self.contact_moved()

    def supply_contact(self, *, on: bool) -> None:
        """Move the contact itself, now, whatever relay there is."""
        self.contact.closed = on
        self.contact_moved()

    def contact_moved(self) -> None:
        """Take note that somebody moved the contact at this moment."""
        self._settle_power()
        self._tell()

    @property
    def _wall_ms(self) -> int:
        return self.world.wall_ms(self.at_ms)

    def _due_ms(self) -> int:
        due_ms = self._page_ends_ms
        contact_ms = self.contact.next_change_ms
        if contact_ms is not None and contact_ms < due_ms:
            due_ms = contact_ms
        if self._boots_at_ms is not None and self._boots_at_ms < due_ms:
            due_ms = self._boots_at_ms
        return max(due_ms, self.at_ms + 1)

    def _turn_page(self, before_wall_ms: int) -> None:
        """Let everything happen that is due, and look up what comes next."""
        wall_ms = self._wall_ms
        self.active = self.world.active(wall_ms)
        for event in self.world.begun(What.RELAY_WELDED, before_wall_ms, wall_ms):
            self.contact.weld(event.for_ms)
        if self.world.begun(What.RELAY_RESET, before_wall_ms, wall_ms):
            self.contact.reset(self.at_ms)
        self.contact.hold_still(What.RELAY_STUCK in self.active, self.at_ms)
        self.contact.pass_time(self.at_ms)
        self._settle_power()
        if self._boots_at_ms is not None and self._boots_at_ms <= self.at_ms:
            self._boot()
        next_ms = self.build.load_a.next_hour_ms(wall_ms)
        event_ms = self.world.next_wall_ms(wall_ms)
        if event_ms is not None:
            next_ms = min(next_ms, event_ms)
        self._page_ends_ms = self.world.boot_ms(next_ms)
        self._profile_a = self.build.load_a.at(wall_ms)
        weak = self.active.get(What.WEAK_SUPPLY)
        most_a = self.build.charger.supply_a
        self._supply_a = most_a if weak is None else min(most_a, weak.amount)

    def _settle_power(self) -> None:
        if not self.external_power:
            self._fed_since_ms = self._boots_at_ms = None
        elif self._fed_since_ms is None:
            self._fed_since_ms = self.at_ms
            self._charge_ended = False
        if self.external_power and not self.alive and self._boots_at_ms is None:
            self._boots_at_ms = self.at_ms + round(self.build.boot_s * 1000)

    def _boot(self) -> None:
        self.alive, self._boots_at_ms = True, None
        self._booted_at_ms = self.at_ms
        self.boots += 1

    def _load_a(self) -> float:
        return self._profile_a if self.alive else 0.0

    def _offer(self) -> Offer | None:
        spare_a = self._supply_a - self._load_a()
        return self.build.charger.offer(self.temperature_c, spare_a)

    def _flow(self) -> float | Offer:
        """Return the battery's current, or what the charger offers it if it does."""
        load_a = self._load_a()
        if not self.contact.closed or not self.mains:
            return -load_a
        if load_a > self._supply_a:
            return self._supply_a - load_a
        offer = None if self._charge_ended else self._offer()
        return 0.0 if offer is None else offer

    def _live(self, for_s: float) -> None:
        """Let the battery charge or discharge and warm or cool, nothing else."""
        build = self.build
        cell, heat = build.cell, build.heat
        middle_ms = self.world.wall_ms(self.at_ms) + for_s * 500
        around_c = build.around_c.between(round(middle_ms))
        if self.active:
            around_c += warmth_k(self.active.get(What.HOT), middle_ms)
        load_j = self._load_a() * cell.curve.volts(self.state.soc) * for_s
        joules = load_j * heat.load_share
        if self._charge_ended and build.charger.begins_again(
            cell, self.state, self.temperature_c
        ):
            self._charge_ended = False
        left_s = for_s
        while left_s > 0:
            stretch = self._stretch(left_s)
            self.state, left_s = stretch.state, left_s - stretch.took_s
            joules += stretch.heat_j
            if stretch.ended:
                self._charge_ended = True
        self.temperature_c = heat.after(
            self.temperature_c, around_c, joules / for_s, for_s
        )

    def _stretch(self, for_s: float) -> Stretch:
        cell = self.build.cell
        flow = self._flow()
        if isinstance(flow, Offer):
            return self.build.charger.charge(cell, self.state, flow, for_s)
        if flow < 0:
            empty_s = self.state.soc * 3600 * cell.capacity_ah / -flow
            if empty_s < for_s:
                return self._die(flow, empty_s)
        return _idle_stretch(cell, self.state, flow, for_s)

    def _die(self, current_a: float, after_s: float) -> Stretch:
        self.alive = False
        self._settle_power()
        last = _idle_stretch(self.build.cell, self.state, current_a, after_s)
        # Exactly empty: rounding must not leave a trace of charge to die of again.
        return last._replace(state=State(0.0, last.state.rc_v))

    def _tell(self) -> None:
        if self._observers:
            truth = self.truth()
            for observer in self._observers:
                observer(truth)


def _idle_stretch(cell: Cell, state: State, current_a: float, for_s: float) -> Stretch:
    after, heat_j = cell.flowed(state, current_a, for_s)
    return Stretch(after, for_s, heat_j, ended=False)
