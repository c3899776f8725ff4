"""Where a recording reads from: the daemon that runs the station, or the gauge itself."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Protocol

from tidegate.errors import (
    DaemonAbsent,
    Malformed,
    NotPermitted,
    OrderRefused,
    Unavailable,
    Unsupported,
)

if TYPE_CHECKING:
    from tidegate.contract import Gauge
    from tidegate.host import Machine
    from tidegate.settings import StationSettings

READ_LIMIT_S: Final = 5.0
CLOSE_LIMIT_S: Final = 2.0


class Source(Protocol):
    """What is read from. Errors of ``read``: those of a gauge, DaemonAbsent."""

    async def read(self) -> Mapping[str, Any]:
        """Return a reading under the keys of ``read --json``."""

    async def close(self) -> None:
        """Let go of it."""


class DaemonSource:
    """A daemon that has the station; ``window`` is what it holds it in, if anything.

    A connection for each question, so that a daemon that starts anew is found again.
    """

    def __init__(self, path: Path, station: str, arguments: Mapping[str, Any]) -> None:
        self._path, self._station = path, station
        self._arguments = dict(arguments)

    @classmethod
    def found(
        cls, path: Path, station: str, arguments: Mapping[str, Any]
    ) -> DaemonSource | None:
        """Return it, or ``None`` where no daemon answers for the station to us."""
        from tidegate.control.protocol import WHERE

        source = cls(path, station, arguments)
        try:
            source.status()
        except (DaemonAbsent, NotPermitted, OrderRefused):
            return None
        except (Malformed, Unsupported) as error:
            if error.target != WHERE:
                raise
            return None
        return source

    def status(self) -> Mapping[str, Any]:
        """Return the station's part of a status document."""
        document = self._ask("status")
        (station,) = document["stations"]
        found: Mapping[str, Any] = station
        return found

    async def read(self) -> Mapping[str, Any]:
        """Return what the daemon reads in its turn."""
        return self._ask("read")

    async def close(self) -> None:
        """Nothing to let go of."""

    def _ask(self, name: str) -> Mapping[str, Any]:
        from tidegate.control.client import Client

        with Client.connect(self._path) as client:
            return client.ask(name, station=self._station, **self._arguments)


class GaugeSource:
    """The gauge of the settings, opened at the first read and held open."""

    def __init__(self, name: str, settings: StationSettings, machine: Machine) -> None:
        self._name, self._settings, self._machine = name, settings, machine
        self._host = machine.host(name, hint=lambda: None)
        self._gauge: Gauge | None = None

    async def read(self) -> Mapping[str, Any]:
        """Return a reading. Errors: those of the gauge."""
        from tidegate.assembly import make_gauge
        from tidegate.core.plausibility import judge
        from tidegate.station.reading_document import as_document

        gauge = make_gauge(self._settings, self._host) if self._gauge is None else None
        kept = self._gauge or gauge
        assert kept is not None
        try:
            async with asyncio.timeout(max(READ_LIMIT_S, kept.facts.answers_within_s)):
                if self._gauge is None:
                    await kept.open()
                    self._gauge = kept
                sample = await kept.read()
        except TimeoutError as error:
            raise Unavailable(
                f"the gauge did not answer within {READ_LIMIT_S:g} s",
                target=self._name,
                remedy="Its driver or its bus hangs; look at the kernel's messages",
            ) from error
        clock = self._machine.clock
        reading = judge(sample, at_ms=clock.boot_ms(), wall_ms=clock.wall_ms())
        return as_document(self._name, self._settings.gauge.kind, reading)

    async def close(self) -> None:
        """Close the gauge, for so long as that may take."""
        try:
            async with asyncio.timeout(CLOSE_LIMIT_S):
                if self._gauge is not None:
                    await self._gauge.close()
                await self._host.close()
        except TimeoutError:
            # It is read no more, and the process ends: nothing waits for it.
            self._gauge = None
        finally:
            self._machine.workers.close()
