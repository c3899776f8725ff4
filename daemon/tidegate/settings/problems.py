"""How a wrong value is said: what was found, what is allowed, the nearest name."""

from __future__ import annotations

import difflib
import json
import re
from collections.abc import Iterable
from typing import Final

from pydantic_core import PydanticCustomError

KeyPath = tuple[str, ...]

OURS = "tidegate"
HIDDEN: Final = "(hidden)"
# name:password@ of an address.
IN_ADDRESS: Final = re.compile(r"(?<=://)[^/@\s]+(?=@)")
_LONGEST = 60
_SECRET = re.compile(
    r"pass(word|phrase|wd)?$|secret|token|credential|authorization|api_?key|^key$",
    re.IGNORECASE,
)


def problem(text: str, *, at: KeyPath = ()) -> PydanticCustomError:
    """Return an error for a validator to raise; ``at`` names a key further down."""
    return PydanticCustomError(OURS, "{text}", {"text": text, "at": at})


def shown(value: object) -> str:
    """Return a value as an operator would have written it, cut where it is long."""
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list | tuple):
        return "a list"
    if isinstance(value, str):
        # What is wrong with an address is said in logs, and its password is not.
        value = IN_ADDRESS.sub(HIDDEN, value)
    if isinstance(value, bool | str):
        text = json.dumps(value, ensure_ascii=False)
    elif isinstance(value, float):
        text = f"{value:g}"
    else:
        text = str(value)
    return text if len(text) <= _LONGEST else f"{text[: _LONGEST - 3]}..."


def names_a_secret(key: str) -> bool:
    """Return whether the value of such a key must not be shown or logged."""
    return _SECRET.search(key) is not None


def listed(names: Iterable[str], last: str = "and") -> str:
    """Return names in quotes, as in: "a", "b" and "c"."""
    quoted = [f'"{name}"' for name in names]
    if len(quoted) < 2:
        return "".join(quoted)
    return f"{', '.join(quoted[:-1])} {last} {quoted[-1]}"


def nearest(name: str, known: Iterable[str]) -> str:
    """Return a question that names the nearest known name, or nothing."""
    close = difflib.get_close_matches(name, list(known), n=1, cutoff=0.5)
    return f'; did you mean "{close[0]}"?' if close else ""
