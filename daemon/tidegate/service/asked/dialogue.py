"""What a commissioning run and the person who ordered it say to each other."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from types import TracebackType
from typing import Any, Final, Self

from tidegate.control.protocol import Gone
from tidegate.control.server import Talk
from tidegate.control.told import told
from tidegate.errors import Malformed, Unsupported
from tidegate.prove import Result
from tidegate.service.asked import arguments as given

GONE: Final = "its terminal went away"
NOT_UNDERSTOOD: Final = "what its terminal said was not understood"
WHY_MOST: Final = 100


class Dialogue:
    """Sends lines in their order, and hears answers and the wish to end.

    ``agrees``: every question was answered with yes before. Nobody waits for a peer who
    reads slowly; one who has left, or does not read at all, ends the run.
    """

    def __init__(self, talk: Talk, *, agrees: bool) -> None:
        self._talk = talk
        self._agrees = agrees
        self._out: asyncio.Queue[Mapping[str, Any] | None] = asyncio.Queue()
        self._answer: asyncio.Future[bool | None] | None = None
        self._end: Callable[[str], None] | None = None
        self._ended = ""
        self._tasks: list[asyncio.Task[None]] = []

    async def __aenter__(self) -> Self:
        loop = asyncio.get_running_loop()
        self._tasks = [
            loop.create_task(self._speak()),
            loop.create_task(self._listen()),
        ]
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        speaking, listening = self._tasks
        listening.cancel()
        self._out.put_nowait(None)
        try:
            await asyncio.wait({speaking, listening})
        finally:
            speaking.cancel()

    def ends(self, end: Callable[[str], None]) -> None:
        """Call this with the reason once the run shall end."""
        self._end = end
        if self._ended:
            end(self._ended)

    def say(self, text: str) -> None:
        """Send a line for a person to read."""
        self._out.put_nowait({"say": text})

    def result(self, result: Result) -> None:
        """Send what the run came to."""
        error = None if result.error is None else told(result.error)
        self._out.put_nowait({"result": result.as_document(), "error": error})

    async def ask(self, question: str) -> bool | None:
        """Return the answer of a person, ``None`` where nobody is there."""
        if self._agrees:
            self.say(f"{question} Yes (--yes).")
            return True
        self._answer = asyncio.get_running_loop().create_future()
        self._out.put_nowait({"ask": question})
        return await self._answer

    async def _speak(self) -> None:
        try:
            while (document := await self._out.get()) is not None:
                await self._talk.more(document)
        except Gone:
            self._over(GONE)

    async def _listen(self) -> None:
        try:
            while True:
                self._hear(await self._talk.hear())
        except Gone:
            self._over(GONE)
        except (Malformed, Unsupported):
            self._over(NOT_UNDERSTOOD)

    def _hear(self, said: Mapping[str, Any]) -> None:
        if "end" in said:
            why = given.text(said, "end", most=WHY_MOST)
            self._over(f"it was ended by {why}")
        elif "answer" in said:
            # Only a plain yes is one.
            if self._answer is not None and not self._answer.done():
                self._answer.set_result(_agreed(said["answer"]))
        else:
            raise Malformed("neither an end nor an answer", target="control socket")

    def _over(self, why: str) -> None:
        self._ended = self._ended or why
        if self._end is not None:
            self._end(why)


def _agreed(answer: object) -> bool | None:
    return None if answer is None else answer is True
