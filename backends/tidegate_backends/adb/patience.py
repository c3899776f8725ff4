"""How long a device that hangs is left alone, and what is done to get it back.

Remembers what became of the calls to one device; every other choice is the gauge's.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from tidegate.errors import Unavailable

# Hangs (or answers "offline") in a row, at each multiple of which something is done.
IN_A_ROW: Final = 5
RESTART_AT: Final = 2 * IN_A_ROW
# Engineering choices: a device that hangs takes a turn at the server each time.
WAITS_MS: Final = (30_000, 60_000, 120_000)


@dataclass(slots=True)
class Patience:
    """One device. ``address`` is "host:port" where adb must be told to connect."""

    target: str
    address: str | None = None
    hangs: int = 0
    offlines: int = 0
    is_connected: bool = False
    _asked_again_ms: int = 0
    _is_due: bool = False

    @property
    def is_suspect(self) -> bool:
        """Whether its last call hung."""
        return self.hangs > 0

    def check(self, now_ms: int) -> None:
        """Raise Unavailable while the device is left alone."""
        if self.hangs and now_ms < self._asked_again_ms:
            raise Unavailable(
                "it hung when it was asked last, and is left alone for a while",
                target=self.target,
                remedy="It is asked again by itself, after 2 min at most",
            )

    def hung(self, now_ms: int) -> None:
        """Say that a call did not come back."""
        wait_ms = WAITS_MS[min(self.hangs, len(WAITS_MS) - 1)]
        self.hangs += 1
        self._asked_again_ms = now_ms + wait_ms
        self._is_due = self.hangs % IN_A_ROW == 0

    def answered(self, state: str) -> None:
        """Say what a call told: a state of ``adb_text``, or "device" for a dump."""
        self.hangs = 0
        self.offlines = self.offlines + 1 if state == "offline" else 0
        self._is_due = self.offlines > 0 and self.offlines % IN_A_ROW == 0
        if state in ("not_found", "no_server"):
            self.is_connected = False

    def wants_restart(self) -> bool:
        """Return whether only another server could help."""
        return self._is_due and self.hangs >= RESTART_AT

    def take_steps(self) -> list[tuple[str, ...]]:
        """Return the adb commands to give before the next call, each due time once."""
        is_due, self._is_due = self._is_due, False
        if self.address is None:
            return [("reconnect", "offline")] if is_due else []
        if is_due or self.offlines:
            # An offline entry stays in the list until it is taken out.
            return [("disconnect", self.address), ("connect", self.address)]
        return [] if self.is_connected else [("connect", self.address)]

    def start_anew(self) -> None:
        """Forget it all."""
        self.hangs = self.offlines = 0
        self.is_connected = self._is_due = False
