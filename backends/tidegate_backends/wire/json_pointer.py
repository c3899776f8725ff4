"""JSON Pointer: which value of a JSON document is meant.

Source: RFC 6901, sections 3 to 5.
"""

from __future__ import annotations

import json
import re
from typing import Any, Final

_INDEX: Final = re.compile(r"0|[1-9][0-9]*")
_STRAY_TILDE: Final = re.compile(r"~(?![01])")


class NoSuchValue(ValueError):
    """The document holds nothing at the place that the pointer names."""


def tokens(pointer: str) -> tuple[str, ...]:
    """Return the reference tokens of a pointer. Errors: ValueError."""
    if pointer and not pointer.startswith("/"):
        raise ValueError(f"found {pointer!r}, allowed is a pointer such as /outlet/on")
    if _STRAY_TILDE.search(pointer):
        raise ValueError(f"found {pointer!r}, where ~ must be written ~0, and / is ~1")
    return tuple(
        # In this order, or ~01 would become a slash.
        each.replace("~1", "/").replace("~0", "~")
        for each in pointer.split("/")[1:]
    )


def resolve(document: Any, pointer: str) -> Any:
    """Return the value that a pointer names. Errors: NoSuchValue, ValueError."""
    value = document
    for token in tokens(pointer):
        if isinstance(value, dict) and token in value:
            value = value[token]
        elif isinstance(value, list) and _INDEX.fullmatch(token):
            if int(token) >= len(value):
                raise NoSuchValue(f"{pointer} is past the end of a list")
            value = value[int(token)]
        else:
            raise NoSuchValue(f"there is no {pointer}")
    return value


def same(value: Any, wanted: Any) -> bool:
    """Return whether two JSON values are equal; true is not 1, but 1 is 1.0."""
    if isinstance(value, bool) or isinstance(wanted, bool):
        return value is wanted
    return bool(value == wanted)


def shown(value: Any) -> str:
    """Return a value as JSON has it; of a list or an object only that it is one.

    What could just be parsed, so deep as it is nested, could perhaps not be written.
    """
    if isinstance(value, dict | list):
        return "an object" if isinstance(value, dict) else "a list"
    return json.dumps(value)
