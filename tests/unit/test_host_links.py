"""Shared links, and what a station's host gives out and takes back."""

import asyncio
import os

import pytest
import structlog

from tidegate.contract import SharedLink
from tidegate.errors import Unavailable
from tidegate.host import InlineWorker, Links, Machine, Workers
from tidegate.host.links import CLOSE_LIMIT_S
from tidegate.virtual import VirtualClock, run


class Port:
    """Something to share that counts how often it was opened and closed."""

    def __init__(self):
        self.opened = 0
        self.closed = []
        self.fails = 0
        self.takes_s = 0.0

    async def open(self):
        await asyncio.sleep(self.takes_s)
        if self.fails:
            self.fails -= 1
            raise Unavailable("not there", target="port")
        self.opened += 1
        number = self.opened
        return SharedLink(number, lambda: self.close(number))

    async def close(self, number):
        await asyncio.sleep(self.takes_s)
        self.closed.append(number)


@pytest.fixture
def port():
    return Port()


@pytest.fixture
def machine():
    return Machine(VirtualClock(boot_ms=77), workers=Workers(InlineWorker))


def host_of(machine, station="lobby", hint=lambda: None):
    return machine.host(station, hint=hint)


async def test_opened_once_closed_by_the_last(port):
    links = Links()
    first, second = await asyncio.gather(
        links.take("a", port.open), links.take("a", port.open)
    )
    assert first.value == second.value == 1

    await links.give_back(first)
    assert port.closed == []
    await links.give_back(second)
    assert port.closed == [1]
    assert (await links.take("a", port.open)).value == 2


async def test_failure_to_open_is_not_remembered(port):
    links = Links()
    port.fails = 1
    results = await asyncio.gather(
        links.take("a", port.open), links.take("a", port.open), return_exceptions=True
    )
    assert isinstance(results[0], Unavailable)
    assert results[1].value == 1


async def test_an_opener_given_up_lets_the_next_one_open(port):
    links, never = Links(), asyncio.Event()

    async def hang():
        await never.wait()

    stuck = asyncio.create_task(links.take("a", hang))
    waits = asyncio.create_task(links.take("a", port.open))
    other = await links.take("b", port.open)
    assert other.value == 1  # another key is not delayed
    assert not waits.done()
    stuck.cancel()
    assert (await waits).value == 2


async def test_poison_closes_at_once_and_the_next_opens_anew(port):
    links = Links()
    lobby, hall = await links.take("a", port.open), await links.take("a", port.open)

    await links.poison("a")
    assert port.closed == [1]
    fresh = await links.take("a", port.open)
    assert fresh.value == 2

    await links.give_back(lobby)
    await links.give_back(hall)
    assert port.closed == [1]  # the old holders' leaving does not touch the new one
    await links.give_back(fresh)
    assert port.closed == [1, 2]
    await links.poison("a")  # nothing is open: nothing to do
    assert port.closed == [1, 2]


def test_a_close_that_hangs_is_cut_and_told():
    clock, links = VirtualClock(), Links()

    async def hang():
        await asyncio.Event().wait()

    async def open_it():
        return SharedLink("x", hang)

    async def main():
        lease = await links.take("a", open_it)
        with structlog.testing.capture_logs() as messages:
            await links.give_back(lease)
        assert messages[0]["event"] == "a link did not close in good order"
        assert "TimeoutError" in messages[0]["error"]

    run(main(), clock=clock)
    assert clock.boot_ms() == CLOSE_LIMIT_S * 1000


async def test_a_close_that_fails_is_told_and_forgotten(port):
    links = Links()

    async def fail():
        raise OSError("gone")

    async def open_it():
        return SharedLink("x", fail)

    with structlog.testing.capture_logs() as messages:
        await links.give_back(await links.take("a", open_it))
    assert messages[0]["error"] == "OSError('gone')"
    assert (await links.take("a", port.open)).value == 1


def test_a_caller_that_gives_up_does_not_leave_a_link_half_closed(port):
    links = Links()
    port.takes_s = 1.0

    async def main():
        lease = await links.take("a", port.open)
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.1):
                await links.give_back(lease)
        # The next one waits until the old one is closed: one owner at a time.
        assert (await links.take("a", port.open)).value == 2
        assert port.closed == [1]

    run(main(), clock=VirtualClock())


async def test_stations_share_over_their_hosts(machine, port):
    lobby, hall = host_of(machine), host_of(machine, "hall")
    assert await lobby.share("a", port.open) == 1
    assert await hall.share("a", port.open) == 1

    await lobby.release("a")
    await lobby.release("a")  # may be called twice
    assert port.closed == []
    await hall.poison("a")
    assert port.closed == [1]
    assert await lobby.share("a", port.open) == 2
    await hall.release("a")
    assert port.closed == [1]
    await lobby.release("a")
    assert port.closed == [1, 2]


async def test_gauge_and_relay_of_one_station_share_a_link(machine, port):
    lobby = host_of(machine)
    assert await lobby.share("a", port.open) == await lobby.share("a", port.open)
    await lobby.release("a")
    assert port.closed == []
    await lobby.release("a")
    assert port.closed == [1]


async def test_close_lets_go_of_everything(machine, port):
    lobby = host_of(machine)
    await lobby.share("a", port.open)
    await lobby.share("b", port.open)
    worker = lobby.worker("reads")
    assert host_of(machine, "hall").worker("reads") is worker

    await lobby.close()
    assert sorted(port.closed) == [1, 2]
    await lobby.close()


async def test_hint_and_clock_reach_the_station(machine):
    hints = []
    lobby = host_of(machine, hint=lambda: hints.append("read"))
    lobby.hint()
    assert hints == ["read"]
    assert lobby.station == "lobby"
    assert lobby.boot_ms() == 77


async def test_attach_tells_when_there_is_something_to_read(machine):
    lobby, ready = host_of(machine), asyncio.Event()
    reader, writer = os.pipe()
    try:
        detach = lobby.attach(reader, ready.set)
        os.write(writer, b"x")
        async with asyncio.timeout(10):
            await ready.wait()
        detach()
        detach()
        assert not asyncio.get_running_loop().remove_reader(reader)

        lobby.attach(reader, ready.set)
        await lobby.close()
        assert not asyncio.get_running_loop().remove_reader(reader)
    finally:
        os.close(reader)
        os.close(writer)
