"""A relay board, or an instrument, that takes lines of text on a serial port.

What is sent and what comes back is a ``protocol`` known by name, or templates of the
operator's, or both: a template goes before the protocol's own. ``coil_on`` drives the
coil; whether that is supply on or off follows from ``contact``. Nothing that resets,
toggles or moves all contacts is ever sent: the settings refuse it.

A board with a ``query`` is asked for its state at open and after each command: what
its latch holds, not what the supply does. If it does not answer at open it is
commanded blindly, so that "on" stays possible. A board that acknowledges, or sends
our text back, is believed to have heard. Stations on one board share its port
(``tty.share``).

Source: the protocols, as in ``wire/text_templates.py``.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from typing import Annotated, Any, Final, Literal, Self, TypeVar

from pydantic import BeforeValidator, Field, WithJsonSchema, model_validator

from tidegate.contract import (
    Backend,
    Host,
    Readback,
    Relay,
    RelayFacts,
    RelaySettings,
    Target,
    energised,
    supply_of,
)
from tidegate.core.reading import Supply
from tidegate.errors import Malformed, Refused
from tidegate_backends.notes import Notes
from tidegate_backends.seconds import Seconds
from tidegate_backends.tty.outcome import (
    Silent,
    told_plainly,
    tried_twice,
)
from tidegate_backends.tty.port import SerialPort
from tidegate_backends.tty.share import LATENCY_S, Port, PortShare, port_target
from tidegate_backends.tty.talk import Talk
from tidegate_backends.wire import text_templates as text
from tidegate_backends.wire.text_templates import PROTOCOLS, Dialect

T = TypeVar("T")

USE: Final = "lines of text"
_OVERRIDES: Final = (
    "coil_on",
    "coil_off",
    "query",
    "says_on",
    "says_off",
    "acknowledged",
    "refused",
    "errors",
    "no_error",
    "line_end",
    "prompt",
    "echo",
)


def _as_text(value: object) -> object:
    is_number = isinstance(value, int) and not isinstance(value, bool)
    return str(value) if is_number else value


# No list and no range: that would be the contacts of several stations.
_CHANNEL: Final = r"^[0-9A-Za-z!.]{0,12}$"
Channel = Annotated[
    str,
    BeforeValidator(_as_text),
    Field(pattern=_CHANNEL),
    WithJsonSchema({"type": ["string", "integer"], "pattern": _CHANNEL}),
]
Template = Annotated[str, Field(max_length=80)]
Pattern = Annotated[str, Field(max_length=80)]


class Settings(RelaySettings):
    """One channel of a board that takes text."""

    kind: Literal["serial-text"] = "serial-text"
    port: Port
    channel: Channel = Field(default="", description="put in the place of {channel}")
    baud: int = Field(default=9600, gt=0, description="8 data bits, no parity, 1 stop")
    protocol: Literal["ascii-relay", "at-relay", "scpi-route", "scpi-output"] | None = (
        Field(default=None, description="fills in what the keys below do not say")
    )
    coil_on: Template | None = Field(default=None, description="drives the coil")
    coil_off: Template | None = Field(default=None, description="releases the coil")
    query: Template | None = Field(default=None, description="asks for the coil")
    says_on: Pattern | None = Field(default=None, description="a line: it is driven")
    says_off: Pattern | None = Field(default=None, description="a line: it is not")
    acknowledged: Pattern | None = Field(
        default=None, description="the line that every command must be answered with"
    )
    refused: Pattern | None = Field(default=None, description="a line that means no")
    errors: Template | None = Field(
        default=None, description="asks for the oldest error"
    )
    no_error: Pattern | None = Field(
        default=None, description="the line of an empty error queue"
    )
    line_end: Literal["", "\r", "\n", "\r\n"] | None = Field(
        default=None, description='"\\r" unless the protocol says otherwise'
    )
    prompt: Annotated[str, Field(max_length=16)] | None = Field(
        default=None, description="what the board shows when it is ready"
    )
    echo: bool | None = Field(
        default=None, description="our own text must come back before anything else"
    )
    limit: Annotated[Seconds, Field(gt=0, le=1)] = Field(
        default=0.5, description="how long to wait for an answer"
    )
    # As for boards that take frames: common practice, no source.
    pause: Annotated[Seconds, Field(ge=0, le=0.5)] = Field(
        default=0.06, description="rest between two lines on one port"
    )

    @model_validator(mode="after")
    def _can_be_spoken(self) -> Self:
        dialect = self.dialect()
        text.check(dialect)
        missing = not self.channel and not dialect.channel_may_be_missing
        if missing and text.uses_channel(dialect):
            raise ValueError("channel is missing: it stands for {channel}")
        if self.protocol == "scpi-output" and self.contact == "normally-closed":
            raise ValueError(
                "an output is on when it is told on: protocol scpi-output wants "
                'contact = "normally-open" (lost with its power) or "latching"'
            )
        return self

    def target(self) -> Target:
        return port_target(self.port, self.channel)

    def dialect(self) -> Dialect:
        """Return how the board talks: the protocol, with what the keys say instead."""
        given: dict[str, Any] = {
            name: getattr(self, name)
            for name in _OVERRIDES
            if getattr(self, name) is not None
        }
        known = (
            PROTOCOLS[self.protocol]
            if self.protocol
            else Dialect(coil_on="", coil_off="")
        )
        return replace(known, **given)


class SerialTextRelay(Relay):
    """One channel.

    Errors: Unavailable, Refused, Malformed; at open also Busy and Unsupported.
    """

    def __init__(
        self,
        settings: Settings,
        host: Host,
        *,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._settings = settings
        self._dialect = settings.dialect()
        self._clock = clock
        self._sleep = sleep
        self._target = str(settings.target())
        self._talk = Talk(
            self._dialect,
            channel=settings.channel,
            limit_s=settings.limit,
            target=self._target,
            clock=clock,
        )
        self._share = PortShare(host, settings.target(), self._new_port)
        self._answers = False
        self._notes = Notes()

    @property
    def facts(self) -> RelayFacts:
        answer_s = self._settings.limit + self._settings.pause
        return RelayFacts(
            readback=self._readback(),
            reopen_disturbs=True,
            latency_s=LATENCY_S,
            # A command, an error, a state, each perhaps asked twice.
            answers_within_s=max(5.0, 8 * answer_s + 1.0),
            fails_on=self._settings.contact == "normally-closed",
        )

    def take_notes(self) -> list[str]:
        return self._notes.take()

    async def open(self) -> None:
        if not self._share.is_taken:
            self._answers = await self._share.take(self._probe)

    async def close(self) -> None:
        self._answers = False
        await self._share.give_back()

    async def set(self, supply: Supply) -> None:
        await self._share.call(self._switch, supply)

    async def get(self) -> Supply | None:
        self._share.check()
        if self._readback() < Readback.LATCH:
            return None
        is_driven = await self._share.call(self._asked)
        return supply_of(is_driven, self._settings.contact)

    def _readback(self) -> Readback:
        if not self._answers:
            return Readback.NONE
        if self._dialect.query:
            return Readback.LATCH
        heard = self._dialect.echo or self._dialect.acknowledged
        return Readback.ECHO if heard else Readback.NONE

    def _new_port(self) -> SerialPort:
        return SerialPort(
            self._settings.port,
            baud=self._settings.baud,
            pause_s=self._settings.pause,
            use=USE,
            clock=self._clock,
            sleep=self._sleep,
        )

    # What follows runs in the link's thread.

    def _probe(self, port: SerialPort) -> bool:
        """Return whether the board answers what may be asked without moving it.

        Anything but a clean answer means blind writing, so that "on" stays possible
        on a board that is hard to understand. Asked twice, for the grade will stick.
        """
        if not (self._dialect.query or self._dialect.errors):
            return True
        said, silent = "it was silent to others too", True
        for _ in range(port.tries):
            try:
                if errors := self._talk.errors(port):
                    self._notes.add(f"Errors were waiting: {'; '.join(errors)}.")
                if self._dialect.query:
                    self._talk.ask(port)
            except Silent:
                said = "it is silent"
            except (text.TextError, text.Declined) as error:
                said, silent = str(error), False
            else:
                port.was_asked(answered=True)
                return True
        port.was_asked(answered=not silent)
        self._notes.add(
            f"The board does not answer as its settings say ({said}) and is commanded "
            "blindly. Check protocol, channel, baud and line_end."
        )
        return False

    def _switch(self, port: SerialPort, supply: Supply) -> None:
        is_driven = energised(supply, self._settings.contact)
        if self._answers:
            self._twice(lambda: self._talk.command(port, is_driven=is_driven))
        else:
            self._talk.blurt(port, is_driven=is_driven)

    def _asked(self, port: SerialPort) -> bool:
        return self._twice(lambda: self._talk.ask(port))

    def _twice(self, attempt: Callable[[], T]) -> T:
        with told_plainly(self._target, limit_s=self._settings.limit):
            try:
                return tried_twice(attempt, spoiled=text.TextError)
            except text.Declined as declined:
                raise Refused(
                    f"the board refuses: {declined}",
                    target=self._target,
                    remedy="Check the templates and the channel against its manual.",
                ) from declined
            except text.TextError as error:
                raise Malformed(
                    f"two answers in a row are not those of its protocol ({error})",
                    target=self._target,
                    remedy="Check protocol, baud and line_end, and that nothing else "
                    "uses the port.",
                ) from error


BACKEND = Backend(
    kind="serial-text", settings=Settings, make=SerialTextRelay, extra="serial"
)
