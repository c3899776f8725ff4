"""A line of a GPIO chip of this machine, driving a contact.

The line is held as long as the relay is open, and is driven for supply on from the
first moment. What it does once nobody holds it, after a crash too, is up to the
chip's driver: many leave it as it was until ``restore`` or the next start. So only
the wiring makes the supply come back when the machine loses its power.

The line can be read back: what the chip drives, not what the contact does.

Source: the lines, as in ``linux/gpio_lines.py``.
"""

from __future__ import annotations

import asyncio
import errno
import os
from collections.abc import AsyncIterator, Callable
from contextlib import suppress
from typing import Annotated, Final, Literal, Protocol, TypeVar

from pydantic import BeforeValidator, Field

from tidegate.contract import (
    Backend,
    Found,
    Host,
    Readback,
    Relay,
    RelayFacts,
    RelaySettings,
    Target,
    Worker,
    energised,
    supply_of,
)
from tidegate.core.reading import Supply
from tidegate.errors import BackendError, Busy, Unavailable, Unsupported
from tidegate_backends.linux import gpio_lines, gpio_survey
from tidegate_backends.linux.gpio_lines import DriveName, HeldLine, Wanted

T = TypeVar("T")

# From the line to the settled contact: engineering choice, no source.
LATENCY_S: Final = 0.1


def _name_or_offset(value: object) -> object:
    is_offset = isinstance(value, int) and not isinstance(value, bool) and value >= 0
    if is_offset or (isinstance(value, str) and value):
        return value
    raise ValueError(
        "allowed is the name of a line, or its offset in the chip, counted from 0"
    )


Line = Annotated[int | str, BeforeValidator(_name_or_offset)]


class Settings(RelaySettings):
    """One line of a chip."""

    kind: Literal["gpio"] = "gpio"
    chip: str = Field(
        pattern=r"^(/[^\x00]+|[^/\x00]+)$",
        description="label of the chip, or its path; paths may change with a kernel",
    )
    line: Line = Field(description="name of the line, or its offset in the chip")
    active_low: bool = Field(
        default=False, description="the coil is driven when the line is low"
    )
    drive: DriveName = Field(
        default="push-pull", description="open-drain for inputs with a pull-up of 5 V"
    )

    def target(self) -> Target:
        is_path = self.chip.startswith("/")
        link = os.path.normpath(self.chip) if is_path else f"gpio:{self.chip}"
        return Target(link, str(self.line))


class Hold(Protocol):
    """Takes a line as an output; see ``gpio_lines.hold``."""

    def __call__(self, wanted: Wanted, *, driven: bool) -> HeldLine: ...


class GpioRelay(Relay):
    """One line. Errors: Unavailable; at open also Busy and Unsupported."""

    def __init__(
        self, settings: Settings, host: Host, *, hold: Hold = gpio_lines.hold
    ) -> None:
        self._settings = settings
        self._host = host
        self._hold = hold
        self._target = str(settings.target())
        self._key = f"gpio:{settings.target().link}"
        self._line: HeldLine | None = None

    @property
    def facts(self) -> RelayFacts:
        return RelayFacts(
            readback=Readback.LATCH,
            reopen_disturbs=True,
            latency_s=LATENCY_S,
            fails_on=self._settings.contact == "normally-closed",
        )

    async def open(self) -> None:
        if self._line is not None:
            return
        taken = _Taken(self._hold)
        try:
            self._line = await self._worker().call(
                self._translated, taken.take, self._wanted(), self._driven(Supply.ON)
            )
        except BaseException:
            # Cancelled half-way, the thread may yet take the line: give it back.
            taken.is_wanted = False
            await self._given_back(taken.release)
            raise

    async def close(self) -> None:
        line, self._line = self._line, None
        if line is not None:
            await self._given_back(_release, line)

    async def set(self, supply: Supply) -> None:
        line = self._opened()
        await self._worker().call(
            self._translated, lambda: line.put(driven=self._driven(supply))
        )

    async def get(self) -> Supply | None:
        line = self._opened()
        is_driven = await self._worker().call(self._translated, line.told)
        return supply_of(is_driven, self._settings.contact)

    async def _given_back(self, release: Callable[..., None], *args: object) -> None:
        """Let the thread give the line back, also when nobody waits for it any more.

        A line that is kept could not be taken again. A thread that is closed ends with
        the process, and then the kernel takes the line back.
        """
        releasing = asyncio.ensure_future(self._worker().call(release, *args))
        with suppress(BackendError):
            await asyncio.shield(releasing)

    def _driven(self, supply: Supply) -> bool:
        return energised(supply, self._settings.contact)

    def _wanted(self) -> Wanted:
        return Wanted(
            chip=self._settings.chip,
            line=self._settings.line,
            active_low=self._settings.active_low,
            drive=self._settings.drive,
        )

    def _worker(self) -> Worker:
        # A chip behind a bus answers one at a time, and may block.
        return self._host.worker(self._key)

    def _opened(self) -> HeldLine:
        if self._line is None:
            raise Unavailable(
                "the relay is not open", target=self._target, remedy="Open it first."
            )
        return self._line

    def _translated(self, function: Callable[..., T], *args: object) -> T:
        """Return what a call yields that may throw the kernel's errors."""
        try:
            return function(*args)
        except OSError as error:
            raise _meant(error, self._target) from error


class _Taken:
    """A line on its way to a relay, or back if the relay does not want it any more."""

    def __init__(self, hold: Hold) -> None:
        self.is_wanted = True
        self._hold = hold
        self._line: HeldLine | None = None

    def take(self, wanted: Wanted, driven: bool) -> HeldLine:
        line = self._line = self._hold(wanted, driven=driven)
        if not self.is_wanted:
            self.release()
        return line

    def release(self) -> None:
        line, self._line = self._line, None
        if line is not None:
            _release(line)


def _release(line: HeldLine) -> None:
    try:
        line.release()
    except OSError:
        return  # the chip is gone, and the line with it


def _meant(error: OSError, target: str) -> BackendError:
    """Return what an error of the kernel means to a person."""
    reason = error.strerror or str(error)
    if error.errno == errno.EBUSY:
        return Busy(
            "another program, or the kernel, holds the line",
            target=target,
            remedy="`tidegate find` says who; choose another line, or end the other.",
        )
    if error.errno in (errno.EACCES, errno.EPERM):
        return Unavailable(
            "no permission to use the chip",
            target=target,
            remedy="Add the user of this program to the chip's group (`gpio` on many "
            "systems), or give it one by a udev rule, and start it anew.",
        )
    if error.errno in (errno.ENOTTY, errno.EINVAL):
        return Unsupported(
            f"the chip cannot do this ({reason})",
            target=target,
            remedy="Name a GPIO chip, and a line that can be an output.",
        )
    return Unavailable(
        f"the chip does not answer ({reason})",
        target=target,
        remedy="Check that it is there (`tidegate find`); plug it in again if it is a "
        "board of its own. A service needs the drop-in gpio.conf.",
    )


async def survey(host: Host, _probe: str | None) -> AsyncIterator[Found]:
    """Look for free lines; a probe would move one, so there is none."""
    chips = await host.worker("gpio:survey").call(gpio_lines.chips)
    for found in gpio_survey.lines(chips):
        yield found


BACKEND = Backend(
    kind="gpio", settings=Settings, make=GpioRelay, extra="gpio", survey=survey
)
