"""Fault 45: a disk and a broker that take nothing, and a daemon that tells them both.

The disk is a pipe where the file should be: opening it waits in the kernel until
somebody reads. The broker is a port for which the system takes connections that nobody
answers. Control runs in virtual time; who watches it looks at the real clock.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final
from unittest import mock

from faults.rigs import STATION, Site, lives
from support.raw_peer import RawPeer
from tidegate.publish.ended import Ended
from tidegate.publish.part import Counting, MqttPart, published
from tidegate.service import Service
from tidegate.settings import from_tables

# So many notes may wait for the broker in this check.
ROOM: Final = 3
# Between two readings in virtual time there are milliseconds, on any machine.
STALL_S: Final = 2.0


class PublishingSite(Site):
    """A site that writes metrics into a folder and publishes to a broker."""

    def __init__(self, folder: Path, *, broker: int) -> None:
        super().__init__(folder)
        self.pipe = folder / ".tidegate.prom.new"
        self.has_stalled = False
        station = {"gauge": {"kind": "twin"}}
        tables: dict[str, Any] = {
            "station": {STATION: station},
            "metrics": {"textfile": str(folder / "tidegate.prom")},
            "mqtt": {
                "broker": "127.0.0.1",
                "port": broker,
                "tls": False,
                "topic": "museum/east",
            },
        }
        self._tables = from_tables(tables)

    def made(self, *, log: Path | None = None) -> Service:
        service = super().made(log=log)
        self.parts = published(self._tables)
        service._parts = self.parts
        return service

    @property
    def dropped(self) -> dict[str, int]:
        """What each sink says that it dropped of the station."""
        counting = self.parts[0]
        assert isinstance(counting, Counting)
        (view,) = counting.tally.views([STATION])
        return view.figures.dropped

    @property
    def notes_waiting(self) -> int:
        (part,) = [part for part in self.parts if isinstance(part, MqttPart)]
        assert part._publisher is not None
        return len(part._publisher._boxes.notes)

    def _check_lives(self) -> None:
        assert not self.has_stalled, "control waited for a sink"
        super()._check_lives()

    @contextmanager
    def watched(self) -> Iterator[None]:
        """Notice control that stands still, and then let the disk go on."""
        ended = threading.Event()

        def watch() -> None:
            seen = -1
            while not ended.wait(STALL_S):
                if seen == self.cycles:
                    self.has_stalled = True
                    self.read_pipe()
                seen = self.cycles

        os.mkfifo(self.pipe)
        thread = threading.Thread(target=watch, daemon=True)
        thread.start()
        try:
            yield
        finally:
            ended.set()
            thread.join()
            self.read_pipe()

    def read_pipe(self) -> None:
        """Let whoever waits for a reader of the pipe go on."""
        if self.pipe.is_fifo():
            os.close(os.open(self.pipe, os.O_RDONLY | os.O_NONBLOCK))


def sinks_that_take_nothing(folder: Path) -> None:
    with (
        RawPeer(accepts=False) as broker,
        mock.patch("tidegate.publish.mqtt.NOTES_AT_MOST", ROOM),
        # Nobody waits for threads in virtual time, which has none.
        mock.patch("tidegate.publish.ended.Ended.tell", _to_nobody),
    ):
        site = PublishingSite(folder, broker=broker.port)
        with site.watched():
            lives(site, _published)


def _to_nobody(self: Ended) -> None:
    """End without a word."""


async def _published(site: Site) -> None:
    assert isinstance(site, PublishingSite)
    async with site.living():
        for _ in range(2):
            await site.switched_off()
            site.set(capacity=54)
            await site.until(lambda: not site.board.driven(), 400, "on at the low mark")
            await site.live(200)
        waiting = site.notes_waiting
        assert waiting <= ROOM, f"{waiting} notes wait where there is room for {ROOM}"
        dropped = site.dropped
        assert dropped["textfile"] > 0, "what the disk did not take is not counted"
        assert dropped["mqtt"] > 0, "what the broker did not take is not counted"
    site.sound()


CASES = {45: sinks_that_take_nothing}
