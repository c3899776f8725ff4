"""Which alarms the operator's program is told of, and when: an alarm that flaps does
not start it over and over.

Pure. The first time is told at once. What follows within ``apart`` waits, and then
only the latest is told, if it differs from what was told last; the others are counted.

A station that starts knows nothing yet, and so ends most alarms that stood before. Such
an end is no news: it waits until there was time to see whether the alarm comes back.
"""

from __future__ import annotations

from collections.abc import Container
from dataclasses import dataclass, replace
from typing import Final

from tidegate.core.policy import MINUTE_MS
from tidegate.service.alarm_facts import Told

Key = tuple[str, str]

# Longer than stale_after as it comes and three reads at the longest poll; engineering
# choice.
HELD_MS: Final = 10 * MINUTE_MS


@dataclass(slots=True)
class _Last:
    """``raised`` is what the program was told last of this alarm, at ``at_ms``.

    ``None``: the run before may know. ``held_until_ms`` is that of what waits.
    """

    raised: bool | None
    at_ms: int
    untold: int = 0
    waiting: Told | None = None
    held_until_ms: int = 0

    def due_ms(self, apart_ms: int) -> int:
        """Return when what waits is to be told."""
        return max(self.at_ms + apart_ms, self.held_until_ms)


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

    def take(self, told: Told, now_ms: int, *, at_start: bool = False) -> Told | None:
        """Return what is to be told now, ``None`` where it has to wait.

        ``at_start``: the station has just started, and knows nothing yet.
        """
        is_held = at_start and not told.raised
        last = self._last.get(told.key)
        if last is None:
            last = self._last[told.key] = _Last(None, now_ms)
        # Nobody was told in this run, so nothing has to be kept apart.
        is_free = last.raised is None or (
            last.waiting is None and now_ms - last.at_ms >= self.apart_ms
        )
        if is_free and not is_held:
            if last.raised is None:
                last.untold = 0
            last.waiting = None
            return self._now(last, told, now_ms)
        last.waiting = told
        last.held_until_ms = now_ms + HELD_MS if is_held else 0
        last.untold += 1
        return None

    def due(self, now_ms: int) -> list[Told]:
        """Return what has waited long enough."""
        return self._untold(now_ms)

    def rest(self, now_ms: int) -> list[Told]:
        """Return all that waits, however long: there is no later any more.

        An end that is held since the start stays untold. Nobody has seen whether the
        danger is over, and a person who is told so stops looking.
        """
        return self._untold(now_ms, whenever=True)

    def _untold(self, now_ms: int, *, whenever: bool = False) -> list[Told]:
        found = []
        for last in self._last.values():
            told = last.waiting
            if told is None:
                continue
            due_ms = last.held_until_ms if whenever else last.due_ms(self.apart_ms)
            if now_ms < due_ms:
                continue
            last.waiting = None
            if told.raised is not last.raised:
                last.untold -= 1  # this one is told
                found.append(self._now(last, told, now_ms))
        return found

    def next_ms(self) -> int | None:
        """Return when to ask ``due`` again, ``None`` while nothing waits."""
        waiting = (each for each in self._last.values() if each.waiting)
        return min((each.due_ms(self.apart_ms) for each in waiting), default=None)

    def _now(self, last: _Last, told: Told, now_ms: int) -> Told:
        told = replace(told, untold=last.untold)
        last.raised, last.at_ms, last.untold = told.raised, now_ms, 0
        return told
