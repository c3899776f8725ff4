"""A table as one line of the operator's file, ready to paste.

Source: TOML 1.0, sections String, Integer, Float, Boolean, Array and Inline Table.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")


def inline(value: object) -> str:
    """Return a value as TOML writes it in one line. Raises TypeError for any other."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, int):
        return str(int(value))
    if isinstance(value, float) and math.isfinite(value):
        return repr(float(value))
    if isinstance(value, Mapping):
        pairs = [f"{_key(key)} = {inline(inner)}" for key, inner in value.items()]
        return f"{{ {', '.join(pairs)} }}" if pairs else "{}"
    if isinstance(value, list | tuple):
        return f"[{', '.join(inline(inner) for inner in value)}]"
    raise TypeError(f"{value!r} cannot be written in a settings file")


def _text(text: str) -> str:
    """Return a basic string in which every sign can be seen: JSON's escapes, and
    TOML's for what JSON may leave alone.
    """
    if any("\ud800" <= each <= "\udfff" for each in text):
        raise TypeError(f"{text!r} has bytes that are no text")
    quoted = json.dumps(text, ensure_ascii=False)
    return "".join(c if c.isprintable() else f"\\U{ord(c):08X}" for c in quoted)


def _key(key: object) -> str:
    if not isinstance(key, str):
        raise TypeError(f"{key!r} is no key")
    return key if _BARE_KEY.fullmatch(key) else _text(key)
