"""A port of a USB hub, switched by the kernel's own attribute ``disable``.

A plug with USB 2 and USB 3 is two ports, and power stays on until both are disabled:
the companion is found by the kernel's ``peer`` link, or named. Reading ``disable``
asks the hub for its port status, so a hub that was reset and has its ports on again
shows. It is still only the hub's word: most hubs cannot switch power at all, others
switch all ports together, and sysfs does not say which. Such a port drops the data
and leaves the power on, and one device stops charging for the lost data while another
goes on. Only the gauge proves that the supply followed; a gauge that is read over
the same cable vanishes either way and so proves nothing: read it another way.

A port that was told stays so until its hub is reset or unplugged or the host starts
anew, whatever becomes of the daemon. That is a latch, so ``contact`` is ``latching``,
and nothing returns the supply by itself.

Source: Linux Documentation/ABI/testing/sysfs-bus-usb ("disable", Linux 6.0) and
drivers/usb/core/port.c; USB 2.0, 11.24.2.7 (port status), of which the kernel shows
the power bit.
"""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Final, Literal, Self

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
from tidegate.core.reading import Supply
from tidegate.errors import (
    BackendError,
    Malformed,
    Refused,
    Unavailable,
    Unsupported,
)
from tidegate_backends.linux import usb_ports
from tidegate_backends.linux.attributes import Show, Store, failure, show, store
from tidegate_backends.linux.looking import survey_by
from tidegate_backends.linux.power_supplies import LIVE_ROOT
from tidegate_backends.linux.usb_ports import DISABLE
from tidegate_backends.notes import Notes

# From the hub's answer to a device that has noticed: engineering choice, no source.
LATENCY_S: Final = 2.0

_DISABLED: Final = {Supply.ON: "0", Supply.OFF: "1"}


class Settings(RelaySettings):
    """One port, by its name or by hub and number."""

    kind: Literal["usb-port"] = "usb-port"
    contact: Literal["latching"] = Field(
        default="latching", description="a port stays as it was told"
    )
    name: str | None = Field(
        default=None,
        pattern=rf"^(?:{usb_ports.PORT})$",
        description="the kernel's name of the port, such as 1-1-port2 or usb1-port3",
    )
    hub: str | None = Field(
        default=None,
        pattern=rf"^(?:{usb_ports.HUB})$",
        description="instead of a name: the hub, such as 1-1 or usb1",
    )
    port: int | None = Field(default=None, ge=1, le=255, description="and its port")
    companion: str | None = Field(
        default=None,
        pattern=rf"^(?:none|{usb_ports.PORT})$",
        description="the port that shares the plug (USB 3); found by itself if left "
        'out, "none" for a plug without one',
    )
    root: Path = Field(
        default=LIVE_ROOT, description="the folder that holds bus/usb/devices/"
    )

    @model_validator(mode="after")
    def _is_one_port(self) -> Self:
        by_name = self.name is not None
        by_number = self.hub is not None and self.port is not None
        is_half = (self.hub is None) != (self.port is None)
        if by_name == by_number or is_half:
            raise ValueError("wanted is a name alone, or a hub and a port")
        return self

    @property
    def place(self) -> str:
        """The kernel's name of the port."""
        return self.name if self.name is not None else f"{self.hub}-port{self.port}"

    def target(self) -> Target:
        hub, number = usb_ports.parted(self.place)
        return Target(str(usb_ports.devices(self.root) / hub), str(number))


class UsbPortRelay(Relay):
    """One plug. Errors: Unavailable, Refused, Malformed; at open also Unsupported."""

    def __init__(
        self, settings: Settings, host: Host, *, show: Show = show, store: Store = store
    ) -> None:
        self._settings = settings
        self._show = show
        self._store = store
        self._worker = host.worker(f"usb-port:{settings.root}:{settings.place}")
        self._target = str(settings.target())
        self._plug: _Plug | None = None
        self._notes = Notes()

    @property
    def facts(self) -> RelayFacts:
        return RelayFacts(
            readback=Readback.LATCH,
            reopen_disturbs=False,
            latency_s=LATENCY_S,
            fails_on=False,
            cuts_data=True,
        )

    async def open(self) -> None:
        if self._plug is None:
            self._plug = await self._worker.call(self._opened)

    async def close(self) -> None:
        if self._plug is not None:
            self._plug.given_up = True
        self._plug = None

    async def set(self, supply: Supply) -> None:
        await self._worker.call(self._switch, self._held(), supply)

    async def get(self) -> Supply | None:
        return await self._worker.call(self._told, self._held())

    def take_notes(self) -> list[str]:
        return self._notes.take()

    def _held(self) -> _Plug:
        if self._plug is None:
            raise Unavailable(
                "the relay is not open", target=self._target, remedy="Open it first."
            )
        return self._plug

    # What follows runs in the worker's thread.

    def _opened(self) -> _Plug:
        first = self._folder(self._settings.place)
        halves, missing = [first], None
        companion = self._settings.companion or usb_ports.companion_of(first)
        if companion is None and usb_ports.is_superspeed(first):
            self._notes.add(
                f"{first.name} is the USB 3 half of a plug and the kernel knows no "
                "other half: name it as companion, or power may stay on"
            )
        if companion is not None and companion != "none":
            try:
                halves.append(self._folder(companion))
            except Unavailable:
                # Half a plug cannot cut the power; its own half can be turned on.
                missing = companion
                self._notes.add(f"{companion}, the companion, is not there: on only")
        # Power first to the USB 3 half, or a device may come up as a slower one.
        halves.sort(key=usb_ports.is_superspeed, reverse=True)
        plug = _Plug(halves, missing=missing)
        self._told(plug)  # what cannot be read back must not be written blindly
        return plug

    def _folder(self, name: str) -> Path:
        root = self._settings.root
        folder = usb_ports.folder_of(root, name)
        if folder is None:
            present = ", ".join(usb_ports.present(root)) or "none"
            raise Unavailable(
                f"there is no port {name}",
                target=self._target,
                remedy="Plug the hub into the place that it had. Ports there are now: "
                f"{present}.",
            )
        if not (folder / DISABLE).exists():
            raise Unsupported(
                f"the kernel offers no switch for port {name} (no file {DISABLE})",
                target=self._target,
                remedy="It needs Linux 6.0 or newer.",
            )
        return folder

    def _switch(self, plug: _Plug, supply: Supply) -> None:
        """Tell both halves and read both back; an off that fails half-way is undone."""
        if supply is Supply.ON:
            self._turn_on(plug.halves, plug)
        else:
            self._turn_off(plug)

    def _turn_on(self, halves: list[Path], plug: _Plug) -> None:
        """Give power to each half; one that fails keeps none from the other."""
        failed: BackendError | None = None
        for half in halves:
            try:
                self._write(plug, half, Supply.ON)
                self._check(half, Supply.ON)
            except BackendError as error:
                failed = failed or error
        if failed is not None:
            raise failed

    def _turn_off(self, plug: _Plug) -> None:
        if plug.missing is not None:
            raise Unavailable(
                f"{plug.missing}, which shares the plug, is not there",
                target=self._target,
                remedy="With one half off the power stays on. Plug the hub in again, "
                'or set companion = "none".',
            )
        told: list[Path] = []
        try:
            for half in self._idle_first(plug):
                told.append(half)  # a write that fails may have acted all the same
                self._write(plug, half, Supply.OFF)
            for half in plug.halves:
                self._check(half, Supply.OFF)
        except BackendError as error:
            try:
                self._turn_on(told, plug)
            except BackendError as undoing:
                self._notes.add(f"an off that failed is not undone: {undoing.what}")
            raise error

    def _check(self, half: Path, supply: Supply) -> None:
        if self._read(half) != _DISABLED[supply]:
            raise Refused(
                f"{half.name} was told {supply} and did not follow",
                target=self._target,
                remedy="This hub does not switch its ports: use one with power "
                "switching for each port, or a relay in the cable.",
            )

    def _idle_first(self, plug: _Plug) -> list[Path]:
        """Return the halves, the idle one first, or the device comes back on it."""
        return sorted(
            plug.halves, key=lambda half: usb_ports.child_of(half) is not None
        )

    def _told(self, plug: _Plug) -> Supply:
        """Return off only if no half has power left."""
        states = [self._read(half) for half in plug.halves]
        self._watch_load(plug)
        off = all(state == _DISABLED[Supply.OFF] for state in states)
        return Supply.OFF if off else Supply.ON

    def _watch_load(self, plug: _Plug) -> None:
        count = sum(map(usb_ports.over_currents, plug.halves))
        if count > plug.over_currents:
            self._notes.add(
                f"{self._settings.place} was overloaded, {count} times by now"
            )
        plug.over_currents = count

    def _write(self, plug: _Plug, half: Path, supply: Supply) -> None:
        if plug.given_up:
            raise Unavailable(
                "the relay was closed meanwhile",
                target=self._target,
                remedy="Open it anew.",
            )
        try:
            self._store(half / DISABLE, _DISABLED[supply])
        except OSError as error:
            raise self._failed(error, f"{half.name} {supply}") from error

    def _read(self, half: Path) -> str:
        try:
            state = self._show(half / DISABLE)
        except OSError as error:
            raise self._failed(error, f"reading {half.name}") from error
        if state not in _DISABLED.values():
            raise Malformed(
                f"{half.name} says {state[:40]!r} where 0 or 1 is due",
                target=self._target,
                remedy="See `dmesg`; the kernel may be at fault.",
            )
        return state

    def _failed(self, error: OSError, what: str) -> BackendError:
        return failure(
            error,
            what=what,
            target=self._target,
            permit="Let a udev rule give the service's group write access: "
            'SUBSYSTEM=="usb", DRIVER=="hub", RUN+="/bin/sh -c \'chgrp tidegate '
            "/sys%p/*-port*/disable; chmod g+w /sys%p/*-port*/disable'\".",
        )


class _Plug:
    """The halves of an open plug that are there; ``missing`` names one that is not.

    Once ``given_up`` nothing is written any more.
    """

    def __init__(self, halves: list[Path], *, missing: str | None) -> None:
        self.halves = halves
        self.missing = missing
        self.given_up = False
        self.over_currents = sum(map(usb_ports.over_currents, halves))


def survey_of(root: Path) -> Survey:
    """Return the survey of the hub ports under a root."""
    return survey_by(partial(usb_ports.in_reach, root), key=f"usb-port:{root}")


BACKEND = Backend(
    kind="usb-port",
    settings=Settings,
    make=UsbPortRelay,
    survey=survey_of(LIVE_ROOT),
)
