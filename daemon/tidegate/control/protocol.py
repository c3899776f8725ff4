"""What goes over the control socket: one JSON object a line, versioned and bounded.

A question is ``{"tidegate": 1, "ask": NAME, ...arguments}``. It is answered by one
line with ``answer`` or ``error``; before that, a stream sends lines with ``more``.
Anything else is refused: what is read here may have been written by anyone.

Sources: RFC 8259, sections 4 (names are unique), 6 (no NaN) and 8.1 (UTF-8, no byte
order mark); RFC 3629, section 3 (no halves of surrogate pairs).
"""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Iterator, Mapping
from typing import Any, Final

from tidegate.errors import Malformed, Unsupported

VERSION: Final = 1
VERSION_KEY: Final = "tidegate"
WHERE: Final = "control socket"
# A question is short; an answer may tell of hundreds of stations.
QUESTION_MOST_BYTES: Final = 65_536
ANSWER_MOST_BYTES: Final = 4 * 1_048_576
# The longest text of an argument that a person writes, in characters.
TEXT_MOST: Final = 200
_DEEPEST: Final = 32
_NOT_OF_A_LINE: Final = ("Cc", "Cs", "Zl", "Zp")


class Gone(Exception):
    """The peer left, or does not read what it is sent; there is nobody to tell."""


def encoded(document: Mapping[str, Any]) -> bytes:
    """Return one line that says this document, with the version."""
    return _dumped({VERSION_KEY: VERSION, **document}).encode() + b"\n"


def decoded(line: bytes) -> dict[str, Any]:
    """Return what one line says, without the version.

    Errors: Malformed where it is no object as described above, Unsupported where it
    is one of another version.
    """
    try:
        found = json.loads(
            line.decode(), parse_constant=_no_number, object_pairs_hook=_unique
        )
        if not isinstance(found, dict):
            raise ValueError("it is no object")
        _check_depth(found)
        # Halves of characters and numbers beyond all bounds cannot be said again.
        _dumped(found).encode()
    except (ValueError, RecursionError) as error:
        said = str(error) if type(error) is ValueError else type(error).__name__
        raise _malformed(f"a line is no JSON object ({said})") from error
    version = found.pop(VERSION_KEY, None)
    if type(version) is not int:
        raise _malformed(f'a line does not name its version ("{VERSION_KEY}")')
    if version != VERSION:
        raise Unsupported(
            f"the other side speaks version {version} of the control protocol, "
            f"this one speaks version {VERSION}",
            target=WHERE,
            remedy="Use the same tidegate for the daemon and for its commands",
        )
    return found


def question(line: bytes) -> tuple[str, dict[str, Any]]:
    """Return what is asked, and with which arguments.

    Errors: Malformed, Unsupported.
    """
    arguments = decoded(line)
    asked = arguments.pop("ask", None)
    if not isinstance(asked, str):
        raise _malformed('a line asks nothing (needed is "ask" with a name)')
    return asked, arguments


def is_one_line(text: str) -> bool:
    """Return whether a text holds nothing that ends lines or commands terminals.

    Format characters (Cf of Unicode) may stay: some scripts need them, and whoever
    shows a text shows them escaped.
    """
    return not any(unicodedata.category(each) in _NOT_OF_A_LINE for each in text)


class Lines:
    """Cuts what arrives into lines, none longer than so many bytes."""

    def __init__(self, most_bytes: int) -> None:
        self._most_bytes = most_bytes
        self._begun = bytearray()

    @property
    def in_the_middle(self) -> bool:
        """Whether a line has begun and is not at its end."""
        return bool(self._begun)

    def split(self, data: bytes) -> Iterator[bytes]:
        """Yield each line that this ends. Errors: Malformed for one too long."""
        *ends, rest = data.split(b"\n")
        for end in ends:
            self._add(end)
            line = bytes(self._begun)
            self._begun.clear()
            yield line
        self._add(rest)

    def _add(self, part: bytes) -> None:
        if len(self._begun) + len(part) > self._most_bytes:
            raise _malformed(f"a line is longer than {self._most_bytes} bytes")
        self._begun += part


def _dumped(document: Mapping[str, Any]) -> str:
    return json.dumps(
        document, ensure_ascii=False, allow_nan=False, separators=(",", ":")
    )


def _unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a name stands twice in one object")
    return found


def _no_number(name: str) -> Any:
    raise ValueError(f"{name} is no number")


def _check_depth(value: Any, depth: int = 0) -> None:
    if depth > _DEEPEST:
        raise ValueError("it is nested too deep")
    inner = value.values() if isinstance(value, dict) else value
    if isinstance(value, dict | list):
        for each in inner:
            _check_depth(each, depth + 1)


def _malformed(what: str) -> Malformed:
    return Malformed(
        what,
        target=WHERE,
        remedy="Ask with one JSON object a line, as the commands of tidegate do",
    )
