"""A relay board that takes four-byte frames on a serial port.

At open the board is asked for the state of the channel. A board that answers is
commanded with the answered operations, and its latch can be read back; one that
sends our own bytes back is believed to have heard; any other is written to blindly.
The latch tells what the coil was told, never whether the supply followed.

Opening the port may make a board move its contacts (``tty.port``), so the stations
on one board share it: one link, one thread, one call at a time. A channel that does
not answer leaves the port open for the others.

Source: the frames, as in ``wire/four_byte.py``.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Annotated, Final, Literal

from pydantic import Field

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
from tidegate.errors import Malformed
from tidegate_backends.seconds import Seconds
from tidegate_backends.tty.outcome import (
    OtherState,
    Silent,
    told_plainly,
    tried_twice,
)
from tidegate_backends.tty.port import SerialPort
from tidegate_backends.tty.share import LATENCY_S, Port, PortShare, port_target
from tidegate_backends.tty.survey import survey
from tidegate_backends.wire import four_byte
from tidegate_backends.wire.four_byte import LENGTH, Op

USE: Final = "four-byte frames"

_PLAIN: Final = {False: Op.OFF, True: Op.ON}
_ANSWERED: Final = {False: Op.OFF_ANSWERED, True: Op.ON_ANSWERED}
_WORD: Final = {False: "released", True: "driven"}


class Settings(RelaySettings):
    """One channel of a board on a serial port."""

    kind: Literal["serial-frame"] = "serial-frame"
    port: Port
    channel: int = Field(
        default=1, ge=four_byte.FIRST_CHANNEL, le=four_byte.LAST_CHANNEL
    )
    baud: int = Field(default=9600, gt=0, description="8 data bits, no parity, 1 stop")
    limit: Annotated[Seconds, Field(gt=0, le=1)] = Field(
        default=0.5, description="how long to wait for an answer"
    )
    # Public programs for these boards rest 50 to 100 ms between frames.
    pause: Annotated[Seconds, Field(ge=0, le=0.5)] = Field(
        default=0.06, description="rest between two frames on one port"
    )

    def target(self) -> Target:
        return port_target(self.port, str(self.channel))


class SerialFrameRelay(Relay):
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
        self._clock = clock
        self._sleep = sleep
        self._target = str(settings.target())
        self._share = PortShare(host, settings.target(), self._new_port)
        self._readback = Readback.NONE

    @property
    def facts(self) -> RelayFacts:
        answer_s = self._settings.limit + self._settings.pause
        return RelayFacts(
            readback=self._readback,
            reopen_disturbs=True,
            latency_s=LATENCY_S,
            answers_within_s=max(5.0, 2 * answer_s + 1.0),
            fails_on=self._settings.contact == "normally-closed",
        )

    async def open(self) -> None:
        if not self._share.is_taken:
            self._readback = await self._share.take(self._probe)

    async def close(self) -> None:
        self._readback = Readback.NONE
        await self._share.give_back()

    async def set(self, supply: Supply) -> None:
        await self._share.call(self._switch, supply)

    async def get(self) -> Supply | None:
        self._share.check()
        if self._readback < Readback.LATCH:
            return None
        driven = await self._share.call(self._query)
        return supply_of(driven, self._settings.contact)

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

    def _probe(self, port: SerialPort) -> Readback:
        """Return what the board can tell about itself.

        Anything but a clean answer means blind writing, so that "on" stays possible
        on a board that is hard to understand. Asked twice, for the grade will stick.
        """
        grade, answered = Readback.NONE, False
        for _ in range(port.tries):
            try:
                self._ask(port, Op.QUERY)
                grade = Readback.LATCH
            except four_byte.Echo:
                grade = Readback.ECHO
            except four_byte.FrameError:
                answered = True
            except Silent:
                continue
            if grade is not Readback.NONE:
                break
        port.was_asked(answered=answered or grade is not Readback.NONE)
        return grade

    def _switch(self, port: SerialPort, supply: Supply) -> None:
        driven = energised(supply, self._settings.contact)
        if self._readback is Readback.LATCH:
            self._twice(lambda: self._confirmed(port, driven))
        elif self._readback is Readback.ECHO:
            self._twice(lambda: self._echoed(port, _PLAIN[driven]))
        else:
            with port.watched(limit_s=self._settings.limit, target=self._target) as s:
                port.send(s, self._frame(_PLAIN[driven]))

    def _query(self, port: SerialPort) -> bool:
        return self._twice(lambda: self._ask(port, Op.QUERY))

    def _ask(self, port: SerialPort, op: Op) -> bool:
        """Return the coil from the answer. Errors: FrameError, Silent."""
        request = self._frame(op)
        answer = self._exchange(port, request)
        return four_byte.state(answer, asked=request)

    def _confirmed(self, port: SerialPort, driven: bool) -> bool:
        told = self._ask(port, _ANSWERED[driven])
        if told != driven:
            raise OtherState(f"was told {_WORD[driven]} and reports {_WORD[told]}")
        return told

    def _echoed(self, port: SerialPort, op: Op) -> bool:
        request = self._frame(op)
        answer = self._exchange(port, request)
        if answer != request:
            raise four_byte.Garbled(f"not what was sent came back: {answer.hex(' ')}")
        return True

    def _exchange(self, port: SerialPort, request: bytes) -> bytes:
        """Return all that comes back to one request. Errors: Silent."""
        with port.watched(limit_s=self._settings.limit, target=self._target) as line:
            port.send(line, request)
            answer = line.read(LENGTH)
            if answer == request and request[2] not in _PLAIN.values():
                # A line that echoes brings the answer after the echo, or none.
                answer = line.read(LENGTH) or answer
            # Bytes beyond a frame mean that this one may be an old one: refused.
            answer += line.read(line.in_waiting)
        if not answer:
            raise Silent
        return answer

    def _frame(self, op: Op) -> bytes:
        return four_byte.encode(self._settings.channel, op)

    def _twice(self, attempt: Callable[[], bool]) -> bool:
        settings = self._settings
        with told_plainly(self._target, limit_s=settings.limit):
            try:
                return tried_twice(attempt, spoiled=four_byte.FrameError)
            except four_byte.FrameError as error:
                raise Malformed(
                    "two answers in a row are not those of a four-byte board "
                    f"({error})",
                    target=self._target,
                    remedy="Check baud and channel, and that nothing else uses the "
                    "port.",
                ) from error


BACKEND = Backend(
    kind="serial-frame",
    settings=Settings,
    make=SerialFrameRelay,
    extra="serial",
    survey=survey,
)
