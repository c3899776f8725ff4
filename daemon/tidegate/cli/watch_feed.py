"""Brings the documents of a daemon into a queue, from a thread of its own."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Mapping
from pathlib import Path
from queue import SimpleQueue
from typing import Any, Final

from tidegate.control.client import ANSWER_LIMIT_S, Client
from tidegate.errors import DaemonAbsent, TidegateError, Unavailable

# A daemon that went away is looked for so often.
AGAIN_S: Final = 2.0
WAITING_MOST: Final = 8
# A station is read at least each 2 min, so a daemon that says nothing for so long hangs,
# or no station of it runs; asking anew shows which.
SILENT_MOST_S: Final = 300.0

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
        while True:
            ended = self._until_it_ends()
            if ended is None:
                continue
            self._news.put(ended)
            if not again:
                return
            self._never.wait(AGAIN_S)

    def _until_it_ends(self) -> Exception | None:
        """Pass on what the daemon says; return why it says no more, ``None`` where it
        has fallen silent and may be asked anew.
        """
        has_said = False
        try:
            with Client.connect(self._path) as client:
                for document in self._said(client):
                    has_said = True
                    # Each says all there is: who does not keep up misses some.
                    if self._news.qsize() < WAITING_MOST:
                        self._news.put(document)
        except (TidegateError, OSError) as error:
            if has_said and isinstance(error, Unavailable):
                return None
            if not has_said or not isinstance(error, DaemonAbsent):
                return error
        # It may say that it ends, or be gone first.
        return DaemonAbsent(
            "the daemon went away", remedy="Start it: systemctl start tidegate"
        )

    def _said(self, client: Client) -> Iterator[Mapping[str, Any]]:
        """Yield what the daemon says, the first within the time that an answer has."""
        for first in client.stream("watch", limit_s=ANSWER_LIMIT_S, **self._arguments):
            yield first
            yield from client.listen(limit_s=SILENT_MOST_S)
            return
