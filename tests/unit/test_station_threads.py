"""Calls that hang in real threads: poisoned, replaced, and never piling up.

The limits of calls are shortened here, so that a hang is over soon; all else is the
real service on a real event loop with real threads.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from pathlib import Path
from unittest import mock

import pytest

from support import evidence
from tidegate import assembly
from tidegate.clock import SystemClock
from tidegate.contract import (
    Gauge,
    GaugeFacts,
    Host,
    Readback,
    Relay,
    RelayFacts,
    SharedLink,
)
from tidegate.core.events import Stopping
from tidegate.core.reading import BatteryStatus, ExternalPower, Sample, Supply
from tidegate.cyclelog.rows import OutcomeRow
from tidegate.errors import Unavailable
from tidegate.host import Machine
from tidegate.host.locks import Locks
from tidegate.host.workers import LEFT_BEHIND_MAX
from tidegate.service import Service
from tidegate.settings import from_tables
from tidegate.station import relay_line

WITHIN_S = 15.0
SHORT_S = 0.2


class FakeBoard:
    """A board with several contacts; a call may hang in the thread that makes it."""

    def __init__(self) -> None:
        self.contacts: dict[str, Supply] = {}
        self.links = 0
        self.closed: list[int] = []
        self.hang: set[str] = set()
        self.go = threading.Event()
        self.hanging = 0
        self.threads: set[str] = set()

    def switch(self, link: int, name: str, supply: Supply) -> None:
        self.threads.add(threading.current_thread().name)
        if link in self.closed:
            raise Unavailable("the port was given up", target=name, remedy="Open it.")
        if name in self.hang:
            self.hanging += 1
            self.go.wait(WITHIN_S)
            return  # its port is closed by now, so it reaches nothing
        self.contacts[name] = supply


class FakeBoardRelay(Relay):
    def __init__(self, board: FakeBoard, host: Host) -> None:
        self._board, self._host = board, host
        self._link: int | None = None

    @property
    def facts(self) -> RelayFacts:
        return RelayFacts(
            readback=Readback.NONE,
            reopen_disturbs=False,
            latency_s=0.0,
            answers_within_s=SHORT_S,
            fails_on=True,
        )

    async def open(self) -> None:
        if self._link is None:
            self._link = await self._host.share("board", self._opened)

    async def _opened(self) -> SharedLink[int]:
        worker, board = self._host.worker("board"), self._board
        await worker.call(int)
        board.links += 1
        number = board.links

        async def close() -> None:
            await worker.call(board.closed.append, number)

        return SharedLink(number, close)

    async def close(self) -> None:
        if self._link is not None:
            self._link = None
            await self._host.release("board")

    async def set(self, supply: Supply) -> None:
        assert self._link is not None
        worker = self._host.worker("board")
        name = self._host.station
        await worker.call(self._board.switch, self._link, name, supply)

    async def get(self) -> Supply | None:
        return None


class FakeLevelGauge(Gauge):
    def __init__(self, levels: dict[str, float], host: Host) -> None:
        self._levels, self._name = levels, host.station

    @property
    def facts(self) -> GaugeFacts:
        return GaugeFacts(needs_supply=False, host_is_device=True, latency_s=0.0)

    async def open(self) -> None:
        return

    async def close(self) -> None:
        return

    async def read(self) -> Sample:
        return Sample(
            soc_percent=self._levels[self._name],
            voltage_v=3.9,
            battery_status=BatteryStatus.CHARGING,
            external_power=ExternalPower.YES,
        )


class Site:
    def __init__(self, folder: Path) -> None:
        self.board = FakeBoard()
        self.levels = {"lobby": 60.0, "stairs": 60.0}
        self.log = folder / "cycles.db"
        stations = {
            name: {
                "gauge": {"kind": "twin", "device": name},
                "relay": {"kind": "twin", "device": "board", "channel": channel},
                "window": {"low": 55, "high": 65},
                "poll": "1s",
                "stale_after": "5s",
            }
            for channel, name in enumerate(self.levels, start=1)
        }
        clock = SystemClock()
        self.service = Service(
            from_tables({"log": {"path": str(self.log)}, "station": stations}),
            clock=clock,
            machine=Machine(clock, locks=Locks(folder / "locks")),
        )

    @asynccontextmanager
    async def living(self) -> AsyncIterator[None]:
        with (
            mock.patch.object(
                assembly, "make_relay", lambda _, host: FakeBoardRelay(self.board, host)
            ),
            mock.patch.object(
                assembly,
                "make_gauge",
                lambda _, host: FakeLevelGauge(self.levels, host),
            ),
        ):
            task = asyncio.get_running_loop().create_task(self.service.run())
            try:
                yield
            finally:
                self.board.go.set()
                self.service.end()
                await task
            assert not self.service.broken

    async def until(self, holds: Callable[[], bool], what: str) -> None:
        async with asyncio.timeout(WITHIN_S):
            while not holds():  # noqa: ASYNC110 - threads change it, not the loop
                await asyncio.sleep(0.01)
        assert holds(), what


@pytest.fixture
def short() -> Iterator[None]:
    with (
        mock.patch.object(relay_line, "OPEN_LIMIT_S", SHORT_S),
        mock.patch.object(relay_line, "CLOSE_LIMIT_S", SHORT_S),
    ):
        yield


def board_threads() -> int:
    return sum(t.name == "tidegate board" for t in threading.enumerate())


@pytest.mark.usefixtures("short")
async def test_a_hanging_thread_is_replaced_its_link_closed_and_the_call_repeated(
    tmp_path: Path,
) -> None:
    """Two stations share the link; the one that did nothing wrong goes on as well."""
    site = Site(tmp_path)
    board = site.board
    async with site.living():
        await site.until(lambda: len(board.contacts) == 2, "both are on")
        board.hang = {"lobby"}
        site.service.stations["lobby"].feed(Stopping())
        await site.until(lambda: board.hanging == 1, "the call hangs")
        board.hang = set()
        await site.until(lambda: 1 in board.closed, "the poisoned link is closed")
        await site.until(lambda: board.links == 2, "and another opened")
        await site.until(lambda: not _outcomes_due(site), "the repeat is answered")
        assert board.contacts["lobby"] is Supply.ON
        # The neighbour hears that its port was given up, and opens the new one.
        board.contacts.pop("stairs")
        site.service.stations["stairs"].feed(Stopping())
        await site.until(lambda: "stairs" in board.contacts, "the neighbour is told")
        assert board_threads() <= 2
        board.go.set()
        await site.until(lambda: board_threads() == 1, "the thread left behind ends")
    rows = evidence.rows(site.log, "lobby")
    last = [e.row for e in rows if isinstance(e.row, OutcomeRow)][-1]
    assert last.succeeded


@pytest.mark.usefixtures("short")
@pytest.mark.slow
async def test_threads_do_not_pile_up_however_often_it_hangs(tmp_path: Path) -> None:
    site = Site(tmp_path)
    board = site.board
    async with site.living():
        await site.until(lambda: len(board.contacts) == 2, "both are on")
        board.hang = {"lobby", "stairs"}
        for _ in range(5):
            for name in ("lobby", "stairs"):
                station = site.service.stations[name]
                assert station.relay is not None
                await asyncio.wait_for(station.relay.rests(), WITHIN_S)
                station.feed(Stopping())
        for name in ("lobby", "stairs"):
            await site.service.stations[name].relay.rests()  # type: ignore[union-attr]
        assert board_threads() <= LEFT_BEHIND_MAX + 1
        board.go.set()
        board.hang = set()
    evidence.sound(site.log, "lobby")


def _outcomes_due(site: Site) -> bool:
    relay = site.service.stations["lobby"].relay
    assert relay is not None
    return not relay._idle.is_set()
