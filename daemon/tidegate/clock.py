"""The two clocks of every row: boot time for decisions, wall time for people.

Boot time (``CLOCK_BOOTTIME``) counts suspend and ignores steps, so dwell, staleness
and overrides run on it. The virtual clock and event loop live in
``tidegate.virtual``: same interface, time that moves only when nothing is ready.
"""

from __future__ import annotations

import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Protocol

_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
_SYNCHRONISED = Path("/run/systemd/timesync/synchronized")


def rfc3339(wall_ms: int) -> str:
    """Return UTC with milliseconds and Z. Source: RFC 3339, section 5.6."""
    moment = datetime.fromtimestamp(wall_ms / 1_000, tz=UTC)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


class Clock(Protocol):
    """What the shell needs to know about time; all times are whole milliseconds."""

    def boot_ms(self) -> int:
        """Return milliseconds since boot, suspend included."""

    def wall_ms(self) -> int:
        """Return UTC milliseconds since 1970."""

    def boot_id(self) -> str:
        """Return what identifies this boot."""

    def synchronised(self) -> bool:
        """Return whether the wall clock was ever set from a reference."""


class SystemClock:
    """The clocks of this machine."""

    def boot_ms(self) -> int:
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000

    def wall_ms(self) -> int:
        return time.time_ns() // 1_000_000

    def boot_id(self) -> str:
        return _BOOT_ID.read_text(encoding="ascii").strip()

    def synchronised(self) -> bool:
        # systemd-timesyncd leaves this file; other time services may not, so false
        # means only that nobody told us.
        return _SYNCHRONISED.exists()
