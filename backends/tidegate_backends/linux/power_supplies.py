"""The folder class/power_supply, read as the text of drivers may really come.

One read of a battery's ``uevent``, gaps filled from single files. A busy driver is
asked again, an attribute that is absent is left out, and one that fails is named.
Batteries are chosen by ``type`` and ``scope``, never by name.

Source: Linux Documentation/ABI/testing/sysfs-class-power and
drivers/power/supply/power_supply_sysfs.c; scope as UPower reads it.
"""

from __future__ import annotations

import errno
import os
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, Literal

from tidegate.errors import Refused, Unavailable
from tidegate_backends.wire import power_supply as wire

LIVE_ROOT: Final = Path("/sys")
# A busy driver answers within tens of ms; two pauses stay far below a read's limit.
RETRY_WAITS_S: tuple[float, ...] = (0.2, 0.2)
_READ_AT_MOST: Final = 16_384

# The kernel says so for an attribute that this driver or this moment does not have.
_ABSENT: Final = frozenset(
    {errno.ENOENT, errno.ENODEV, errno.ENODATA, errno.ENXIO, errno.EOPNOTSUPP}
)
_TRY_AGAIN: Final = frozenset({errno.EAGAIN, errno.EBUSY, errno.ETIMEDOUT})


@dataclass(frozen=True, slots=True)
class Found:
    """One folder of the class: a system ``battery``, a ``supply``, or ``skipped``.

    ``why`` says why in words; ``values`` are a battery's attributes, ``online`` a
    supply's.
    """

    name: str
    role: Literal["battery", "supply", "skipped"]
    why: str
    values: dict[str, str] = field(default_factory=dict)
    online: str | None = None


def survey(root: Path = LIVE_ROOT) -> list[Found]:
    """Return everything in the power_supply class and what it is to us.

    Errors: Unavailable (no such class), Refused (not permitted).
    """
    return Folder(root).survey()


def read_bytes(path: str) -> bytes:
    """Return what a file of the class holds, in one read."""
    # Some forty files a poll: a file object for each would be half of its cost.
    descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        return os.read(descriptor, _READ_AT_MOST)
    finally:
        os.close(descriptor)


def _ignore(text: str) -> None:
    """Take a note nobody asked for."""


class Folder:
    """The folder class/power_supply, read as a driver's text may really come.

    ``note`` is told of what was worked around; ``wait`` is the pause before asking a
    busy driver again. Blocks: call it from a worker's thread.
    """

    def __init__(
        self,
        root: Path,
        *,
        note: Callable[[str], None] = _ignore,
        read: Callable[[str], bytes] = read_bytes,
        wait: Callable[[float], None] = time.sleep,
    ) -> None:
        self.path = root / "class" / "power_supply"
        self._note = note
        self._read = read
        self._wait = wait
        self._broken: set[str] = set()  # packs with a property that spoils the uevent

    def survey(self) -> list[Found]:
        """Return what each entry is; see the function of the same name."""
        try:
            names = sorted(entry.name for entry in self.path.iterdir())
        except PermissionError as error:
            raise Refused(
                "not permitted to list the power supplies",
                target=str(self.path),
                remedy="Run as a user who may, or use the command gauge",
            ) from error
        except (FileNotFoundError, NotADirectoryError) as error:
            raise Unavailable(
                f"there are no power supplies here ({error.strerror})",
                target=str(self.path),
                remedy="Check `root`: it is the folder that holds class/power_supply",
            ) from error
        except OSError as error:
            raise Unavailable(
                f"the power supplies cannot be listed ({error.strerror})",
                target=str(self.path),
            ) from error
        return [self._classified(name) for name in names]

    def _classified(self, name: str) -> Found:
        try:
            kind = self._attribute(name, "type")
            kind = kind or self._uevent(name, patient=False).get("type")
            if not kind:
                return Found(name, "skipped", "it does not say its type")
            if kind == "Battery":
                return self._battery(name)
            if wire.is_supply(kind):
                return self._supply(name, kind)
        except OSError as error:
            return Found(name, "skipped", f"it cannot be read ({error.strerror})")
        return Found(name, "skipped", f"its type is {kind}")

    def _battery(self, name: str) -> Found:
        """Ask for the scope first: a peripheral's battery is left in peace."""
        scope = self._optional(name, "scope")
        values = {} if scope == "Device" else self._values(name)
        if (scope or values.get("scope")) == "Device":
            return Found(name, "skipped", "a peripheral's battery (scope Device)")
        return Found(name, "battery", "a system battery", values=values)

    def _supply(self, name: str, kind: str) -> Found:
        scope, online = self._optional(name, "scope"), self._optional(name, "online")
        if online is None:
            uevent = self._uevent(name, patient=False)
            scope, online = scope or uevent.get("scope"), uevent.get("online")
        if scope == "Device":
            return Found(name, "skipped", "a peripheral's supply (scope Device)")
        return Found(name, "supply", f"a supply (type {kind})", online=online)

    def _values(self, name: str) -> dict[str, str]:
        """Return a battery's attributes: its uevent, gaps filled from single files."""
        values = self._uevent(name, patient=name not in self._broken)
        is_spoilt = not values
        culprits = []
        for key in wire.WANTED:
            if key in values:
                continue
            try:
                text = self._attribute(name, key)
            except OSError as error:
                culprits.append(f"{key} ({error.strerror})")
                continue
            if text:
                values[key] = text
        self._broken.discard(name)
        if is_spoilt and culprits:
            self._broken.add(name)  # no use in asking it again for a uevent
        instead = "no uevent, reading single files" if is_spoilt else "going on"
        for culprit in culprits:
            self._note(f"{name}: cannot read {culprit}; {instead}")
        return values

    def _uevent(self, name: str, *, patient: bool = True) -> dict[str, str]:
        """Return the uevent's properties, empty if the driver will not give it."""
        for wait_s in (*(RETRY_WAITS_S if patient else ()), None):
            try:
                values = wire.parse_uevent(self._text(name, "uevent"))
            except OSError as error:
                if error.errno not in _TRY_AGAIN:
                    return {}
                values = {}
            if values or wait_s is None:
                return values
            self._wait(wait_s)
        return {}

    def _attribute(self, name: str, key: str) -> str | None:
        """Return one file's text, ``None`` if it is absent or the driver is busy."""
        try:
            return self._text(name, key).strip() or None
        except OSError as error:
            if error.errno in _ABSENT or error.errno in _TRY_AGAIN:
                return None
            raise

    def _optional(self, name: str, key: str) -> str | None:
        """Return one file's text; a failing one is noted and left out."""
        try:
            return self._attribute(name, key)
        except OSError as error:
            self._note(f"{name}: cannot read {key} ({error.strerror})")
            return None

    def _text(self, name: str, key: str) -> str:
        path = f"{self.path}/{name}/{key}"
        return self._read(path).decode("utf-8", errors="replace")
