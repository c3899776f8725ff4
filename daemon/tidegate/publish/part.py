"""The parts of the service that tell others how it goes, each on only where asked for.

They share one tally. What fails to begin is said once, and all else goes on.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Final, Protocol

from tidegate.clock import Clock
from tidegate.core.effects import Effect
from tidegate.core.events import Event
from tidegate.core.policy import MINUTE_MS
from tidegate.publish.figures import CYCLES
from tidegate.publish.tally import Tally
from tidegate.settings import Settings
from tidegate.settings.table_metrics import MetricsSettings
from tidegate.settings.table_mqtt import MqttSettings
from tidegate.station.shell import Station

if TYPE_CHECKING:
    from tidegate.publish.endpoint import Endpoint
    from tidegate.publish.mqtt import Publisher
    from tidegate.publish.textfile import TextFile

# The first file waits at most so long for stations that have not been read yet.
_FIRST_MS: Final = MINUTE_MS

_Onlooker = Callable[[Station, Event, tuple[Effect, ...]], None]


class Observed(Protocol):
    """What of the service is looked at here."""

    settings: Settings
    clock: Clock
    onlookers: list[_Onlooker]


class Counting:
    """Feeds the tally; before all that read from it."""

    name = "metrics"
    tables: tuple[str, ...] = ()

    def __init__(self, tally: Tally) -> None:
        self.tally = tally

    async def begin(self, service: Observed) -> None:
        """Begin to count."""
        service.onlookers.append(self.tally.happened)

    def settings_changed(self, service: Observed) -> None:
        """Forget stations that are gone."""
        self.tally.forget_others(service.settings.stations)

    async def end(self) -> None:
        """There is nothing to end."""


class TextFilePart:
    """Writes the metrics into a file, with an event and at most so often."""

    name = "metrics: textfile"

    def __init__(self, settings: MetricsSettings, tally: Tally) -> None:
        self._settings = settings
        self._tally = tally
        self._due_ms = self._first_by_ms = 0
        self._awaited: set[str] = set()
        self._file: TextFile | None = None
        self._service: Observed | None = None

    async def begin(self, service: Observed) -> None:
        """Begin to write."""
        from tidegate.publish.textfile import TextFile

        assert self._settings.textfile is not None
        self._service = service
        self._awaited = set(service.settings.stations)
        wait_ms = min(self._settings.every_ms, _FIRST_MS)
        self._first_by_ms = service.clock.boot_ms() + wait_ms
        file = self._file = TextFile(self._settings.textfile, clock=service.clock)
        self._tally.sinks[file.name] = lambda _: file.dropped
        service.onlookers.append(self._happened)

    async def end(self) -> None:
        """Take the file away."""
        if self._file is not None:
            await self._file.end()

    def _happened(
        self, station: Station, event: Event, effects: tuple[Effect, ...]
    ) -> None:
        del effects
        now_ms = station.clock.boot_ms()
        if now_ms < self._due_ms or not isinstance(event, CYCLES):
            return
        # A file of the first station alone would stand until the next is due.
        self._awaited.discard(station.name)
        if self._awaited and now_ms < self._first_by_ms:
            return
        self._awaited.clear()
        self._due_ms = now_ms + self._settings.every_ms
        assert self._file is not None
        assert self._service is not None
        self._file.put(self._tally.views(self._service.settings.stations))


class EndpointPart:
    """Tells the metrics to whoever asks for them."""

    name = "metrics: endpoint"

    def __init__(self, settings: MetricsSettings, tally: Tally) -> None:
        self._settings = settings
        self._tally = tally
        self._endpoint: Endpoint | None = None

    async def begin(self, service: Observed) -> None:
        """Begin to listen. Errors: TidegateError."""
        from tidegate.publish.endpoint import Endpoint

        assert self._settings.address is not None
        host, port = self._settings.address
        self._endpoint = Endpoint(
            host,
            port,
            beyond=self._settings.listen_beyond_loopback,
            views=lambda: self._tally.views(service.settings.stations),
            clock=service.clock,
        )
        self._endpoint.open()

    async def end(self) -> None:
        """Listen no more."""
        if self._endpoint is not None:
            await self._endpoint.close()


class MqttPart:
    """Tells a broker how the stations are, and what happens to them."""

    name = "mqtt"
    tables: tuple[str, ...] = ()

    def __init__(self, settings: MqttSettings, tally: Tally) -> None:
        self._settings = settings
        self._tally = tally
        self._publisher: Publisher | None = None

    async def begin(self, service: Observed) -> None:
        """Begin to publish. Errors: TidegateError where paho-mqtt is not installed."""
        from tidegate.publish.mqtt import Publisher

        publisher = self._publisher = Publisher(
            self._settings, clock=service.clock, views=self._tally.view
        )
        self._tally.sinks[publisher.name] = publisher.dropped
        service.onlookers.append(publisher.happened)

    def settings_changed(self, service: Observed) -> None:
        """Forget stations that are gone."""
        if self._publisher is not None:
            self._publisher.forget_others(service.settings.stations)

    async def end(self) -> None:
        """Say offline and leave."""
        if self._publisher is not None:
            await self._publisher.end()


Published = Counting | TextFilePart | EndpointPart | MqttPart


def published(settings: Settings) -> tuple[Published, ...]:
    """Return the parts that these settings switch on."""
    tally = Tally()
    parts: list[Published] = []
    if settings.metrics.textfile is not None:
        parts.append(TextFilePart(settings.metrics, tally))
    if settings.metrics.listen is not None:
        parts.append(EndpointPart(settings.metrics, tally))
    if settings.mqtt.broker is not None:
        parts.append(MqttPart(settings.mqtt, tally))
    return (Counting(tally), *parts) if parts else ()
