"""When a wrapper misbehaves: a script of calls, or an order given between two."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Generic, TypeVar

M = TypeVar("M")


class Script(Generic[M]):
    """Moods in the order of the calls that meet them; sound when it is over.

    A step is how many calls, and in which mood. ``mood`` set between two calls breaks
    the script off and holds until it is set again.
    """

    def __init__(self, steps: Iterable[tuple[int, M]], *, sound: M) -> None:
        self._steps = list(steps)
        assert all(calls > 0 for calls, _ in self._steps), "a step of no calls"
        self.mood: M = sound
        self._sound = sound
        self._left = 0
        self._is_scripted = True

    def next(self) -> M:
        """Return the mood of the call that begins now."""
        if not self._is_scripted:
            return self.mood
        if self._left == 0:
            if not self._steps:
                self.mood = self._sound
                return self.mood
            self._left, self.mood = self._steps.pop(0)
        self._left -= 1
        return self.mood

    def order(self, mood: M) -> None:
        """Put every later call into this mood."""
        self._is_scripted = False
        self.mood = mood
