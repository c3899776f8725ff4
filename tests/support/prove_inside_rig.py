"""Commissioning runs within a running service, in virtual time.

The order goes to the real handler of the control socket; the talk with its peer is a
fake, because a peer must come, answer and go at chosen moments of virtual time.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, Final

from support.shell_rig import Device, Rig
from tidegate.control.peer import Peer
from tidegate.control.protocol import Gone
from tidegate.cyclelog.difference import first_other
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.replay import rebuild
from tidegate.cyclelog.rows import EventRow, IntentRow, OperatorRow, RunRow
from tidegate.service import Service
from tidegate.service.asked import prove
from tidegate.station.plan import Past, Plan
from tidegate.station.shell import Station

PEER: Final = Peer(uid=1000, gid=1000, groups=(), pid=4242, name="uid 1000 (ana)")
BY: Final = "A. Fitter"


class FakeTalk:
    """A peer: keeps what it is told, says what a test lets it say, leaves on order.

    ``on_line`` is called with the number of each line that comes, before it is kept.
    """

    def __init__(self, on_line: Callable[[int], None] = lambda _: None) -> None:
        self.peer = PEER
        self.lines: list[Mapping[str, Any]] = []
        self.answer: object = True
        self.is_gone = False
        self._on_line = on_line
        self._says: asyncio.Queue[Mapping[str, Any] | Exception] = asyncio.Queue()

    async def more(self, document: Mapping[str, Any]) -> None:
        self._on_line(len(self.lines))
        if self.is_gone:
            raise Gone
        self.lines.append(document)
        if "ask" in document:
            self.says({"answer": self.answer})

    async def hear(self) -> Mapping[str, Any]:
        said = await self._says.get()
        if isinstance(said, Exception):
            raise said
        return said

    def says(self, document: Mapping[str, Any] | Exception) -> None:
        self._says.put_nowait(document)

    def leaves(self) -> None:
        self.is_gone = True
        self.says(Gone())

    @property
    def said(self) -> list[str]:
        return [line["say"] for line in self.lines if "say" in line]

    @property
    def result(self) -> Mapping[str, Any]:
        (line,) = [line for line in self.lines if "result" in line]
        return dict(line["result"])


@dataclass
class InsideRig(Rig):
    """A rig in which something can happen at a step, and that checks comebacks.

    A step is any note of the journal: a read, a call of the relay, a row made durable.
    ``comebacks`` counts the stations that came back knowing exactly what a replay of
    the log makes of them at that moment.
    """

    comebacks: int = 0
    at_step: int = -1
    happens: Callable[[], None] = lambda: None

    def __post_init__(self) -> None:
        super().__post_init__()
        for name in self.apart:
            self.devices[name] = Device(at_ms=self.clock.boot_ms())

    def made(self) -> Service:
        service = super().made()
        make = service.make_station

        def make_station(plan: Plan, past: Past) -> Station:
            if service.is_up:
                self._check_comeback(service, plan.name, past)
            return make(plan, past)

        service.make_station = make_station  # type: ignore[method-assign]
        return service

    def _check_comeback(self, service: Service, name: str, past: Past) -> None:
        service.writer._attempt()
        if not service.writer.healthy:
            return
        with Reader(self.log) as reader:
            state = rebuild(reader, name)
        assert state is not None
        assert past.state is not None
        assert first_other(past.state, state) is None
        self.comebacks += 1

    def from_here(self, step: int, happens: Callable[[], None]) -> None:
        """Let something happen at the n-th note from now on."""
        self.at_step, self.happens = len(self.journal) + step, happens

    def note(self, station: str, what: str, more: Any = None) -> None:
        super().note(station, what, more)
        if len(self.journal) - 1 == self.at_step:
            asyncio.get_running_loop().call_soon(self.happens)


def ordered(
    rig: Rig, talk: FakeTalk, station: str = "lobby", **arguments: Any
) -> asyncio.Task[Mapping[str, Any]]:
    """Order a run as the server does, and return its task."""
    assert rig.service is not None
    ask = prove.asks(rig.service)["prove"]
    assert ask.orders

    async def handled() -> Mapping[str, Any]:
        given = {"station": station, "by": BY, "yes": True, "rounds": 1, **arguments}
        return await ask.handler(given, talk)

    return asyncio.get_running_loop().create_task(handled())


async def over(task: asyncio.Task[Mapping[str, Any]]) -> None:
    """Wait for the end of a run, however it ends."""
    with suppress(Exception):
        await task


def follows(rig: Rig, name: str = "lobby") -> list[str]:
    """Check that the log of a station is sound; return what happened to it, in words."""
    words = []
    for entry in rig.sound(name):
        row = entry.row
        if isinstance(row, RunRow):
            words.append("run")
        elif isinstance(row, OperatorRow):
            words.append(f"{row.action} {json.loads(row.args)['step']}")
        elif isinstance(row, EventRow) and row.kind != "neighbour_switched":
            words.append(row.kind)
        elif isinstance(row, IntentRow) and row.reason == "prove":
            words.append(str(row.supply))
    return words


def rebuilt(rig: Rig, name: str = "lobby") -> Any:
    """Return the state that the log leaves a station in."""
    with Reader(rig.log) as reader:
        return rebuild(reader, name)
