"""Brings the documents of a daemon into a queue, from a thread of its own."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from pathlib import Path
from queue import SimpleQueue
from typing import Any, Final

from tidegate.control.client import Client
from tidegate.errors import DaemonAbsent, TidegateError

# A daemon that went away is looked for so often.
AGAIN_S: Final = 2.0
WAITING_MOST: Final = 8

News = Mapping[str, Any] | Exception


class Feed:
    """Asks the daemon to be told, and puts into ``news`` what it says, or why not."""

    def __init__(
        self, path: Path, arguments: Mapping[str, Any], news: SimpleQueue[Any]
    ) -> None:
        self._path = path
        self._arguments = dict(arguments)
        self._news = news
        self._never = threading.Event()

    def start(self, *, again: bool) -> None:
        """Begin; with ``again`` a daemon that went away is looked for again."""
        thread = threading.Thread(
            target=self._run, args=(again,), name="feed", daemon=True
        )
        thread.start()

    def _run(self, again: bool) -> None:
        self._news.put(self._until_it_ends())
        while again:
            self._never.wait(AGAIN_S)
            self._news.put(self._until_it_ends())

    def _until_it_ends(self) -> Exception:
        """Pass on what the daemon says; return why it says no more."""
        has_said = False
        try:
            with Client.connect(self._path) as client:
                for document in client.stream("watch", **self._arguments):
                    has_said = True
                    # Each says all there is: who does not keep up misses some.
                    if self._news.qsize() < WAITING_MOST:
                        self._news.put(document)
        except (TidegateError, OSError) as error:
            if not has_said or not isinstance(error, DaemonAbsent):
                return error
        # It may say that it ends, or be gone first.
        return DaemonAbsent(
            "the daemon went away", remedy="Start it: systemctl start tidegate"
        )
