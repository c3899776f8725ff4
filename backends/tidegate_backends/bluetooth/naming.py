"""Addresses, identifiers and bytes as an operator writes them, each in one form.

Two settings that mean the same device compare equal, whichever way they are written.
Source: the base UUID is that of the Bluetooth Core Specification, Vol 3, Part B, 2.5.1.
"""

from __future__ import annotations

import re
from typing import Annotated, Final

from pydantic import AfterValidator, Field, WithJsonSchema

_BASE: Final = "-0000-1000-8000-00805f9b34fb"
_SHORT: Final = re.compile(r"(?:0x)?([0-9a-f]{4}|[0-9a-f]{8})")
_FULL: Final = re.compile(r"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}")
_ADDRESS: Final = r"^[0-9A-Fa-f]{2}(:[0-9A-Fa-f]{2}){5}$"
# The longest value that an attribute may have (Core Specification, Vol 3, Part F, 3.2.9).
_OCTETS_AT_MOST: Final = 512


def uuid(text: str) -> str:
    """Return the full form, in lower case, of a UUID in any of its forms."""
    low = text.strip().lower()
    if short := _SHORT.fullmatch(low):
        return f"{int(short[1], 16):08x}{_BASE}"
    if _FULL.fullmatch(low):
        return low
    raise ValueError(
        f'found {text!r}, allowed is a UUID such as "0x2A56" or '
        '"0000ffe1-0000-1000-8000-00805f9b34fb"'
    )


def brief(full: str) -> str:
    """Return a UUID as people say it: ``0x2A56`` where it has such a form."""
    if full.startswith("0000") and full.endswith(_BASE):
        return f"0x{full[4:8].upper()}"
    return full


def _octets(text: str) -> str:
    try:
        data = bytes.fromhex(text.removeprefix("0x"))
    except ValueError as error:
        raise ValueError(
            f'found {text!r}, allowed are bytes in hex such as "A0 01 01 A2"'
        ) from error
    if not 0 < len(data) <= _OCTETS_AT_MOST:
        raise ValueError(f"found {len(data)} bytes, allowed are 1 to {_OCTETS_AT_MOST}")
    return data.hex(" ").upper()


Address = Annotated[
    str,
    Field(pattern=_ADDRESS, examples=["C4:7C:8D:00:00:01"]),
    AfterValidator(str.upper),
]
AdapterName = Annotated[str, Field(pattern=r"^hci[0-9]{1,3}$", examples=["hci0"])]
Uuid = Annotated[
    str,
    AfterValidator(uuid),
    WithJsonSchema({"type": "string", "examples": ["0x2A56"]}),
]
Octets = Annotated[
    str,
    AfterValidator(_octets),
    WithJsonSchema({"type": "string", "examples": ["A0 01 01 A2"]}),
]
