"""A driver's charge control, played on a tree of files; nothing of tidegate is used.

Plain files take anything and say it back. A driver rounds, refuses, formats, forgets
and fails, and this kernel has none, so a fake stands in the place of its two ends:
``show`` and ``store``. What it answers is in the files too, for whoever reads them.

Source of the formats and rules: Linux Documentation/ABI/testing/sysfs-class-power and
drivers/power/supply/power_supply_sysfs.c. The drivers' own limits are synthetic.
"""

from __future__ import annotations

import errno
import os
import threading
from collections.abc import Callable
from pathlib import Path

BEHAVIOUR = "charge_behaviour"
END = "charge_control_end_threshold"
START = "charge_control_start_threshold"
TYPES = "charge_types"


class FakeChargeDriver:
    """One battery: ``level``, and what its driver offers.

    ``takes`` says what becomes of an end threshold: another number, or an errno as a
    negative one. ``failures`` are errors for the next calls of an attribute, by
    ``("store", name)`` or ``("show", name)``. ``spoilt`` are texts that an attribute
    says instead. ``changed`` is called whenever charging may have begun or ended.
    """

    def __init__(
        self,
        folder: Path,
        *,
        level: int = 60,
        behaviours: tuple[str, ...] = (),
        end: int | None = None,
        start: int | None = None,
        types: tuple[str, ...] = (),
        takes: Callable[[int], int] = lambda end: end,
    ) -> None:
        self.folder = folder
        self.level = level
        self.behaviours = behaviours
        self.behaviour = behaviours[0] if behaviours else None
        self.end, self.start = end, start
        self.types = types
        self.type = types[0] if types else None
        self.takes = takes
        self.failures: dict[tuple[str, str], list[int]] = {}
        self.spoilt: dict[str, str] = {}
        self.stored: list[tuple[str, str]] = []
        self.changed: Callable[[], None] = lambda: None
        self.reached = threading.Event()
        self.flowing = threading.Event()
        self.flowing.set()
        self._fills = True
        self.write()

    # --- the battery ------------------------------------------------------------------

    @property
    def allows(self) -> bool:
        """Whether this battery would take charge now, were there power."""
        if self.behaviour not in (None, "auto"):
            return False
        counts = "Custom" not in self.types or self.type == "Custom"
        return self.end is None or not counts or self._fills

    def _decide(self) -> None:
        """Above the end charging stops; below the start, if one is set, it begins."""
        if self.end is not None and self.level >= self.end:
            self._fills = False
        elif not self.start or self.level < self.start:
            self._fills = True

    def status(self, *, powered: bool = True) -> str:
        if not powered:
            return "Discharging"
        return "Charging" if self.allows else "Not charging"

    def set_level(self, level: int) -> None:
        self.level = level
        self.write()
        self.changed()

    def reset(self) -> None:
        """Forget everything, as firmware does at a power cycle."""
        self.behaviour = self.behaviours[0] if self.behaviours else None
        self.end = None if self.end is None else 100
        self.write()
        self.changed()

    def write(self) -> None:
        """Write every attribute as the kernel would say it."""
        self._decide()
        self.folder.mkdir(parents=True, exist_ok=True)
        texts = {
            "type": "Battery",
            "capacity": str(self.level),
            BEHAVIOUR: _listed(self.behaviours, self.behaviour),
            TYPES: _listed(self.types, self.type),
            END: None if self.end is None else str(self.end),
            START: None if self.start is None else str(self.start),
        }
        for name, text in texts.items():
            if text is not None:
                new = self.folder / f".{name}"
                new.write_text(f"{text}\n")
                new.rename(self.folder / name)

    # --- the kernel's two ends --------------------------------------------------------

    def show(self, path: Path) -> str:
        self._fail("show", path)
        if path.name in self.spoilt:
            return self.spoilt[path.name]
        with path.open("rb", buffering=0) as file:
            return file.read(4_096).decode().strip()

    def store(self, path: Path, line: str) -> None:
        if not self.flowing.is_set():
            self.reached.set()
            self.flowing.wait(20)
        self._fail("store", path)
        if not path.exists():
            raise _error(errno.ENOENT, path)
        self.stored.append((path.name, line))
        self._take(path, line)
        self.write()
        self.changed()

    def _fail(self, call: str, path: Path) -> None:
        if codes := self.failures.get((call, path.name)):
            raise _error(codes.pop(0), path)

    def _take(self, path: Path, line: str) -> None:
        if path.name == BEHAVIOUR and line in self.behaviours:
            self.behaviour = line
        elif path.name == TYPES and line in self.types:
            self.type = line
        elif path.name == END:
            taken = self.takes(int(line))
            if taken < 0 or (self.start is not None and self.start >= taken):
                raise _error(-taken if taken < 0 else errno.EINVAL, path)
            self.end = taken
        elif path.name == START and self.end is not None and int(line) < self.end:
            self.start = int(line)
        else:
            raise _error(errno.EINVAL, path)

    # --- a driver that does not come back ---------------------------------------------

    def hold(self) -> None:
        """Let the next write wait inside the driver."""
        self.reached.clear()
        self.flowing.clear()

    def let_go(self) -> None:
        """Let what waits, and what comes, be done."""
        self.flowing.set()


def _listed(offered: tuple[str, ...], active: str | None) -> str | None:
    if not offered:
        return None
    return " ".join(f"[{word}]" if word == active else word for word in offered)


def _error(code: int, path: Path) -> OSError:
    return OSError(code, os.strerror(code), str(path))
