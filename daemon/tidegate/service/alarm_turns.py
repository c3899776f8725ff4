"""Which alarms the operator's program is told of, and when: an alarm that flaps does
not start it over and over.

Pure. The first time is told at once. What follows within ``apart`` waits, and then
only the latest is told, if it differs from what was told last; the others are counted.
"""

from __future__ import annotations

from collections.abc import Container
from dataclasses import dataclass, replace

from tidegate.service.alarm_facts import Told

Key = tuple[str, str]


@dataclass(slots=True)
class _Last:
    """``raised`` is what the program was told last of this alarm, at ``at_ms``."""

    raised: bool
    at_ms: int
    untold: int = 0
    waiting: Told | None = None


class Turns:
    """Keeps starts for the same alarm apart. One entry a station and alarm."""

    def __init__(self, apart_ms: int) -> None:
        self.apart_ms = apart_ms
        self._last: dict[Key, _Last] = {}

    def forget_others(self, stations: Container[str]) -> None:
        """Forget stations that are not among these any more."""
        gone = [key for key in self._last if key[0] not in stations]
        for key in gone:
            del self._last[key]

    def take(self, told: Told, now_ms: int) -> Told | None:
        """Return what is to be told now, ``None`` where it has to wait."""
        last = self._last.get(told.key)
        if last is None:
            self._last[told.key] = _Last(told.raised, now_ms)
            return told
        if last.waiting is None and now_ms - last.at_ms >= self.apart_ms:
            return self._now(last, told, now_ms)
        last.waiting = told
        last.untold += 1
        return None

    def due(self, now_ms: int) -> list[Told]:
        """Return what has waited long enough."""
        found = []
        for last in self._last.values():
            told = last.waiting
            if told is None or now_ms - last.at_ms < self.apart_ms:
                continue
            last.waiting = None
            if told.raised is not last.raised:
                last.untold -= 1  # this one is told
                found.append(self._now(last, told, now_ms))
        return found

    def next_ms(self) -> int | None:
        """Return when to ask ``due`` again, ``None`` while nothing waits."""
        waiting = [each.at_ms for each in self._last.values() if each.waiting]
        return min(waiting) + self.apart_ms if waiting else None

    def _now(self, last: _Last, told: Told, now_ms: int) -> Told:
        told = replace(told, untold=last.untold)
        last.raised, last.at_ms, last.untold = told.raised, now_ms, 0
        return told
