"""What a backend has to say that is no error: each thing once, and not without end."""

from __future__ import annotations

from collections import deque
from typing import Final

AT_MOST: Final = 100


class Notes:
    """Collects texts in any thread until they are taken; a hundred in all.

    A text that varies with every call would fill the diagnostic messages otherwise.
    """

    def __init__(self) -> None:
        self._said: set[str] = set()
        self._new: deque[str] = deque()

    def add(self, text: str) -> None:
        """Keep a text, unless it was said before or too much was."""
        if text not in self._said and len(self._said) < AT_MOST:
            self._said.add(text)
            self._new.append(text)

    def take(self) -> list[str]:
        """Return what is new, in order."""
        taken = []
        while self._new:
            taken.append(self._new.popleft())
        return taken
