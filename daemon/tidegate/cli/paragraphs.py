"""Paragraphs of a given width, in which a number stays on the line of its unit."""

from __future__ import annotations

import re
import textwrap
from typing import Final

_FIXED: Final = "\N{NO-BREAK SPACE}"
_UNIT: Final = re.compile(
    r"(?<=[0-9]) (?=(?:%|°C|C|Ah|h|min|mΩ|years?|points)(?![A-Za-z]))"
)


def wrapped(text: str, width: int, *, first: str = "", rest: str = "") -> list[str]:
    """Return the lines; ``first`` and ``rest`` begin the first and the others."""
    found = textwrap.wrap(
        _UNIT.sub(_FIXED, text),
        width=width,
        initial_indent=first,
        subsequent_indent=rest,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return [line.replace(_FIXED, " ") for line in found]
