"""The list of devices of `adb devices -l`, as text. Pure functions.

Source: AOSP packages/modules/adb, transport.cpp (``append_transport``), and the states
of docs/user/adb.1.md.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from tidegate.errors import Unavailable
from tidegate_backends.wire.adb_text import TROUBLES, Trouble

_BY_STATE: Final = {trouble.state: trouble for trouble in TROUBLES}


@dataclass(frozen=True, slots=True)
class Listed:
    """One line of the list of devices; ``details`` as "model:Guide_7"."""

    serial: str
    state: str
    details: str = ""

    @property
    def is_ready(self) -> bool:
        """Whether its shell can be asked."""
        return self.state == "device"

    @property
    def name(self) -> str | None:
        """What `adb -s` takes for it; by its place on USB if it has no serial."""
        return self.place if self.serial == _NAMELESS else self.serial

    @property
    def place(self) -> str | None:
        """Where it is on USB, such as usb:1-1.4, which `adb -s` takes too."""
        places = [each for each in self.details.split() if each.startswith("usb:")]
        return places[0] if places else None

    @property
    def trouble(self) -> Trouble | None:
        """What keeps it from being asked."""
        if self.is_ready:
            return None
        name = "no_permission" if self.state.startswith("no perm") else self.state
        return _BY_STATE.get(_SAME_AS.get(name, name), _OTHER)


_NAMELESS: Final = "(no serial number)"
_SAME_AS: Final = {"connecting": "authorizing"}
_OTHER: Final = Trouble(
    "other",
    re.compile(""),
    Unavailable,
    "the device runs no Android now (recovery, sideload, bootloader)",
    "Restart the device in the ordinary way",
)
# A row has some 200 characters; where a longer one stops being one is searched for at
# every blank of it.
_ROW_AT_MOST: Final = 2_000
_ROW: Final = re.compile(
    r"(\(no serial number\)|\S+)\s+(no permissions\b.*?|no device|\S+)"
    r"((?:\s+[a-z_]+:\S+)*)",
    re.ASCII,
)


def devices_in(text: str) -> list[Listed]:
    """Return the devices that `adb devices -l` lists (also without -l)."""
    _, _, rows = text.partition("List of devices attached")
    return rows_in(rows)


def rows_in(text: str) -> list[Listed]:
    """Return the devices of a list without its heading, as a server sends it."""
    rows = text.replace("\r", "").split("\n")
    matches = [_ROW.fullmatch(row.strip()) for row in rows if len(row) < _ROW_AT_MOST]
    return [Listed(row[1], row[2], row[3].strip()) for row in matches if row]
