"""A program as a relay: one command for on, one for off, perhaps one that tells.

``on`` and ``off`` mean the supply, whatever the program does to bring it about; exit
0 is done, anything else is a refusal told in the first line of stderr. ``read``
prints ``on`` or ``off``.

A program runs in a session of its own. It is killed with all its children at its
limit, when the call is cancelled and when the relay is closed; what it leaves behind
when it ends is killed too: a late "off" must not land after an "on".
"""

from __future__ import annotations

import hashlib
from typing import Annotated, Final, Literal

from pydantic import Field, StringConstraints

from tidegate.contract import (
    Backend,
    Host,
    Readback,
    Relay,
    RelayFacts,
    RelaySettings,
    Target,
)
from tidegate.core.reading import Supply
from tidegate.errors import Malformed, Refused, Unavailable, Unsupported
from tidegate_backends.programs import Ended, Programs
from tidegate_backends.seconds import Seconds

# Engineering choice, no source: a small program on a busy single-board computer.
LATENCY_S: Final = 1.0
# More than this of what a program prints is read and thrown away.
KEPT_BYTES: Final = 4096

Argument = Annotated[str, StringConstraints(pattern=r"^[^\x00]*$")]
Command = Annotated[tuple[Argument, ...], Field(min_length=1)]


class Settings(RelaySettings):
    """Argument lists; no shell is involved."""

    kind: Literal["command"] = "command"
    on: Command = Field(description="turns the supply on")
    off: Command = Field(description="turns the supply off")
    read: Command | None = Field(default=None, description="prints on or off")
    limit: Annotated[Seconds, Field(gt=0, le=60)] = Field(
        default=10.0, description="a program that runs longer is killed"
    )

    def target(self) -> Target:
        # The same program with the same arguments moves the same contact.
        digest = hashlib.sha256("\0".join(self.on).encode()).hexdigest()
        return Target(f"command:{digest[:16]}")


class CommandRelay(Relay):
    """Runs one program a call. Errors: Refused, Unavailable, Malformed, Unsupported."""

    def __init__(self, settings: Settings, host: Host) -> None:
        self._settings = settings
        self._programs = Programs()
        self._is_open = False

    @property
    def facts(self) -> RelayFacts:
        return RelayFacts(
            readback=Readback.LATCH if self._settings.read else Readback.NONE,
            reopen_disturbs=False,
            latency_s=LATENCY_S,
            # A little more, so that our own words about the limit come first.
            answers_within_s=self._settings.limit + 0.5,
            fails_on=self._settings.contact == "normally-closed",
        )

    async def open(self) -> None:
        wanted = (self._settings.on, self._settings.off, self._settings.read)
        for command in wanted:
            if command is not None and not await self._programs.found(command[0]):
                raise _not_runnable(command)
        self._is_open = True

    async def close(self) -> None:
        self._is_open = False
        await self._programs.end()

    async def set(self, supply: Supply) -> None:
        on = supply is Supply.ON
        await self._run(self._settings.on if on else self._settings.off)

    async def get(self) -> Supply | None:
        if self._settings.read is None:
            self._check_open(self._settings.on)
            return None
        told = (await self._run(self._settings.read)).strip()
        try:
            return Supply(told.lower())
        except ValueError as error:
            raise Malformed(
                f"printed {told[:40]!r} where on or off was expected",
                target=self._settings.read[0],
                remedy="Make the program print one word: on or off.",
            ) from error

    async def _run(self, command: Command) -> str:
        """Return what the program prints, once it ended well."""
        self._check_open(command)
        try:
            program = self._programs.begin(command, kept_bytes=KEPT_BYTES)
            ended = await program.ended(self._settings.limit)
        except TimeoutError as error:
            raise Unavailable(
                f"the program did not end within {self._settings.limit:g} s",
                target=command[0],
                remedy="Run it by hand to see what it waits for.",
            ) from error
        except (FileNotFoundError, PermissionError) as error:
            raise _not_runnable(command) from error
        except OSError as error:
            # No memory, no process slots, or a file that is no program for this machine.
            raise Unavailable(
                f"the program does not start ({error.strerror})",
                target=command[0],
                remedy="Run it by hand as the user of this service.",
            ) from error
        _judge(command, ended)
        return ended.out.decode(errors="replace")

    def _check_open(self, command: Command) -> None:
        if not self._is_open:
            raise Unavailable(
                "the relay is not open", target=command[0], remedy="Open it first."
            )


def _judge(command: Command, ended: Ended) -> None:
    """Raise what the program's exit code means, if it is not 0."""
    if ended.code == 0:
        return
    said = ended.said or "nothing on stderr"
    if ended.code < 0:
        raise Unavailable(
            f"the program was ended by signal {-ended.code} ({said})",
            target=command[0],
            remedy="Run it by hand to see why it ends.",
        )
    raise Refused(
        f"exit {ended.code}: {said}",
        target=command[0],
        remedy="Run the program by hand as the user of this service; under systemd it "
        "may need the drop-in command.conf.",
    )


def _not_runnable(command: Command) -> Unsupported:
    return Unsupported(
        "there is no such program that may be run",
        target=command[0],
        remedy="Give its full path in the settings and make it executable.",
    )


BACKEND = Backend(kind="command", settings=Settings, make=CommandRelay)
