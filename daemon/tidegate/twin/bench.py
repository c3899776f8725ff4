"""The place where a twin's gauge and its relay meet: one contact, one device."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field

from tidegate.contract import Contact as Wiring
from tidegate.contract import SharedLink
from tidegate.twin.contact import Contact
from tidegate.twin.device import Build, Device
from tidegate.twin.world import What, World


@dataclass(slots=True)
class Bench:
    """A contact and the device behind it, which its gauge puts there.

    A relay may be opened first: its contact is then moved without a device.
    """

    contact: Contact = field(default_factory=Contact)
    device: Device | None = None

    def place(self, build: Build, world: World) -> Device:
        """Return the device, made now if there is none yet."""
        if self.device is None:
            self.device = Device(build, world, self.contact)
        return self.device

    def wire(self, wiring: Wiring, *, dead_man_ms: int | None, boot_ms: int) -> None:
        """Put the relay into the supply; only the first time counts."""
        self.advance_to(boot_ms)
        self.contact.wire(wiring, dead_man_ms)
        if self.device is not None:
            self.device.contact_moved()

    def advance_to(self, boot_ms: int) -> None:
        """Let time pass for whatever is there."""
        if self.device is not None:
            self.device.advance_to(boot_ms)
        self.contact.pass_time(boot_ms)

    def relay_answers(self) -> bool:
        """Return whether the relay can be reached."""
        device = self.device
        return device is None or What.RELAY_UNREACHABLE not in device.active

    def drive(self, *, driven: bool, boot_ms: int) -> None:
        """Drive or release the coil."""
        if self.device is not None:
            self.device.drive(driven=driven, boot_ms=boot_ms)
        else:
            self.contact.drive(driven, boot_ms)


def key(device: str) -> str:
    """Return the name under which a twin's bench is shared."""
    return f"twin:{device}"


def opener(
    bench: Bench | None = None,
) -> Callable[[], Awaitable[SharedLink[Bench]]]:
    """Return what opens the shared bench.

    Whoever opens it first under its key decides: a demo or a test shares a bench of
    its own before the daemon starts, and keeps it when the daemon is gone.
    """

    async def close() -> None:
        """Nothing to let go of: a bench is memory."""

    async def open_bench() -> SharedLink[Bench]:
        return SharedLink(bench or Bench(), close)

    return open_bench
