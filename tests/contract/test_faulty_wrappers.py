"""The fault-injecting wrappers do what their names say, call by call."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from support.host import TestHost
from tidegate.contract import Gauge, Readback
from tidegate.core.reading import Supply
from tidegate.errors import Malformed, Refused, Unavailable
from tidegate.testing import (
    Block,
    Dead,
    FaultyGauge,
    FaultyRelay,
    Freeze,
    Lie,
    Lose,
    Reversed,
    Slow,
    Sound,
    Stuck,
)
from tidegate.twin.bench import Bench, key, opener
from tidegate.twin.relay import TwinRelay, TwinRelaySettings
from tidegate_backends.gauges.command import CommandGauge, CommandSettings


class Battery:
    """A program's answer, changed by the test, and a gauge that reads it."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def says(self, soc_percent: float) -> None:
        self._path.write_text(f'{{"soc_percent": {soc_percent}}}')

    def gauge(self) -> Gauge:
        return CommandGauge(CommandSettings(run=("cat", str(self._path))), TestHost())


@pytest.fixture
def battery(tmp_path: Path) -> Battery:
    battery = Battery(tmp_path / "answer.json")
    battery.says(60)
    return battery


async def test_script_of_a_gauge(battery: Battery) -> None:
    script = [
        (2, Sound()),
        (1, Lose()),
        (1, Lose(Malformed)),
        (2, Freeze()),
        (1, Lie("soc_percent", 5.0)),
    ]
    told: list[object] = []
    async with FaultyGauge(battery.gauge(), script) as gauge:
        for number in range(9):
            battery.says(60 + number)
            try:
                told.append((await gauge.read()).soc_percent)
            except (Unavailable, Malformed) as error:
                told.append(type(error))
        assert gauge.reads == 9
    assert told == [60, 61, Unavailable, Malformed, 61, 61, 5.0, 67, 68]


async def test_lie_leaves_the_other_quantities_alone(battery: Battery) -> None:
    async with FaultyGauge(battery.gauge()) as gauge:
        gauge.order(Lie("temperature_c", 62.0))
        sample = await gauge.read()
        assert (sample.soc_percent, sample.temperature_c) == (60, 62.0)
        gauge.order(Sound())
        assert (await gauge.read()).temperature_c is None


def test_lie_about_what_is_no_quantity() -> None:
    with pytest.raises(AssertionError, match="soc is no quantity"):
        Lie("soc", 5)


async def test_freeze_from_the_first_read_on(battery: Battery) -> None:
    """Nothing was said yet, so the first answer is the one that stays."""
    async with FaultyGauge(battery.gauge()) as gauge:
        gauge.order(Freeze())
        assert (await gauge.read()).soc_percent == 60
        battery.says(40)
        assert (await gauge.read()).soc_percent == 60


async def test_block_until_released(battery: Battery) -> None:
    block = Block()
    async with FaultyGauge(battery.gauge(), [(1, block)]) as gauge:
        read = asyncio.create_task(gauge.read())
        await block.reached.wait()
        battery.says(61)
        assert not read.done()
        block.released.set()
        assert (await read).soc_percent == 61


async def test_facts_are_those_of_the_gauge_inside(battery: Battery) -> None:
    inner = battery.gauge()
    assert FaultyGauge(inner).facts == inner.facts


def test_step_of_no_calls() -> None:
    with pytest.raises(AssertionError, match="no calls"):
        FaultyGauge(
            CommandGauge(CommandSettings(run=("true",)), TestHost()), [(0, Lose())]
        )


class Supplied:
    """A twin's contact, and a relay that moves it."""

    def __init__(self) -> None:
        self.bench = Bench()
        self.host = TestHost()

    async def relay(self, readback: Readback = Readback.LATCH) -> TwinRelay:
        await self.host.share(key("wall-guide"), opener(self.bench))
        return TwinRelay(TwinRelaySettings(readback=readback), self.host)

    @property
    def supply(self) -> Supply:
        return Supply.ON if self.bench.contact.closed else Supply.OFF


@pytest.mark.parametrize(
    ("mood", "supply", "told"),
    [
        (Sound(), Supply.OFF, Supply.OFF),
        (Stuck(), Supply.ON, Supply.OFF),
        (Reversed(), Supply.ON, Supply.OFF),
    ],
)
async def test_moods_of_a_relay(
    mood: Sound | Stuck | Reversed, supply: Supply, told: Supply
) -> None:
    """What the contact does, and what the latch says, after an off."""
    supplied = Supplied()
    async with FaultyRelay(await supplied.relay(), [(1, mood)]) as relay:
        await relay.set(Supply.OFF)
        assert (supplied.supply, await relay.get()) == (supply, told)
        await relay.set(Supply.OFF)
        assert (supplied.supply, await relay.get()) == (Supply.OFF, Supply.OFF)
        assert relay.orders == [Supply.OFF, Supply.OFF]


async def test_sensed_contact_tells_the_truth() -> None:
    supplied = Supplied()
    async with FaultyRelay(await supplied.relay(Readback.SENSED)) as relay:
        relay.order(Stuck())
        await relay.set(Supply.OFF)
        assert await relay.get() is supplied.supply is Supply.ON


@pytest.mark.parametrize("readback", [Readback.ECHO, Readback.LATCH, Readback.SENSED])
async def test_reversed_on_is_an_off(readback: Readback) -> None:
    """The wires are crossed behind the contact: no readback knows of it."""
    supplied = Supplied()
    async with FaultyRelay(await supplied.relay(readback)) as relay:
        relay.order(Reversed())
        await relay.set(Supply.ON)
        assert (supplied.supply, await relay.get()) == (Supply.OFF, Supply.ON)


@pytest.mark.parametrize("readback", [Readback.LATCH, Readback.SENSED])
async def test_a_board_that_was_wired_so_before_is_misled(readback: Readback) -> None:
    supplied = Supplied()
    inner = await supplied.relay(readback)
    async with inner:
        await inner.set(Supply.OFF)
    relay = FaultyRelay(inner)
    relay.order(Reversed())
    async with relay:
        assert (supplied.supply, await relay.get()) == (Supply.OFF, Supply.ON)


async def test_dead_relay_answers_nothing() -> None:
    supplied = Supplied()
    async with FaultyRelay(await supplied.relay(), [(1, Dead(Refused))]) as relay:
        with pytest.raises(Refused):
            await relay.set(Supply.OFF)
        with pytest.raises(Refused):
            await relay.get()
        with pytest.raises(Refused):
            await relay.refresh()
        await relay.set(Supply.OFF)
        await relay.refresh()
    assert supplied.supply is Supply.OFF


async def test_slow_relay_acts_when_released() -> None:
    supplied, slow = Supplied(), Slow()
    async with FaultyRelay(await supplied.relay(), [(1, slow)]) as relay:
        call = asyncio.create_task(relay.set(Supply.OFF))
        await slow.reached.wait()
        assert supplied.supply is Supply.ON
        slow.released.set()
        await call
        assert supplied.supply is Supply.OFF


async def test_slow_relay_that_is_given_up_never_acts() -> None:
    supplied, slow = Supplied(), Slow()
    async with FaultyRelay(await supplied.relay(), [(1, slow)]) as relay:
        call = asyncio.create_task(relay.set(Supply.OFF))
        await slow.reached.wait()
        call.cancel()
        with pytest.raises(asyncio.CancelledError):
            await call
        slow.released.set()
        await asyncio.sleep(0)
        assert supplied.supply is Supply.ON
