"""What the daemon remembers for whoever asks, and whom it tells: in virtual time.

The service and its two questions are the real ones; a fake peer keeps what it is told.
Times of day are RFC 3339 section 5.6, read with the standard library. Rates are those
of the fake device: 20 %/h on, 12 %/h off, both invented.
"""

from __future__ import annotations

import asyncio
import itertools
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from contextlib import asynccontextmanager
from datetime import datetime
from pathlib import Path
from typing import Any
from unittest import mock

import pytest

from support.shell_rig import HANGS, OFF, START_MS, Mood, Rig, lives
from tidegate.cli.watch_frame import Lines
from tidegate.control.protocol import Gone
from tidegate.core.reading import BatteryStatus, ExternalPower, Sample, Supply
from tidegate.errors import Malformed, OrderRefused
from tidegate.service.asked import status
from tidegate.service.onlooking import RECENT_MOST, Memory, Onlooking
from tidegate.station.operator import place_override, release_override
from tidegate.virtual import VirtualClock


class FakeTalk:
    """A peer that keeps what it is told and when, and may have left."""

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self.heard: list[tuple[int, Mapping[str, Any]]] = []
        self.has_left = False

    async def more(self, document: Mapping[str, Any]) -> None:
        if self.has_left:
            raise Gone
        self.heard.append((self.rig.clock.boot_ms(), document))


class Watched:
    """A rig with the two questions, as the control socket would ask them."""

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        assert rig.service is not None
        self.asks = status.asks(rig.service)
        work: Any = self.asks["status"].handler
        self.onlooking: Onlooking = work.args[1]

    async def status(self, **arguments: Any) -> dict[str, Any]:
        talk: Any = FakeTalk(self.rig)
        return dict(await self.asks["status"].handler(arguments, talk))

    async def lobby(self) -> dict[str, Any]:
        (found,) = (await self.status())["stations"]
        return dict(found)

    def watch(self, **arguments: Any) -> tuple[FakeTalk, asyncio.Task[Any]]:
        talk: Any = FakeTalk(self.rig)
        work = self.asks["watch"].handler(arguments, talk)
        task = asyncio.get_running_loop().create_task(_awaited(work))
        return talk, task

    @property
    def waiting(self) -> int:
        return len(self.onlooking._wanted)


async def _awaited(work: Any) -> Any:
    return await work


@asynccontextmanager
async def watched(rig: Rig) -> AsyncIterator[Watched]:
    async with rig.living():
        yield Watched(rig)


async def left(task: asyncio.Task[Any]) -> None:
    """End a watch as the server does once its peer has left."""
    task.cancel()
    await asyncio.wait({task})


def at(moment: str) -> float:
    return datetime.fromisoformat(moment).timestamp()


# --- status ---------------------------------------------------------------------------


def test_the_times_told_are_those_of_the_wall_clock(tmp_path: Path) -> None:
    rig = Rig(tmp_path)

    async def life() -> None:
        async with watched(rig) as seen:
            await rig.live(660)
            lobby = await seen.lobby()
            wall_s = rig.clock.wall_ms() / 1_000
            drive = rig.state().drive
            on_for_s = (rig.clock.boot_ms() - drive.commanded_at_ms) / 1_000
            assert at(lobby["supply_since"]) == pytest.approx(wall_s - on_for_s)
            assert 0 <= lobby["gauge_age_s"] <= 30
            coming = lobby["next"]
            # 3 min a point, and it shows only whole ones: 65 % after a quarter.
            assert coming["what"] == "off"
            assert coming["at_percent"] == 65.0
            assert at(coming["at"]) - wall_s == pytest.approx(coming["in_s"], abs=1)
            foreseen_s = at(coming["at"])
            await rig.until_told(OFF)
            assert rig.clock.wall_ms() / 1_000 == pytest.approx(foreseen_s, abs=60)

    lives(rig, life)


def test_an_alarm_has_the_time_when_it_came_until_it_is_over(tmp_path: Path) -> None:
    rig = Rig(tmp_path)

    async def life() -> None:
        async with watched(rig) as seen:
            await rig.live(120)
            assert (await seen.lobby())["alarms"] == []
            rig.devices["lobby"].temperature_c = 50.0
            await rig.until(lambda: rig.alarmed("battery_hot"), 300, "hot")
            came_s = rig.clock.wall_ms() / 1_000
            await rig.live(600)
            (alarm,) = (await seen.lobby())["alarms"]
            assert alarm["code"] == "battery_hot"
            assert "not charged until it has cooled" in alarm["text"]
            assert at(alarm["since"]) == pytest.approx(came_s, abs=0.1)
            rig.devices["lobby"].temperature_c = 25.0
            await rig.until(lambda: not rig.alarmed("battery_hot"), 3_600, "cool")
            assert (await seen.lobby())["alarms"] == []
            assert seen.onlooking.of("lobby").alarms == {}

    lives(rig, life)


def test_a_reading_that_is_not_trusted_is_no_pace(tmp_path: Path) -> None:
    rig = Rig(tmp_path)

    async def life() -> None:
        async with watched(rig) as seen:
            await rig.live(900)
            before = dict(seen.onlooking.of("lobby").pace.learned)
            assert before
            wrong = Sample(
                soc_percent=140.0,
                battery_status=BatteryStatus.CHARGING,
                external_power=ExternalPower.YES,
                voltage_v=3.8,
                temperature_c=25.0,
            )
            rig.gauges["lobby"].order("read", Mood(answer=wrong))
            await rig.live(120)
            assert seen.onlooking.of("lobby").pace.learned == before
            assert (await seen.lobby())["soc_percent"] < 100

    lives(rig, life)


def test_a_station_without_a_reading_is_told_with_nulls(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    rig.prepare = lambda: [g.order("read", HANGS) for g in rig.gauges.values()]

    async def life() -> None:
        async with watched(rig) as seen:
            await rig.live(1)
            lobby = await seen.lobby()
            absent = ("supply", "supply_since", "soc_percent", "gauge_age_s", "next")
            assert [lobby[key] for key in absent] == [None] * len(absent)
            assert lobby["text"].startswith("nothing is commanded yet")

    lives(rig, life)


def test_a_station_is_named_or_all_are_meant(tmp_path: Path) -> None:
    rig = Rig(tmp_path, names=("hall", "tower"))

    async def life() -> None:
        async with watched(rig) as seen:
            await rig.live(60)
            every = (await seen.status())["stations"]
            assert [each["station"] for each in every] == ["hall", "tower"]
            (one,) = (await seen.status(station="tower"))["stations"]
            assert one["station"] == "tower"
            with pytest.raises(OrderRefused, match="no station towr"):
                await seen.status(station="towr")
            with pytest.raises(Malformed, match="unknown"):
                await seen.status(all=True)

    lives(rig, life)


def test_a_station_that_is_out_says_for_what(tmp_path: Path) -> None:
    rig = Rig(tmp_path)

    async def life() -> None:
        async with watched(rig) as seen:
            await rig.live(60)
            assert rig.service is not None
            async with rig.service.turnover.out("lobby", why="a proof"):
                lobby = await seen.lobby()
                assert lobby["text"].startswith("out for a proof")
                assert lobby["out"] == "a proof"
                assert lobby["supply"] is None
            await rig.live(60)
            assert (await seen.lobby())["supply"] == "on"

    lives(rig, life)


def living_again(
    tmp_path: Path, turn: int, told: Callable[[Watched], Awaitable[None]]
) -> None:
    """Live the run of this turn, each hours after the one before, and look at it."""
    rig = Rig(tmp_path, relay_facts={"fails_on": False})
    rig.clock = VirtualClock(boot_ms=START_MS + turn * 7_200_000)
    rig.devices["lobby"].at_ms = rig.clock.boot_ms()

    async def life() -> None:
        with rig.patched():
            rig.service = rig.made()
            seen = Watched(rig)
            rig.task = asyncio.get_running_loop().create_task(rig.service.run())
            await asyncio.sleep(0.001)
            await rig.live(60)
            await told(seen)
            await rig.end()

    lives(rig, life)


def since_of(lobby: Mapping[str, Any]) -> str | None:
    """A flat device could not close its own relay: that stands as long as it is so."""
    found = {each["code"]: each["since"] for each in lobby["alarms"]}
    return found["dead_lock"]


def test_an_alarm_that_outlives_a_restart_keeps_its_time(tmp_path: Path) -> None:
    since: list[str | None] = []

    async def told(seen: Watched) -> None:
        since.append(since_of(await seen.lobby()))

    for turn in range(2):
        living_again(tmp_path, turn, told)
    first, second = since
    assert first is not None
    assert first == second


@pytest.mark.parametrize("days", [-400, 1])
def test_an_override_lasts_as_ordered_when_the_wall_clock_is_set(
    tmp_path: Path, days: int
) -> None:
    """It runs on the boot clock, and only what is told of its end follows the wall."""
    rig = Rig(tmp_path)

    async def life() -> None:
        async with watched(rig) as seen:
            await rig.live(120)
            assert rig.service is not None
            order = {"for_ms": 2 * 3_600_000, "because": "inventory", "by": "uid 0"}
            place_override(rig.service.stations["lobby"], Supply.ON, **order)
            await rig.live(1_800)
            rig.clock.step_wall(days * 86_400_000)
            told = (await seen.lobby())["override"]
            left_s = at(told["until"]) - rig.clock.wall_ms() / 1_000
            assert left_s == pytest.approx(5_400, abs=1)
            await rig.live(5_340)
            assert rig.state().override is not None
            await rig.live(90)
            assert rig.state().override is None

    lives(rig, life)


def test_an_alarm_of_before_keeps_its_time_when_the_wall_clock_is_set(
    tmp_path: Path,
) -> None:
    """A board without a clock of its own starts hours behind until NTP steps it."""
    since: list[str | None] = []
    service_since: list[str] = []

    async def told(seen: Watched) -> None:
        document = await seen.status()
        since.append(since_of(document["stations"][0]))
        service_since.append(document["service"]["since"])
        seen.rig.clock.step_wall(20 * 3_600_000)

    async def told_twice(seen: Watched) -> None:
        await told(seen)
        await told(seen)

    living_again(tmp_path, 0, told)
    living_again(tmp_path, 1, told_twice)
    assert since[0] is not None
    assert since == [since[0]] * 3
    # This run began when it did, which only the stepped clock can tell.
    assert at(service_since[2]) - at(service_since[1]) == 20 * 3_600


def test_a_time_that_is_told_does_not_tremble(tmp_path: Path) -> None:
    """Boot clock and wall clock are read one after the other: a millisecond may pass."""
    rig = Rig(tmp_path)

    async def life() -> None:
        async with watched(rig) as seen:
            await rig.live(60)
            assert rig.service is not None
            turns = itertools.count()
            steady = rig.clock.wall_ms
            station = rig.service.stations["lobby"]
            place_override(
                station, Supply.ON, for_ms=3_600_000, because="tour", by="uid 0"
            )
            with mock.patch.object(
                rig.clock, "wall_ms", side_effect=lambda: steady() + next(turns) % 2
            ):
                talk, task = seen.watch()
                await rig.live(600)
                await left(task)
            told = [document["stations"][0] for _, document in talk.heard]
            assert len(told) > 10
            for key in ("since", "supply_since"):
                assert len({each[key] for each in told}) == 1
            assert len({each["override"]["until"] for each in told}) == 1
            lines, now = Lines(), datetime.now().astimezone()
            said = [lines.of(document, now) for _, document in talk.heard]
            assert [len(each) for each in said] == [1] + [0] * (len(said) - 1)

    lives(rig, life)


# --- watch ----------------------------------------------------------------------------


def test_a_crowd_that_watches_is_told_the_same_made_once(tmp_path: Path) -> None:
    """Of hundreds of stations a document takes a while, and the loop has none."""
    rig = Rig(tmp_path, names=("hall", "tower"))

    async def life() -> None:
        async with watched(rig) as seen:
            await rig.live(60)
            with mock.patch.object(status, "_station", wraps=status._station) as made:
                watches = [seen.watch() for _ in range(16)]
                await rig.live(300)
                lines = [len(talk.heard) for talk, _ in watches]
                assert min(lines) >= 10
                assert made.call_count <= 2 * (max(lines) + 2)
                for _, task in watches:
                    await left(task)
            firsts = [talk.heard[0][1]["stations"][0] for talk, _ in watches]
            assert all("recent" in first for first in firsts)
            others = [told for talk, _ in watches for _, told in talk.heard[1:]]
            assert not any("recent" in told["stations"][0] for told in others)

    lives(rig, life)


def test_what_has_just_happened_is_told_to_whoever_asks_then(tmp_path: Path) -> None:
    rig = Rig(tmp_path)

    async def life() -> None:
        async with watched(rig) as seen:
            await rig.live(60)
            assert rig.service is not None
            assert (await seen.lobby())["override"] is None
            station = rig.service.stations["lobby"]
            place_override(
                station, Supply.ON, for_ms=3_600_000, because="tour", by="uid 0"
            )
            override = (await seen.lobby())["override"]
            assert override["because"] == "tour"
            release_override(station, because="", by="uid 0")
            assert (await seen.lobby())["override"] is None
            rig.service.settings_error = "wrong"
            assert (await seen.status())["service"]["settings_error"] == "wrong"

    lives(rig, life)


def test_a_watcher_hears_at_once_and_then_at_each_cycle(tmp_path: Path) -> None:
    rig = Rig(tmp_path)

    async def life() -> None:
        async with watched(rig) as seen:
            await rig.live(60)
            began_ms = rig.clock.boot_ms()
            talk, task = seen.watch()
            await rig.live(300)
            times = [at_ms for at_ms, _ in talk.heard]
            assert times[0] == pytest.approx(began_ms, abs=10)
            # A poll each 30 s: ten of them, and the one at once.
            assert 10 <= len(times) <= 12
            await left(task)

    lives(rig, life)


def test_a_burst_makes_at_most_one_line_a_second(tmp_path: Path) -> None:
    rig = Rig(tmp_path, names=("hall", "tower"))

    async def life() -> None:
        async with watched(rig) as seen:
            await rig.live(60)
            assert rig.service is not None
            talk, task = seen.watch()
            for _ in range(100):
                for station in rig.service.stations.values():
                    await station.gauge.read_now()
                await rig.live(0.05)
            times = [at_ms for at_ms, _ in talk.heard]
            gaps = [later - at_ms for at_ms, later in itertools.pairwise(times)]
            assert len(times) >= 5
            assert min(gaps) >= 1_000
            # The last reading of the burst is told, whenever the line before was.
            await rig.live(2)
            assert talk.heard[-1][1]["stations"][1]["gauge_age_s"] <= 1.0
            await left(task)

    lives(rig, life)


def test_a_watcher_who_left_is_not_waited_for(tmp_path: Path) -> None:
    rig = Rig(tmp_path)

    async def life() -> None:
        async with watched(rig) as seen:
            await rig.live(60)
            assert seen.waiting == 0
            watches = [seen.watch() for _ in range(3)]
            await rig.live(1)
            assert seen.waiting == 3
            # One between two lines, one in its pause, one at the next line.
            await left(watches[0][1])
            assert seen.waiting == 2
            await rig.until(lambda: len(watches[1][0].heard) > 1, 60, "a line")
            await left(watches[1][1])
            assert seen.waiting == 1
            watches[2][0].has_left = True
            await rig.until(watches[2][1].done, 60, "it is noticed")
            assert isinstance(watches[2][1].exception(), Gone)
            assert seen.waiting == 0

    lives(rig, life)


@pytest.mark.parametrize("asked", ["nothing", "status", "a watch that was left"])
def test_who_watches_no_more_costs_no_wake_up(tmp_path: Path, asked: str) -> None:
    """Each wake-up of the loop of asyncio is a timer that somebody has armed."""

    async def armed(rig: Rig, *, asked: str | None) -> int:
        loop = asyncio.get_running_loop()
        async with rig.living():
            seen = Watched(rig) if asked is not None else None
            if seen is not None and asked == "status":
                await seen.status()
            watch = asked == "a watch that was left"
            task = seen.watch()[1] if seen is not None and watch else None
            await rig.live(0.1)
            if task is not None:
                await left(task)
            await rig.live(60)
            with mock.patch.object(loop, "call_at", wraps=loop.call_at) as armed:
                await rig.live(1_800)
            return armed.call_count

    counts: list[int] = []
    for name, kind in (("without", None), ("with", asked)):
        rig = Rig(tmp_path / name)
        rig.folder.mkdir()

        async def life(rig: Rig = rig, kind: str | None = kind) -> None:
            counts.append(await armed(rig, asked=kind))

        lives(rig, life)
    assert counts[0] == counts[1] > 60


def test_a_watch_ends_with_the_daemon(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    watches: list[asyncio.Task[Any]] = []

    async def life() -> None:
        async with watched(rig) as seen:
            await rig.live(60)
            talk, task = seen.watch()
            watches.append(task)
            await rig.live(31)
        await asyncio.wait_for(task, 2.0)
        assert task.result() == {"ended": True}
        assert talk.heard

    lives(rig, life)


def test_the_first_line_of_a_watch_tells_what_the_log_does_not_have_yet(
    tmp_path: Path,
) -> None:
    """Equal readings wait a quarter of an hour for their row; a picture wants them."""
    rig = Rig(tmp_path)
    rig.devices["lobby"].charge_percent_h = 12.0

    async def life() -> None:
        async with watched(rig) as seen:
            await rig.live(720)
            talk, task = seen.watch()
            await rig.live(65)
            (first,) = talk.heard[0][1]["stations"]
            levels = [each["soc_percent"] for each in first["recent"]]
            # 12 %/h, and whole points: each once when it came and once at its end.
            assert levels == [60.0, 60.0, 61.0, 61.0, 62.0, 62.0]
            times = [at(each["at"]) for each in first["recent"]]
            assert times == sorted(times)
            assert times[-1] == pytest.approx(rig.clock.wall_ms() / 1_000 - 65, abs=31)
            assert all("recent" not in d["stations"][0] for _, d in talk.heard[1:])
            await left(task)

    lives(rig, life)


def test_a_gap_between_readings_is_not_bridged() -> None:
    memory = Memory()
    for at_ms in (0, 30_000, 60_000):
        memory.read(at_ms, 60.0, gap_ms=120_000)
    memory.read(180_000, 60.0, gap_ms=120_000)
    assert list(memory.recent) == [(0, 60.0), (180_000, 60.0)]
    memory.read(300_001, 60.0, gap_ms=120_000)
    assert list(memory.recent) == [(300_001, 60.0)]


def test_what_is_remembered_is_bounded() -> None:
    memory = Memory()
    for number in range(10_000):
        memory.read(number * 1_000, float(number % 100), gap_ms=120_000)
    assert len(memory.recent) == RECENT_MOST
    assert memory.recent[-1] == (9_999_000, 99.0)
