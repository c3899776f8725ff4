"""The kernel's own way to stop charging: a hold, where the device stays powered.

``charge_behaviour`` inhibits charging at the level of the moment. Where a battery has
only thresholds, the end threshold is set to that level, so that charging stops there
and nothing is discharged; a driver that rounds it down, by two points at most, may
discharge those. On allows charging again. What a driver rounds, refuses or forgets
is read back and told.

There is no contact: external power stays. So nothing here can darken a device, and
no dead-lock can come of it: a battery that was emptied by a mains outage does not keep
its own machine from starting, because whoever says on again is fed by the mains. With
thresholds the firmware even charges by itself up to the point that was set. That is
why ``fails_on`` is true although an inhibit outlives the daemon until somebody says
on, the driver is loaded anew, or the firmware forgets it. What a daemon that died
leaves is a battery that is not refilled; the service manager's restart and
``tidegate restore`` end that. ``awake_only`` ends it too whenever the device sleeps or
is off, where the driver offers it.

Source: Linux Documentation/ABI/testing/sysfs-class-power, as in
``wire/charge_control.py``.
"""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import ClassVar, Final, Literal, Self

from pydantic import Field, model_validator

from tidegate.contract import (
    Backend,
    Host,
    Readback,
    Relay,
    RelayFacts,
    RelaySettings,
    Survey,
    Target,
)
from tidegate.core.policy import Proof
from tidegate.core.reading import Supply
from tidegate.errors import BackendError, Unavailable, Unsupported
from tidegate_backends.linux import batteries
from tidegate_backends.linux.attributes import Show, Store, show, store
from tidegate_backends.linux.charge_control import (
    Battery,
    Before,
    Behaviour,
    Lever,
    Thresholds,
)
from tidegate_backends.linux.looking import survey_by
from tidegate_backends.linux.power_supplies import LIVE_ROOT, Folder
from tidegate_backends.notes import Notes
from tidegate_backends.wire import charge_control as wire

# Until the battery's status follows: engineering choices, no source. Firmware with
# thresholds looks at them in its own time.
BEHAVIOUR_LATENCY_S: Final = 5.0
THRESHOLDS_LATENCY_S: Final = 30.0
# A start threshold under this keeps a battery in any window from being charged.
LEAST_START_PERCENT: Final = wire.start_under(wire.FULL_PERCENT)

Attribute = Literal["auto", "charge_behaviour", "thresholds"]


class Settings(RelaySettings):
    """The only system battery, or the one of this name."""

    can_hold: ClassVar[bool] = True

    kind: Literal["kernel"] = "kernel"
    contact: Literal["normally-closed"] = Field(
        default="normally-closed",
        description="there is none: external power stays, whatever this relay does",
    )
    name: str | None = Field(
        default=None,
        pattern=r"^[^./\x00][^/\x00]*$",
        description="the battery's folder name, such as BAT0; the only system battery "
        "if left out",
    )
    root: Path = Field(
        default=LIVE_ROOT, description="the folder that holds class/power_supply/"
    )
    attribute: Attribute = Field(
        default="auto",
        description="auto: charge_behaviour if the battery has it, else thresholds",
    )
    awake_only: bool = Field(
        default=False,
        description="stop charging only while the device is awake "
        "(inhibit-charge-awake)",
    )

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if self.awake_only and self.attribute == "thresholds":
            raise ValueError(
                "found awake_only with thresholds, allowed is one of the two: only "
                "charge_behaviour knows whether the device is awake"
            )
        return self

    def target(self) -> Target:
        return Target(str(self.root / "class" / "power_supply"), self.name or "")


class KernelRelay(Relay):
    """Charging of one battery. Errors: Unavailable, Refused, Malformed, Unsupported."""

    def __init__(
        self, settings: Settings, host: Host, *, show: Show = show, store: Store = store
    ) -> None:
        self._settings = settings
        self._show = show
        self._store = store
        self._worker = host.worker(f"kernel:{settings.root}:{settings.name or '*'}")
        self._target = str(settings.target())
        self._battery: Battery | None = None
        self._lever: Lever | None = None
        self._before: Before | None = None
        self._latency_s = THRESHOLDS_LATENCY_S
        self._notes = Notes()

    @property
    def facts(self) -> RelayFacts:
        return RelayFacts(
            readback=Readback.LATCH,
            reopen_disturbs=False,
            latency_s=self._latency_s,
            fails_on=True,
            proof=Proof.CHARGING,
        )

    async def open(self) -> None:
        if self._lever is None:
            self._battery, self._lever = await self._worker.call(self._opened)

    async def close(self) -> None:
        if self._battery is not None:
            self._battery.given_up = True
        self._battery = self._lever = None

    async def set(self, supply: Supply) -> None:
        await self._worker.call(self._pulled().set, supply)

    async def get(self) -> Supply | None:
        return await self._worker.call(self._pulled().get)

    def take_notes(self) -> list[str]:
        return self._notes.take()

    def _pulled(self) -> Lever:
        if self._lever is None:
            raise Unavailable(
                "the relay is not open", target=self._target, remedy="Open it first."
            )
        return self._lever

    # What follows runs in the worker's thread.

    def _opened(self) -> tuple[Battery, Lever]:
        battery = Battery(
            self._folder(), show=self._show, store=self._store, note=self._notes.add
        )
        lever = self._behaviour(battery) or self._thresholds(battery)
        if lever is None:
            raise self._cannot(battery)
        lever.get()  # what cannot be read back must not be written blindly
        return battery, lever

    def _folder(self) -> Path:
        """Return the folder of the battery; raises where there is not just one."""
        folder = Folder(self._settings.root, note=self._notes.add)
        found = folder.survey()
        wanted = self._settings.name
        names = [each.name for each in found if each.role == "battery"]
        chosen = [name for name in names if wanted in (None, name)]
        if len(chosen) > 1:
            raise Unsupported(
                f"there are several system batteries: {', '.join(chosen)}",
                target=self._target,
                remedy='Choose one with name = "...".',
            )
        if not chosen:
            skipped = ", ".join(f"{e.name}: {e.why}" for e in found)
            raise Unavailable(
                f"no system battery {wanted or ''} found; there is {skipped or 'none'}",
                target=self._target,
                remedy="Check `name` and `root`; it is looked for again.",
            )
        return folder.path / chosen[0]

    def _behaviour(self, battery: Battery) -> Lever | None:
        if self._settings.attribute == "thresholds":
            return None
        if battery.optional(wire.BEHAVIOUR) is None:
            return None
        inhibit = wire.INHIBIT_AWAKE if self._settings.awake_only else wire.INHIBIT
        if inhibit not in battery.choices(wire.BEHAVIOUR).offered:
            return None
        end, start = battery.optional(wire.END), battery.optional(wire.START)
        if end is not None and battery.percent(wire.END) < wire.FULL_PERCENT:
            self._notes.add(
                f"{wire.END} stands at {end} %: on charges no further than that"
            )
        if start is not None and 0 < battery.percent(wire.START) < LEAST_START_PERCENT:
            self._notes.add(
                f"{wire.START} stands at {start} %: on charges only under that"
            )
        self._latency_s = BEHAVIOUR_LATENCY_S
        return Behaviour(battery, inhibit=inhibit)

    def _thresholds(self, battery: Battery) -> Lever | None:
        wanted = self._settings.attribute
        if wanted == "charge_behaviour" or self._settings.awake_only:
            return None
        if battery.optional(wire.END) is None:
            return None
        lever = Thresholds(battery, self._before)
        # What was found first is kept over a link that is opened anew.
        self._before = lever.before
        self._latency_s = THRESHOLDS_LATENCY_S
        return lever

    def _cannot(self, battery: Battery) -> BackendError:
        return Unsupported(
            f"this relay cannot use it: {batteries.charge_control(battery)}",
            target=str(battery.folder),
            remedy=batteries.WITHOUT_CONTROL,
        )


def survey_of(root: Path) -> Survey:
    """Return the survey of the batteries under a root."""
    return survey_by(partial(batteries.controllable, root), key=f"kernel:{root}")


BACKEND = Backend(
    kind="kernel", settings=Settings, make=KernelRelay, survey=survey_of(LIVE_ROOT)
)
