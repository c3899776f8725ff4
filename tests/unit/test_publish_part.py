"""The parts that tell others: when the first file is due, and stations that are gone."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast
from unittest import mock

import pytest

from support.fake_broker import FakeBroker
from tidegate.core.effects import Effect
from tidegate.core.events import Event, GaugeFailed
from tidegate.publish.part import Counting, MqttPart, TextFilePart
from tidegate.publish.tally import Tally
from tidegate.service.parts import Reloadable
from tidegate.settings.table_metrics import MetricsSettings
from tidegate.settings.table_mqtt import MqttSettings
from tidegate.station.shell import Station
from tidegate.virtual import VirtualClock
from unit.test_publish_tally import FakeStation

TOPIC = "museum/east"
FAILED = GaugeFailed(kind="slow")


@dataclass
class FakeService:
    """What a part sees of the service: who looks on, and which stations there are."""

    names: tuple[str, ...]
    clock: VirtualClock = field(default_factory=lambda: VirtualClock(boot_ms=600_000))
    onlookers: list[Callable[..., None]] = field(default_factory=list)

    @property
    def settings(self) -> Any:
        return SimpleNamespace(stations=dict.fromkeys(self.names))

    def happens(self, name: str, event: Event = FAILED, *effects: Effect) -> None:
        station = cast(Station, FakeStation(name=name, clock=self.clock))
        for onlooker in self.onlookers:
            onlooker(station, event, effects)


@pytest.fixture
def service() -> FakeService:
    return FakeService(("hall", "tower"))


async def writing(
    service: FakeService, folder: Path, every: str
) -> list[tuple[str, ...]]:
    """Return a list that gets the stations of each file, as soon as it is due."""
    written: list[tuple[str, ...]] = []
    tally = Tally()
    table = {"textfile": str(folder / "tidegate.prom"), "every": every}
    part = TextFilePart(MetricsSettings.model_validate(table), tally)
    file = mock.Mock()
    file.put = lambda views: written.append(tuple(view.station for view in views))
    with mock.patch("tidegate.publish.textfile.TextFile", return_value=file):
        for each in (Counting(tally), part):
            await each.begin(cast(Any, service))
    return written


async def test_the_first_file_has_every_station_in_it(
    service: FakeService, tmp_path: Path
) -> None:
    """One of the first alone would stand for an hour."""
    written = await writing(service, tmp_path, "1h")
    service.happens("hall")
    assert written == []
    service.happens("tower")
    assert written == [("hall", "tower")]
    for _ in range(59):
        service.clock.advance(60_000)
        service.happens("hall")
    assert len(written) == 1
    service.clock.advance(60_000)
    service.happens("hall")
    assert len(written) == 2


@pytest.mark.parametrize(("every", "wait_ms"), [("10s", 10_000), ("1h", 60_000)])
async def test_the_first_file_does_not_wait_for_a_station_that_hangs(
    service: FakeService, tmp_path: Path, every: str, wait_ms: int
) -> None:
    written = await writing(service, tmp_path, every)
    service.clock.advance(wait_ms - 1)
    service.happens("hall")
    assert written == []
    service.clock.advance(1)
    service.happens("hall")
    assert written == [("hall",)]


async def publishing(
    service: FakeService, broker: FakeBroker
) -> tuple[MqttPart, Tally]:
    """Return the part, begun; a broker ends with it."""
    tally = Tally()
    settings = MqttSettings(
        broker="127.0.0.1", port=broker.port, tls=False, topic=TOPIC
    )
    part = MqttPart(settings, tally)
    for each in (Counting(tally), part):
        await each.begin(cast(Any, service))
    return part, tally


async def test_a_broker_that_comes_later_hears_nothing_of_a_station_that_is_gone(
    service: FakeService,
) -> None:
    """Retained it would stand there as if it were of now."""
    broker = FakeBroker()  # takes connections, and answers none yet
    part, tally = await publishing(service, broker)
    for name in service.names:
        service.happens(name)
    service.names = ("hall",)
    for each in (Counting(tally), part):
        assert isinstance(each, Reloadable)
        assert each.tables == (), "a change of their own tables needs a restart"
        each.settings_changed(cast(Any, service))
    assert tally.view("tower") is None
    assert tally.view("hall") is not None
    with broker:
        assert broker.hears(f"{TOPIC}/hall/state")
        await part.end()
    assert broker.heard.count(f"{TOPIC}/tower/state") == 0


async def test_nothing_is_kept_of_stations_that_came_and_went(
    service: FakeService,
) -> None:
    broker = FakeBroker()
    part, tally = await publishing(service, broker)
    for number in range(100):
        service.names = (f"guide-{number}",)
        service.happens(service.names[0])
        for each in (Counting(tally), part):
            each.settings_changed(cast(Any, service))
    assert part._publisher is not None
    kept = (part._publisher._boxes.states, part._publisher._due_ms, tally._books)
    assert [len(each) for each in kept] == [1, 1, 1]
    with broker:
        await part.end()
