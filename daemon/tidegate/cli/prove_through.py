"""`prove` through a daemon that runs: its lines shown, its questions put to a person.

The daemon does the work and brings the supply back, whatever becomes of this process.
A thread of its own reads what the daemon says, so that signals and keys are heard.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Awaitable, Callable, Mapping
from contextlib import suppress
from typing import Any, Final

from tidegate.cli.prove_asking import Talk
from tidegate.control.client import Client
from tidegate.errors import DaemonAbsent, TidegateError
from tidegate.words import visible

ENDING: Final = (
    "Ending it: the daemon brings the supply back on, and then tells the result."
)
AGAIN: Final = (
    "Still waiting for the daemon's result. Once more leaves without it: the supply "
    "goes on all the same."
)
LEAVING: Final = (
    "Leaving without the result. The daemon brings the supply back on by itself, and "
    "the cycle log has what came of the run."
)
# This many signals leave a daemon that does not answer.
SIGNALS_MOST: Final = 3


class Through:
    """One run, ordered from a daemon. ``result`` and ``error`` are what it came to."""

    def __init__(
        self,
        client: Client,
        arguments: Mapping[str, Any],
        *,
        talk: Talk,
        ask: Callable[[str], Awaitable[bool | None]],
    ) -> None:
        self.result: dict[str, Any] | None = None
        self.error: TidegateError | None = None
        self._client = client
        self._arguments = dict(arguments)
        self._talk = talk
        self._ask = ask
        self._ends = 0
        self._came: asyncio.Queue[Mapping[str, Any] | BaseException | None]
        self._came = asyncio.Queue()
        self._asking: asyncio.Task[None] | None = None

    def end(self, why: str) -> None:
        """Ask the daemon to end the run; who insists is told what happens then."""
        self._ends += 1
        if self._ends == 1:
            self._talk(ENDING)
            with suppress(TidegateError):  # it went away: that is heard, too
                self._client.tell({"end": why})
        elif self._ends < SIGNALS_MOST:
            self._talk(AGAIN)
        else:
            self._came.put_nowait(None)

    async def run(self) -> bool:
        """Order it and wait for its end; false where a person did not wait for it.

        Errors: as ``Client.ask``.
        """
        # Here and not in the thread, so that no wish to end can overtake it.
        self._client.tell({"ask": "prove", **self._arguments})
        loop = asyncio.get_running_loop()
        reader = threading.Thread(target=self._read, args=(loop,), daemon=True)
        reader.start()
        try:
            return await self._heard()
        finally:
            if self._asking is not None:
                self._asking.cancel()

    async def _heard(self) -> bool:
        while True:
            came = await self._came.get()
            if came is None:
                self._talk(LEAVING)
                return False
            if isinstance(came, DaemonAbsent) and self.result is not None:
                return True  # it stopped just after it had said all
            if isinstance(came, BaseException):
                raise came
            if "answer" in came:
                return True
            self._take(came)

    def _take(self, line: Mapping[str, Any]) -> None:
        if "say" in line:
            self._talk(visible(str(line["say"])))
        elif "ask" in line:
            loop = asyncio.get_running_loop()
            self._asking = loop.create_task(self._answer(visible(str(line["ask"]))))
        elif "result" in line:
            from tidegate.control.told import raised

            self.result = dict(line["result"])
            error = line.get("error")
            self.error = None if error is None else raised(error)

    async def _answer(self, question: str) -> None:
        answer = await self._ask(question)
        with suppress(TidegateError):  # it went away: that is heard, too
            self._client.tell({"answer": answer})

    def _read(self, loop: asyncio.AbstractEventLoop) -> None:
        """Run the thread: pass on what the daemon says, and how that ended."""
        with suppress(RuntimeError):  # the loop is closed: nobody waited
            try:
                for line in self._client.listen():
                    loop.call_soon_threadsafe(self._came.put_nowait, line)
            except (TidegateError, OSError) as error:
                loop.call_soon_threadsafe(self._came.put_nowait, error)
            else:
                answer = {"answer": self._client.answer}
                loop.call_soon_threadsafe(self._came.put_nowait, answer)


def shown(document: Any) -> Any:
    """Return a document whose texts may go to a terminal."""
    if isinstance(document, str):
        return visible(document)
    if isinstance(document, list):
        return [shown(each) for each in document]
    if isinstance(document, Mapping):
        return {key: shown(each) for key, each in document.items()}
    return document
