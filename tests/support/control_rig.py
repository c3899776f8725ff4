"""A real server on a real socket with questions of the tests' own, and a raw peer.

The peer writes bytes as unix(7) and RFC 8259 have them and shares no code with ours.
"""

from __future__ import annotations

import asyncio
import json
import os
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any

from tidegate.clock import SystemClock
from tidegate.control.server import Ask, Server, Talk
from tidegate.errors import OrderRefused
from tidegate.settings.table_control import ControlSettings

LIMIT_S = 20.0


class Questions:
    """What the server of a test can be asked, and what became of it."""

    def __init__(self) -> None:
        self.done: list[str] = []
        self.begun = asyncio.Event()
        self.over = asyncio.Event()
        self.go_on = asyncio.Event()

    def table(self) -> dict[str, Ask]:
        return {
            "echo": Ask(self.echo),
            "who": Ask(self.who),
            "order": Ask(self.order, orders=True),
            "no": Ask(self.no),
            "bug": Ask(self.bug),
            "unsayable": Ask(self.unsayable),
            "count": Ask(self.count),
            "much": Ask(self.much),
            "wait": Ask(self.wait),
            "long_order": Ask(self.wait, orders=True),
            "chat": Ask(self.chat),
        }

    async def echo(self, said: Mapping[str, Any], talk: Talk) -> Mapping[str, Any]:
        return dict(said)

    async def who(self, said: Mapping[str, Any], talk: Talk) -> Mapping[str, Any]:
        peer = talk.peer
        return {
            "uid": peer.uid,
            "gid": peer.gid,
            "groups": sorted(peer.groups),
            "pid": peer.pid,
            "name": peer.name,
        }

    async def order(self, said: Mapping[str, Any], talk: Talk) -> Mapping[str, Any]:
        self.done.append(talk.peer.name)
        return {"done": True}

    async def no(self, said: Mapping[str, Any], talk: Talk) -> Mapping[str, Any]:
        raise OrderRefused("the museum is closed", remedy="Come at ten")

    async def bug(self, said: Mapping[str, Any], talk: Talk) -> Mapping[str, Any]:
        raise ZeroDivisionError("a fault by order")

    async def unsayable(self, said: Mapping[str, Any], talk: Talk) -> Mapping[str, Any]:
        return {"path": Path()}

    async def count(self, said: Mapping[str, Any], talk: Talk) -> Mapping[str, Any]:
        for number in range(said["to"]):
            await talk.more({"number": number})
        return {"counted": said["to"]}

    async def much(self, said: Mapping[str, Any], talk: Talk) -> Mapping[str, Any]:
        try:
            while True:
                await talk.more({"text": "x" * 60_000})
        finally:
            self.over.set()

    async def wait(self, said: Mapping[str, Any], talk: Talk) -> Mapping[str, Any]:
        self.begun.set()
        try:
            await self.go_on.wait()
            self.done.append("to its end")
        except asyncio.CancelledError:
            self.done.append("cancelled")
            raise
        finally:
            self.over.set()
        return {}

    async def chat(self, said: Mapping[str, Any], talk: Talk) -> Mapping[str, Any]:
        await talk.more({"say": "your name?"})
        return {"hello": (await talk.hear())["name"]}


class Raw:
    """A peer that sends bytes."""

    def __init__(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter
    ) -> None:
        self.reader, self.writer = reader, writer

    async def send(self, data: bytes) -> None:
        self.writer.write(data)
        await asyncio.wait_for(self.writer.drain(), LIMIT_S)

    async def ask(self, name: str, **arguments: Any) -> dict[str, Any]:
        document = {"tidegate": 1, "ask": name, **arguments}
        await self.send(json.dumps(document).encode() + b"\n")
        return await self.hear()

    async def hear(self) -> dict[str, Any]:
        line = await asyncio.wait_for(self.reader.readline(), LIMIT_S)
        found = json.loads(line)
        assert found.pop("tidegate") == 1
        return dict(found)

    async def rest(self) -> bytes:
        """Return all until the server hangs up."""
        try:
            return await asyncio.wait_for(self.reader.read(), LIMIT_S)
        except ConnectionResetError:
            return b""

    def half_close(self) -> None:
        self.writer.write_eof()

    async def close(self) -> None:
        self.writer.close()
        with suppress(OSError):  # the server may have been first
            await self.writer.wait_closed()


class ControlRig:
    """The server, its questions, and as many peers as a test wants."""

    def __init__(self, path: Path, **settings: Any) -> None:
        self.path = path
        self.questions = Questions()
        self.settings = ControlSettings.model_validate(settings)
        self.own_uid = os.geteuid()
        self.server = self.made()

    def made(self) -> Server:
        return Server(
            self.path,
            settings=self.settings,
            asks=self.questions.table(),
            clock=SystemClock(),
            own_uid=self.own_uid,
        )

    @asynccontextmanager
    async def serving(self) -> AsyncIterator[None]:
        await self.server.begin()
        try:
            yield
        finally:
            await self.server.end()

    @asynccontextmanager
    async def peer(self) -> AsyncIterator[Raw]:
        raw = Raw(*await asyncio.open_unix_connection(str(self.path)))
        try:
            yield raw
        finally:
            await raw.close()

    async def in_thread(self, blocking: Callable[[], Any]) -> Any:
        return await asyncio.wait_for(asyncio.to_thread(blocking), LIMIT_S)

    async def until(self, holds: Callable[[], bool], what: str) -> None:
        """Wait on a condition, looked at every 10 ms."""
        loop = asyncio.get_running_loop()
        end_s = loop.time() + LIMIT_S
        while not holds():
            assert loop.time() < end_s, f"not within {LIMIT_S} s: {what}"
            await asyncio.sleep(0.01)

    async def soon(self, happens: Awaitable[Any]) -> None:
        await asyncio.wait_for(happens, LIMIT_S)
