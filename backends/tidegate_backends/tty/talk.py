"""A talk with a board that takes lines of text, over an open serial port.

Runs in the link's thread. Errors that are not yet a person's: ``TextError`` and
``Declined`` of ``wire/text_templates.py``, ``Silent`` and ``OtherState``; those of the
port come as ``SerialPort.watched`` translates them.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import TYPE_CHECKING, Final

from tidegate_backends.tty.outcome import OtherState, Silent
from tidegate_backends.tty.port import SerialPort
from tidegate_backends.wire import text_templates as text
from tidegate_backends.wire.text_templates import Dialect

if TYPE_CHECKING:
    import serial

# Errors that others left in a queue; an instrument that has more is asked no longer.
ERRORS_AT_MOST: Final = 8


class Talk:
    """What is said to one channel; ``target`` is for errors of the port."""

    def __init__(
        self,
        dialect: Dialect,
        *,
        channel: str,
        limit_s: float,
        target: str,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._dialect = dialect
        self._channel = channel
        self._limit_s = limit_s
        self._target = target
        self._clock = clock

    def blurt(self, port: SerialPort, *, is_driven: bool) -> None:
        """Command the coil and await nothing."""
        with self._line(port) as line:
            port.send(line, self._bytes(self._command(is_driven=is_driven)))

    def command(self, port: SerialPort, *, is_driven: bool) -> None:
        """Command the coil; return when the board confirms it in every way it can.

        Errors: TextError, Declined, Silent, OtherState.
        """
        awaited = 1 if self._dialect.acknowledged else 0
        command = self._command(is_driven=is_driven)
        lines = self._exchange(port, command, lines=awaited)
        text.acknowledge(lines, self._dialect)
        errors = self.errors(port)
        if not self._dialect.query:
            if errors:
                raise text.Declined(f"it said {errors[0]}")
        elif self.ask(port) != is_driven:
            told = "off" if is_driven else "on"
            said = f", with the error {errors[0]}" if errors else ""
            raise OtherState(f"reports its coil {told}{said}")
        # It obeyed: an error in its queue belongs to somebody else.

    def ask(self, port: SerialPort) -> bool:
        """Return whether the coil is driven. Errors: TextError, Declined, Silent."""
        query = text.rendered(self._dialect.query, self._channel)
        return text.state(self._exchange(port, query, lines=1), self._dialect)

    def errors(self, port: SerialPort) -> list[str]:
        """Return the errors that the board has queued, which it then forgets.

        Errors: TextError, Silent.
        """
        found: list[str] = []
        sent = text.rendered(self._dialect.errors, self._channel)
        while sent and len(found) < ERRORS_AT_MOST:
            lines = self._exchange(port, sent, lines=1)
            error = text.oldest_error(lines, self._dialect)
            if error is None:
                break
            found.append(error)
        return found

    def _exchange(self, port: SerialPort, sent: str, *, lines: int) -> list[str]:
        """Return the lines that come back to one of ours. Errors: TextError, Silent."""
        awaits_any = lines > 0 or self._dialect.echo or bool(self._dialect.prompt)
        with self._line(port) as line:
            port.send(line, self._bytes(sent))
            data = self._read(line, sent, lines) if awaits_any else b""
        if not data and awaits_any:
            port.rest(self._limit_s)
            raise Silent
        try:
            return text.answer(data, self._dialect, sent=sent)
        except text.TextError:
            port.rest(self._limit_s)
            raise

    def _read(self, line: serial.Serial, sent: str, lines: int) -> bytes:
        """Return what comes until it is whole, too much, or late."""
        data = b""
        end_s = self._clock() + self._limit_s
        while len(data) <= text.AT_MOST and self._clock() < end_s:
            got = line.read(1)
            if not got:
                break
            data += got + line.read(min(line.in_waiting, text.AT_MOST))
            if text.is_whole(data, self._dialect, sent=sent, lines=lines):
                break
        return data

    def _line(self, port: SerialPort) -> AbstractContextManager[serial.Serial]:
        return port.watched(limit_s=self._limit_s, target=self._target)

    def _command(self, *, is_driven: bool) -> str:
        template = self._dialect.coil_on if is_driven else self._dialect.coil_off
        return text.rendered(template, self._channel)

    def _bytes(self, sent: str) -> bytes:
        return (sent + self._dialect.line_end).encode("ascii")
