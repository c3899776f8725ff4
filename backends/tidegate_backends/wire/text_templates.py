"""What is said to boards that talk in lines of text, and what their answers mean.

A dialect is two commands, perhaps a query, and regular expressions for the answers;
each must match a whole line. ``{channel}`` stands for the channel. Pure: text and
bytes in, values out.

Our own text may come back before the answer (an echo) and is dropped; a prompt, where
there is one, ends an answer. Otherwise a line end does: a line without one was cut,
and is believed only of boards that end no line at all.

Source: the presets are from memory. ``scpi-…``: the ROUTe:CLOSe, ROUTe:OPEN,
OUTPut and SYSTem:ERRor? commands of SCPI-1999 volume 2; a message ends with a line
feed by IEEE 488.2. ``ascii-relay`` and ``at-relay``: what boards of several makers
have in common, no standard.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

PLACEHOLDER: Final = "{channel}"
# No answer of such a board is longer; what is goes on talking by itself.
AT_MOST: Final = 512

_LINE_ENDS: Final = re.compile(r"[\r\n]+")
_SHOWN: Final = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Dialect:
    """How a board talks. Patterns are regular expressions for a whole line.

    ``acknowledged`` is awaited after each command, ``refused`` is a no in its place.
    ``errors`` asks for the oldest error, ``no_error`` is the answer of an empty
    queue. ``echo``: our own text must come back. An empty text is: not there.
    """

    coil_on: str
    coil_off: str
    query: str = ""
    says_on: str = ""
    says_off: str = ""
    acknowledged: str = ""
    refused: str = ""
    errors: str = ""
    no_error: str = ""
    line_end: str = "\r"
    prompt: str = ""
    echo: bool = False
    channel_may_be_missing: bool = False


_ERRORS: Final = "SYST:ERR?"
_NO_ERROR: Final = r"[+-]?0,.*"

PROTOCOLS: Final = {
    "ascii-relay": Dialect(
        coil_on="relay on {channel}",
        coil_off="relay off {channel}",
        query="relay read {channel}",
        says_on="on",
        says_off="off",
        prompt=">",
    ),
    "at-relay": Dialect(
        coil_on="AT+ON{channel}", coil_off="AT+OFF{channel}", line_end="\r\n"
    ),
    "scpi-route": Dialect(
        coil_on="ROUT:CLOS (@{channel})",
        coil_off="ROUT:OPEN (@{channel})",
        query="ROUT:CLOS? (@{channel})",
        says_on=r"\+?1",
        says_off=r"\+?0",
        line_end="\n",
        errors=_ERRORS,
        no_error=_NO_ERROR,
    ),
    # The channel is the numeric suffix, which may be left out.
    "scpi-output": Dialect(
        coil_on="OUTP{channel} ON",
        coil_off="OUTP{channel} OFF",
        query="OUTP{channel}?",
        says_on=r"\+?1|ON",
        says_off=r"\+?0|OFF",
        line_end="\n",
        channel_may_be_missing=True,
        errors=_ERRORS,
        no_error=_NO_ERROR,
    ),
}

# What would move more than our own contact, or move it nobody knows where to.
_NEVER: Final = (
    (re.compile(r"\*(RST|TST|RCL|TRG)\b", re.I), "it resets or reloads the board"),
    (re.compile(r"SYST\w*:PRES", re.I), "it resets the board"),
    (re.compile(r"TOG|FLIP|INV(ERT)?\b", re.I), "a toggle said twice is undone"),
    (
        re.compile(r"\b(WRITE|SET)?ALL\b|@[^)]*[:,]", re.I),
        "it moves the contacts of other stations",
    ),
)


class TextError(ValueError):
    """What arrived is not the answer to what was asked."""


class Cut(TextError):
    """The answer ends in the middle, or only our own text came back."""


class Garbled(TextError):
    """These bytes are no text."""


class Overlong(TextError):
    """More came than one answer: something old, or somebody else's."""


class NoEcho(TextError):
    """Another text came back than the one that was sent."""


class NotAnAnswer(TextError):
    """A text that none of the patterns knows, or that more than one does."""


class Declined(ValueError):
    """The board understood and said no, in its own words."""


def rendered(template: str, channel: str) -> str:
    """Return what is sent for this channel, without its line end."""
    return template.replace(PLACEHOLDER, channel)


def check(dialect: Dialect) -> None:
    """Raise ValueError, naming the key, for a dialect that must not be used."""
    for name in ("coil_on", "coil_off", "query", "errors"):
        _check_template(name, getattr(dialect, name))
    for name in ("says_on", "says_off", "acknowledged", "refused", "no_error"):
        _check_pattern(name, getattr(dialect, name))
    if not (dialect.coil_on and dialect.coil_off):
        raise ValueError(
            "coil_on and coil_off are missing, allowed are both, or a `protocol`"
        )
    if dialect.coil_on == dialect.coil_off:
        raise ValueError("coil_on and coil_off are the same, which would be a toggle")
    if bool(dialect.query) != bool(dialect.says_on and dialect.says_off):
        raise ValueError("query, says_on and says_off are allowed only all together")
    if bool(dialect.errors) != bool(dialect.no_error):
        raise ValueError("errors and no_error are allowed only together")


def uses_channel(dialect: Dialect) -> bool:
    """Return whether what is sent depends on the channel."""
    return any(
        PLACEHOLDER in text
        for text in (dialect.coil_on, dialect.coil_off, dialect.query)
    )


def is_whole(data: bytes, dialect: Dialect, *, sent: str, lines: int) -> bool:
    """Return whether so many lines of an answer are there, with the prompt if any."""
    text = data.decode("latin-1")
    if dialect.prompt:
        last = _LINE_ENDS.split(text)[-1]
        return last.strip() == dialect.prompt.strip()
    ended = _LINE_ENDS.split(text)[:-1]
    there = [line for line in (each.strip() for each in ended) if line]
    echoes = there[:1] == [sent]
    if dialect.echo and not there:
        return False
    return len(there) - echoes >= lines


def answer(data: bytes, dialect: Dialect, *, sent: str) -> list[str]:
    """Return the lines of an answer, without echo and prompt. Errors: TextError."""
    if len(data) > AT_MOST:
        raise Overlong(f"more than {AT_MOST} bytes: {_shown(data)}")
    if not data.isascii() or any(
        byte < 0x20 and byte not in b"\r\n\t" for byte in data
    ):
        raise Garbled(f"bytes that are no text: {_shown(data)}")
    *ended, tail = _LINE_ENDS.split(data.decode("ascii"))
    prompt = dialect.prompt.strip()
    if tail.strip() and dialect.line_end and tail.strip() != prompt:
        raise Cut(f"a line that does not end: {_shown(data)}")
    there = [_bare(line, prompt) for line in (*ended, tail)]
    there = [line for line in there if line]
    if there[:1] == [sent]:
        return there[1:]
    if dialect.echo:
        raise NoEcho(f"not what was sent came back: {_shown(data)}")
    return there


def state(lines: list[str], dialect: Dialect) -> bool:
    """Return whether the coil is on, from the answer to the query.

    Errors: TextError, Declined.
    """
    line = _only(lines)
    is_on = _matches(dialect.says_on, line)
    if is_on == _matches(dialect.says_off, line):
        _decline(line, dialect)
        which = "both says_on and says_off" if is_on else "neither says_on nor says_off"
        raise NotAnAnswer(f"{_quoted(line)} is {which}")
    return is_on


def acknowledge(lines: list[str], dialect: Dialect) -> None:
    """Accept what came after a command. Errors: TextError, Declined."""
    for line in lines:
        _decline(line, dialect)
    if not dialect.acknowledged:
        return
    line = _only(lines)
    if not _matches(dialect.acknowledged, line):
        raise NotAnAnswer(f"{_quoted(line)} is not `acknowledged`")


def oldest_error(lines: list[str], dialect: Dialect) -> str | None:
    """Return the oldest error in the board's queue, ``None`` when it is empty.

    Errors: TextError.
    """
    line = _only(lines)
    return None if _matches(dialect.no_error, line) else line[:_SHOWN]


def _check_template(name: str, text: str) -> None:
    if not (text.isascii() and (text.isprintable() or not text)):
        raise ValueError(f"{name} holds signs that are no plain text, found {text!r}")
    if re.search(r"[{}]", text.replace(PLACEHOLDER, "")):
        raise ValueError(f"{name} = {text!r}: the only placeholder is {PLACEHOLDER}")
    for pattern, why in _NEVER:
        if pattern.search(text):
            raise ValueError(f"{name} = {text!r} is never sent: {why}")


def _check_pattern(name: str, pattern: str) -> None:
    try:
        re.compile(pattern)
    except re.error as error:
        raise ValueError(
            f"{name} = {pattern!r} is no regular expression ({error})"
        ) from error


def _bare(line: str, prompt: str) -> str:
    line = line.strip()
    return line.removeprefix(prompt).strip() if prompt else line


def _only(lines: list[str]) -> str:
    if not lines:
        raise Cut("no line but our own came back")
    if len(lines) > 1:
        raise Overlong(f"{len(lines)} lines where one answers: {_quoted(lines[0])} …")
    return lines[0]


def _matches(pattern: str, line: str) -> bool:
    return re.fullmatch(pattern, line, re.IGNORECASE) is not None


def _decline(line: str, dialect: Dialect) -> None:
    if dialect.refused and _matches(dialect.refused, line):
        raise Declined(f"it said {_quoted(line)}")


def _quoted(line: str) -> str:
    return repr(line if len(line) <= _SHOWN else f"{line[:_SHOWN]} …")


def _shown(data: bytes) -> str:
    # Enough to recognise what it is; a talkative peer must not flood the log.
    return _quoted(data[: _SHOWN + 1].decode("ascii", errors="backslashreplace"))
