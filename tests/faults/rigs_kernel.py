"""Sites whose relay is the kernel's own: a battery's charge control, a hub's port.

The same world as ``rigs.Site``, but the supply is not moved by the board: the driver
and the hubs are fakes of the kernel's two ends. All numbers are invented.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

from faults.rigs import Site
from support.charge_driver import FakeChargeDriver
from support.usb_tree import FakeHubs
from tidegate.contract import Relay
from tidegate_backends.relays.kernel import KernelRelay
from tidegate_backends.relays.usb_port import UsbPortRelay

# Points an hour: on charge, without mains, and held on mains with charging stopped.
CHARGE_PERCENT_H: Final = 20.0
LOAD_PERCENT_H: Final = 15.0
IDLE_PERCENT_H: Final = 0.1
STEP_S: Final = 60.0

INHIBITS: Final = {"behaviours": ("auto", "inhibit-charge", "force-discharge")}
THRESHOLDS: Final = {"end": 100, "start": 0}


class Held(Site):
    """A device on mains whose battery is held by the kernel relay at 60 %."""

    def __init__(
        self,
        folder: Path,
        *,
        level: int = 60,
        offers: dict[str, Any] = INHIBITS,
        driver: FakeChargeDriver | None = None,
        attribute: str = "auto",
        **station: Any,
    ) -> None:
        root = folder / "sys"
        table = {"kind": "kernel", "root": str(root), "attribute": attribute}
        settings: dict[str, Any] = {"relay": table, "window": {"hold": 60}, **station}
        battery = root / "class" / "power_supply" / "BAT0"
        self.driver = driver or FakeChargeDriver(battery, level=level, **offers)
        self._exact_percent = float(self.driver.level)
        super().__init__(
            folder, soc=self.driver.level, wrap_relay=self._driven, **settings
        )
        self.driver.changed = self.show

    def _driven(self, relay: Relay) -> Relay:
        assert isinstance(relay, KernelRelay)
        relay._show, relay._store = self.driver.show, self.driver.store
        return relay

    def show(self) -> None:
        status = self.driver.status(powered=self.mains)
        self.values.update(capacity=self.driver.level, status=status)
        super().show()

    def set_level(self, level: int) -> None:
        self._exact_percent = float(level)
        self.driver.set_level(level)

    async def hours(self, hours: float, *, step_s: float = STEP_S) -> None:
        """Let the battery live, a step at a time."""
        for _ in range(round(hours * 3_600 / step_s)):
            await self.live(step_s)
            self._exact_percent += self._rate_percent_h() * step_s / 3_600
            self._exact_percent = min(100.0, max(0.0, self._exact_percent))
            if int(self._exact_percent) != self.driver.level:
                self.driver.set_level(int(self._exact_percent))

    def _rate_percent_h(self) -> float:
        if not self.mains:
            return -LOAD_PERCENT_H
        return CHARGE_PERCENT_H if self.driver.allows else -IDLE_PERCENT_H

    @property
    def holds(self) -> bool:
        """Whether charging is stopped."""
        return not self.driver.allows


class OnAPort(Site):
    """A device that is fed by a port of a hub, with a USB 3 companion."""

    def __init__(self, folder: Path, **station: Any) -> None:
        root = folder / "usb"
        table = {
            "kind": "usb-port",
            "root": str(root),
            "name": "1-1-port2",
            # The gauge of this world reads the host's own battery.
            "accept_dead_lock": True,
        }
        self.hubs = FakeHubs(root)
        self.hubs.plug_in("1-1-port2", product="wall guide, synthetic")
        super().__init__(folder, wrap_relay=self._driven, relay=table, **station)
        self.hubs.changed = self._switched

    def _driven(self, relay: Relay) -> Relay:
        assert isinstance(relay, UsbPortRelay)
        relay._show, relay._store = self.hubs.show, self.hubs.store
        return relay

    def _switched(self) -> None:
        self.powered = self.has_power
        self.show()

    @property
    def has_power(self) -> bool:
        """Whether a half of the plug has power."""
        return self.hubs.powered("1-1-port2") or self.hubs.powered("2-1-port2")

    @property
    def port_offs(self) -> int:
        """How often the plug was told off."""
        return self.hubs.stored.count(("1-1-port2", "1"))
