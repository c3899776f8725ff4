"""A program on a real pseudo-terminal, and what somebody would see on it.

The screen knows the few control functions that a program under test may use, after
ECMA-48, 5th edition, 8.3 (CUP, ED, EL, SGR), and xterm's private modes 25 and 1049;
another one fails the test. What wraps or scrolls on the alternate screen is counted anew
for each picture, which begins at home: one that was under way when the size changed says
nothing of the next. It shares no code with the program. Sizes: tty_ioctl(4), TIOCSWINSZ.
"""

from __future__ import annotations

import codecs
import fcntl
import os
import pty
import re
import struct
import subprocess
import termios
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from typing import Any

LIMIT_S = 30.0
_SEQUENCE = re.compile(r"\x1b\[(\??)([0-9;:]*)([A-Za-z])")


class Screen:
    """What is shown: ``lines``, of the alternate screen while that is on."""

    def __init__(self, columns: int, rows: int) -> None:
        self.columns, self.rows = columns, rows
        self.alternate = False
        self.cursor_shown = True
        self.is_coloured = False
        self.wrapped = self.scrolled = 0
        self.colours: set[str] = set()
        self._cells: dict[bool, dict[tuple[int, int], str]] = {False: {}, True: {}}
        self._row = self._column = 0
        self._rest = ""

    @property
    def lines(self) -> list[str]:
        cells = self._cells[self.alternate]
        found = [
            "".join(cells.get((row, column), " ") for column in range(self.columns))
            for row in range(self.rows)
        ]
        return [line.rstrip() for line in found]

    def resize(self, columns: int, rows: int) -> None:
        """Have another size, and be empty, as terminals differ in what they keep."""
        self.columns, self.rows = columns, rows
        self._cells[self.alternate].clear()
        self._row = self._column = 0

    def feed(self, text: str) -> None:
        text = self._rest + text
        place = 0
        while place < len(text):
            if text[place] != "\x1b":
                self._put(text[place])
                place += 1
                continue
            found = _SEQUENCE.match(text, place)
            if found is None:
                other = text.find("\x1b", place + 1)
                if other > 0:
                    place = other  # one that is broken off by the next is none
                    continue
                assert len(text) - place < 20, f"unknown: {text[place : place + 20]!r}"
                break  # its rest is still to come
            self._control(*found.groups())
            place = found.end()
        self._rest = text[place:]

    def _put(self, character: str) -> None:
        if character == "\r":
            self._column = 0
        elif character == "\n":
            if self._row == self.rows - 1:
                self.scrolled += self.alternate
                self._scroll()
            else:
                self._row += 1
        else:
            assert character.isprintable(), f"a control character: {character!r}"
            if self._column >= self.columns:
                self.wrapped += self.alternate
                self._put("\r")
                self._put("\n")
            self._cells[self.alternate][self._row, self._column] = character
            self._column += 1

    def _scroll(self) -> None:
        cells = self._cells[self.alternate]
        moved = {(row - 1, column): each for (row, column), each in cells.items()}
        cells.clear()
        cells.update({at: each for at, each in moved.items() if at[0] >= 0})

    def _control(self, private: str, numbers: str, final: str) -> None:
        if private:
            assert final in "hl", f"unknown: ?{numbers}{final}"
            if numbers == "1049":
                self.alternate = final == "h"
                self._cells[True].clear()
            elif numbers == "25":
                self.cursor_shown = final == "h"
            else:
                raise AssertionError(f"unknown: ?{numbers}{final}")
        elif final == "m":
            self.is_coloured = numbers not in ("", "0", "39")
            self.colours |= {numbers} if self.is_coloured else set()
        elif final == "H" and numbers == "":
            self._row = self._column = 0
            self.wrapped = self.scrolled = 0
        elif final in "KJ" and numbers == "":
            self._erase(below=final == "J")
        else:
            raise AssertionError(f"unknown: {numbers}{final}")

    def _erase(self, *, below: bool) -> None:
        """Erase from the cursor on; one beyond the last column stands on it."""
        column = min(self._column, self.columns - 1)
        cells = self._cells[self.alternate]
        for at in list(cells):
            if (at[0] == self._row and at[1] >= column) or (
                below and at[0] > self._row
            ):
                del cells[at]


class Terminal:
    """A program that has a pseudo-terminal of its own; use it in a ``with``."""

    def __init__(
        self,
        words: Sequence[str],
        *,
        environment: Mapping[str, str],
        columns: int = 80,
        rows: int = 24,
    ) -> None:
        self.master, slave = pty.openpty()
        self.screen = Screen(columns, rows)
        self.raw = b""
        self.failed: BaseException | None = None
        self._set_size(columns, rows)
        self.modes_before = termios.tcgetattr(slave)
        self.process = subprocess.Popen(
            words,
            stdin=slave,
            stdout=slave,
            stderr=slave,
            env=dict(environment),
            start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
        )
        self._slave = slave  # kept, so that its modes can be looked at afterwards
        self._lock = threading.Lock()
        self._decoder = codecs.getincrementaldecoder("utf-8")()
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def __enter__(self) -> Terminal:
        return self

    def __exit__(self, *_: object) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait(LIMIT_S)
        for descriptor in (self._slave, self.master):
            if descriptor >= 0:
                os.close(descriptor)
        self._thread.join(LIMIT_S)
        if self.failed is not None:
            raise self.failed

    def _read(self) -> None:
        try:
            while data := os.read(self.master, 65_536):
                with self._lock:
                    self.raw += data
                    self.screen.feed(self._decoder.decode(data))
        except OSError:
            pass  # pty(7): nobody holds the other end any more
        except BaseException as error:  # noqa: BLE001 - raised again at the end
            self.failed = error

    def _set_size(self, columns: int, rows: int) -> None:
        size = struct.pack("HHHH", rows, columns, 0, 0)
        fcntl.ioctl(self.master, termios.TIOCSWINSZ, size)

    def resize(self, columns: int, rows: int) -> None:
        """Change the size; the kernel tells the program so with SIGWINCH."""
        with self._lock:
            self.screen.resize(columns, rows)
            self._set_size(columns, rows)

    def press(self, keys: bytes) -> None:
        os.write(self.master, keys)

    @property
    def modes(self) -> list[Any]:
        return termios.tcgetattr(self._slave)

    @property
    def lines(self) -> list[str]:
        with self._lock:
            return self.screen.lines

    def until(self, holds: Callable[[list[str]], bool], what: str) -> list[str]:
        """Wait until the lines that are seen are as wanted; return them."""
        end_s = time.monotonic() + LIMIT_S
        tick = threading.Event()
        while not holds(lines := self.lines):
            if self.failed is not None:
                raise self.failed
            shown = "\n".join(lines)
            assert time.monotonic() < end_s, f"not seen: {what}\n{shown}"
            tick.wait(0.05)
        return lines

    def wait(self) -> int:
        return self.process.wait(LIMIT_S)
