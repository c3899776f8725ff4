"""What the control loop hands to a sink's thread: never waited for, the newest wins.

The loop only puts and the thread only takes. There is no lock that the loop could
wait for: what is in the way is thrown out by whoever puts, and counted by it alone.
"""

from __future__ import annotations

import threading
from collections import deque
from typing import Final, Generic, TypeVar

T = TypeVar("T")

ONE: Final = 1


class Bell:
    """Wakes one thread; ringing returns at once, however often and whoever sleeps."""

    def __init__(self) -> None:
        self._silence = threading.Lock()
        self._silence.acquire()

    def ring(self) -> None:
        """Wake the thread, or let its next wait return. For one ringing thread only.

        Only the waiting thread makes the lock taken again, so what is seen to be taken
        here stays so until it is given back.
        """
        if self._silence.locked():
            self._silence.release()

    def wait(self) -> None:
        """Return when it was rung since the last return."""
        self._silence.acquire()


class Mailbox(Generic[T]):
    """At most ``size`` things; the oldest makes room. ``dropped`` counts those."""

    def __init__(self, size: int = ONE) -> None:
        self.dropped = 0
        self._size = size
        self._held: deque[T] = deque()

    def put(self, thing: T) -> T | None:
        """Put a thing in and return what had to make room; in the loop's thread."""
        pushed_out = None
        if len(self._held) >= self._size:
            # Nothing, where it was taken in this very moment: then nothing is lost.
            pushed_out = self.take()
            self.dropped += pushed_out is not None
        self._held.append(thing)
        return pushed_out

    def take(self) -> T | None:
        """Take the oldest out, or nothing."""
        try:
            return self._held.popleft()
        except IndexError:
            return None

    def __len__(self) -> int:
        return len(self._held)
