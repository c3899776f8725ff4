"""A number stays on the line of its unit, for the units of a sizing."""

from __future__ import annotations

import re
from typing import Final

_UNIT: Final = re.compile(
    r"(?<=[0-9]) (?=(?:[µmk]?(?:A|V|Ω|F|W|C|J|s)|A²s|K/W|Ω/km|mm²|mW|/K|m|AWG|°C|%)"
    r"(?![A-Za-z0-9²]))"
)


def tied(text: str) -> str:
    """Return a text whose numbers are not parted from their units."""
    return _UNIT.sub("\N{NO-BREAK SPACE}", text)
