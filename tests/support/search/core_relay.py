"""Core and twin: the relay before the twin's contact, and a hold that stops charging."""

from __future__ import annotations

from random import Random

from support.search.core_site import CoreSite
from tidegate.contract import Readback, energised, supply_of
from tidegate.core.reading import Supply
from tidegate.twin.charger import Offer
from tidegate.twin.contact import Contact
from tidegate.twin.device import Device
from tidegate.twin.world import World

FED_SLEEPS_MS = 1_000
FED_WAKES_MS = 5_000


class HeldDevice(Device):
    """A twin whose charger can be told to stop, while the supply stays."""

    is_held = False

    def _offer(self) -> Offer | None:
        return None if self.is_held else super()._offer()


class CoreRelay:
    """One relay. It is asleep, and reaches nothing, where its own supply is gone."""

    def __init__(self, site: CoreSite, world: World) -> None:
        self.site = site
        self.contact = Contact()
        if site.policy.marks is not None and not site.holds:
            # A station that only measures has no relay in its cable.
            self.contact.wire(site.wired, site.dead_man_ms)
        self.device = HeldDevice(site.build, world, self.contact)
        self.dead = 0
        self.slow_ms = 0
        self.bounces: Random | None = None
        self.is_awake = True
        self._turns_at_ms: int | None = None
        self._echo: Supply | None = None

    @property
    def answers(self) -> bool:
        """Whether it can be reached."""
        return self.is_awake and not self.dead

    @property
    def takes_ms(self) -> int:
        """How long a call lasts."""
        return self.site.relay_takes_ms + self.slow_ms

    def set(self, supply: Supply) -> bool:
        """Carry out a call; return whether the relay says that it did."""
        if not self.answers:
            return False
        self._echo = supply
        if self.bounces is None or self.bounces.random() < 0.5:
            self._drive(supply)
        return True

    def get(self) -> Supply | None:
        """Return what a relay that can be reached tells of itself."""
        site, contact = self.site, self.contact
        if site.holds:
            return Supply.OFF if self.device.is_held else Supply.ON
        match site.readback:
            case Readback.NONE:
                return None
            case Readback.ECHO:
                return self._echo
            case Readback.LATCH:
                return supply_of(contact.driven, site.contact)
            case Readback.SENSED:
                return supply_of(contact.armature, site.contact)

    def refresh(self) -> None:
        """Start the relay's own timer afresh."""
        if self.answers:
            self.contact.refresh(self.device.at_ms)

    def lose_power(self) -> None:
        """Let a coil fall back; a latch stays, and so does what a kernel holds."""
        if self.site.holds:
            self.device.is_held = False
        else:
            self.contact.reset(self.device.at_ms)
            self.device.contact_moved()

    def moved_by_hand(self, supply: Supply) -> None:
        """Let a stranger put it somewhere."""
        self._drive(supply)

    def rewire(self) -> None:
        """Swap the wires of a contact with a coil."""
        contact = self.contact
        if contact.wiring in ("normally-closed", "normally-open"):
            closes = contact.wiring == "normally-closed"
            contact.wiring = "normally-open" if closes else "normally-closed"
            contact.drive(contact.driven, self.device.at_ms)
            self.device.contact_moved()

    def feed(self) -> bool:
        """Let a relay that lives from its own supply doze off or wake; true if it did."""
        device = self.device
        if self.is_awake is device.external_power:
            self._turns_at_ms = None
            return False
        if self._turns_at_ms is None:
            wait_ms = FED_SLEEPS_MS if self.is_awake else FED_WAKES_MS
            self._turns_at_ms = device.at_ms + wait_ms
        if device.at_ms < self._turns_at_ms:
            return False
        self._turns_at_ms = None
        self.is_awake = not self.is_awake
        if not self.is_awake:
            self.lose_power()
        return True

    @property
    def turns_at_ms(self) -> int | None:
        """When a relay that lives from its own supply dozes off or wakes."""
        return self._turns_at_ms

    def _drive(self, supply: Supply) -> None:
        device, contact = self.device, self.contact
        if self.site.holds:
            device.is_held = supply is Supply.OFF
            return
        contact.drive(energised(supply, self.site.contact), device.at_ms)
        device.contact_moved()
