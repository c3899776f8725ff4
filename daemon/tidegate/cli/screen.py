"""A terminal that shows one picture after another, and is left as it was found.

Source: ECMA-48, 5th edition, 8.3 (CUP, ED, EL, SGR); xterm's control sequences, DEC
private modes 25 (cursor) and 1049 (alternate screen); termios(3).
"""

from __future__ import annotations

import os
import shutil
import termios
import textwrap
import unicodedata
from collections.abc import Mapping, Sequence
from contextlib import suppress
from types import TracebackType
from typing import Any, Final, Self, TextIO

from tidegate.report.blocks import Ink, Style

_ENTER: Final = "\x1b[?1049h\x1b[?25l"
# Colours first: a picture that was broken off half way may have left one on.
_LEAVE: Final = "\x1b[m\x1b[?25h\x1b[?1049l"
_HOME: Final = "\x1b[H"
_REST_OF_LINE: Final = "\x1b[K"
_REST_OF_SCREEN: Final = "\x1b[J"
# The Okabe-Ito palette, safe for colour-blind readers: M. Okabe and K. Ito, Color
# Universal Design, 2008. Text keeps the colour of the terminal, so that it can be read.
_COLOURS: Final = {
    Style.SOC: (0x00, 0x72, 0xB2),
    Style.BAND: (0x56, 0xB4, 0xE9),
    Style.ALARM: (0xD5, 0x5E, 0x00),
    Style.HEAT: (0xE6, 0x9F, 0x00),
}
# xterm's 256 colours: a cube from 16 on, of these levels.
_CUBE: Final = (0, 95, 135, 175, 215, 255)


class Screen:
    """The alternate screen of a terminal, in a ``with``; ``show`` fills it."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self._shown = ""
        self._before: list[Any] | None = None

    def __enter__(self) -> Self:
        try:
            self.enter()
        except BaseException:
            # Ctrl-C half way in: nobody else gives the terminal back.
            self.leave()
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.leave()

    def enter(self) -> None:
        """Take the screen: keys that are pressed do not show on it."""
        descriptor = self._stream.fileno()
        self._before = termios.tcgetattr(descriptor)
        quiet = termios.tcgetattr(descriptor)
        quiet[3] &= ~termios.ECHO
        termios.tcsetattr(descriptor, termios.TCSANOW, quiet)
        self._shown = ""
        self._write(_ENTER)

    def leave(self) -> None:
        """Give it back as it was."""
        if self._before is None:
            return
        before, self._before = self._before, None
        # A terminal that went away has nothing to be given back.
        with suppress(OSError, termios.error):
            try:
                self._write(_LEAVE)
            finally:
                # Keys that were pressed meanwhile were not for the shell.
                descriptor = self._stream.fileno()
                termios.tcsetattr(descriptor, termios.TCSAFLUSH, before)

    def size(self) -> os.terminal_size:
        """Return columns and lines as they are now."""
        try:
            found = os.get_terminal_size(self._stream.fileno())
        except OSError:
            return shutil.get_terminal_size()
        return found if found.columns and found.lines else shutil.get_terminal_size()

    def show(self, lines: Sequence[str]) -> None:
        """Show these lines; nothing is written where they are there already."""
        # Erased before it is written: after a full line the cursor still stands on the
        # last column, and would erase that.
        text = _HOME + "\r\n".join(f"{_REST_OF_LINE}{line}" for line in lines)
        if len(lines) < self.size().lines:
            text += f"\r\n{_REST_OF_SCREEN}"
        if text != self._shown:
            self._shown = text
            self._write(text)

    def forget(self) -> None:
        """Write the next picture whatever was shown: the terminal changed."""
        self._shown = ""

    def _write(self, text: str) -> None:
        self._stream.write(text)
        self._stream.flush()


def can_show(stream: TextIO, environ: Mapping[str, str]) -> bool:
    """Whether a stream leads to a terminal that can show pictures."""
    if not stream.isatty() or environ.get("TERM", "dumb") in ("dumb", ""):
        return False
    try:
        "░▀█─°".encode(stream.encoding)
    except UnicodeEncodeError:
        return False
    return True


def ink_of(environ: Mapping[str, str], *, colour: bool) -> Ink:
    """Return what colours a piece of a picture, or leaves it as it is."""
    is_exact = environ.get("COLORTERM") in ("truecolor", "24bit")
    # Others have colours of their own choice, which may not be safe to tell apart.
    if not colour or not (is_exact or "256color" in environ.get("TERM", "")):
        return lambda style, text: text

    def ink(style: Style, text: str) -> str:
        colour = _COLOURS.get(style)
        if colour is None or not text.strip():
            return text
        code = "2;{};{};{}".format(*colour) if is_exact else f"5;{_of_256(colour)}"
        return f"\x1b[38;{code}m{text}\x1b[39m"

    return ink


def _of_256(colour: tuple[int, int, int]) -> int:
    near = [min(range(6), key=lambda i: abs(_CUBE[i] - part)) for part in colour]
    return 16 + 36 * near[0] + 6 * near[1] + near[2]


def fitted(text: str, width: int) -> str:
    """Return as much of a text as fits; wide characters take two columns.

    Source: Unicode Standard Annex 11, East Asian Width.
    """
    if text.isascii():
        return text[:width]
    taken = 0
    for place, character in enumerate(text):
        taken += _columns(character)
        if taken > width:
            return text[:place]
    return text


def wrapped(text: str, width: int, *, indent: str) -> list[str]:
    """Return a text in lines of so many columns, all but the first one indented."""
    if sum(map(_columns, text)) == len(text):
        return textwrap.wrap(text, width, subsequent_indent=indent)
    indent = indent[: width // 2]
    lines = []
    while len(head := fitted(text, width)) < len(text):
        begun = len(text) - len(text.lstrip())
        blank = text.rfind(" ", begun, len(head) + 1)
        # A word that is too long for a line is broken, as some scripts have no blanks.
        end = blank if blank > 0 else len(head)
        lines.append(text[:end])
        text = indent + text[end:].lstrip()
    return [*lines, text]


def _columns(character: str) -> int:
    return 2 if unicodedata.east_asian_width(character) in "WF" else 1
