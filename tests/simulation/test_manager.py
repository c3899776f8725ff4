"""What a service manager is told by the whole daemon, in virtual time.

The lines are those of sd_notify(3); when a ping counts as life is the issue of
sd_watchdog_enabled(3): it is sent from what the service is there for.
"""

from __future__ import annotations

import asyncio
import itertools
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from support.managed_rig import WATCHDOG_US, ManagedRig
from support.shell_rig import FINE, HANGS, START_MS, Mood, lives
from tidegate.core.reading import BatteryStatus, ExternalPower, Sample
from tidegate.errors import Unavailable, Unsupported

READY, PING, STOPPING = "READY=1", "WATCHDOG=1", "STOPPING=1"
NAMES = ("hall", "lobby", "tower")
HOUR_S = 3_600


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[ManagedRig]:
    rig = ManagedRig(tmp_path, names=NAMES)
    yield rig
    rig.manager.close()


def broken(kind: type[Any]) -> Mood:
    return Mood(error=kind("fails by order", target="fake", remedy="None."))


def order_all(rig: ManagedRig, **moods: Mood) -> None:
    """Let the gauges of these stations be in these moods from the start."""

    def prepare() -> None:
        for name, mood in moods.items():
            if name in rig.gauges:
                rig.gauges[name].order("read", mood)

    rig.prepare = prepare


# --- ready ----------------------------------------------------------------------------


def test_ready_comes_once_every_station_was_read(rig: ManagedRig) -> None:
    order_all(rig, tower=Mood(takes_s=3.0))

    async def life() -> None:
        async with rig.living():
            await rig.live(2)
            assert READY not in rig.hear()
            waits = "tower has not answered yet"
            assert rig.manager.status == f"3 stations: 2 in their window, {waits}"
            await rig.live(2)
            assert rig.hear().count(READY) == 1
            await rig.live(31)
            assert rig.manager.status == "3 stations: 3 in their window"
            await rig.live(HOUR_S)
            assert rig.hear().count(READY) == 1

    lives(rig, life)


IMPLAUSIBLE = Sample(
    soc_percent=150.0,
    battery_status=BatteryStatus.CHARGING,
    external_power=ExternalPower.YES,
)


@pytest.mark.parametrize(
    "mood",
    [
        pytest.param(broken(Unavailable), id="a failure"),
        pytest.param(broken(Unsupported), id="unsupported"),
        pytest.param(HANGS, id="no answer in time"),
        pytest.param(Mood(error=ZeroDivisionError("a slip")), id="a backend's bug"),
        pytest.param(Mood(answer=IMPLAUSIBLE), id="not trusted"),
    ],
)
def test_a_stated_reason_why_not_makes_ready_too(rig: ManagedRig, mood: Mood) -> None:
    order_all(rig, hall=mood)

    async def life() -> None:
        async with rig.living():
            await rig.live(15)
            assert rig.hear().count(READY) == 1

    lives(rig, life)


def test_a_manager_that_was_busy_is_told_again(rig: ManagedRig) -> None:
    """A lost READY would be a service that never starts, and is killed for it."""

    async def life() -> None:
        with rig.patched():
            rig.manager.close()  # nobody listens
            await rig.begin()
            await rig.live(10)
            rig.listen_again()
            await rig.live(60)
            assert READY in rig.hear()
            assert rig.manager.status == "3 stations: 3 in their window"
            await rig.end()

    lives(rig, life)


# --- the watchdog ---------------------------------------------------------------------


def test_it_is_fed_by_control_cycles(rig: ManagedRig) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.live(HOUR_S)

    lives(rig, life)
    # The poll is 30 s. More reads than that come only with a switching.
    assert len(rig.said_at_s(PING)) >= HOUR_S / 31
    assert max(gaps_s(rig)) <= 33


def test_a_failing_gauge_completes_its_cycles_too(rig: ManagedRig) -> None:
    order_all(rig, hall=broken(Unavailable), tower=HANGS)

    async def life() -> None:
        async with rig.living():
            await rig.live(HOUR_S)

    lives(rig, life)
    assert len(rig.said_at_s(PING)) >= HOUR_S / 40


def test_one_station_that_stalls_starves_it(rig: ManagedRig) -> None:
    """The others go on, and so does every timer of the loop."""

    async def life() -> None:
        async with rig.living():
            await rig.live(60)
            assert rig.service is not None
            # As a slip of our own would: its reader waits for something that never is.
            async with rig.service.stations["tower"].gauge._reading:
                await rig.live(45)  # what was under way may still count
                before = len(rig.said_at_s(PING))
                await rig.live(WATCHDOG_US / 1e6)
                assert len(rig.said_at_s(PING)) == before
            await rig.live(31)
            assert len(rig.said_at_s(PING)) > before

    lives(rig, life)


def gaps_s(rig: ManagedRig) -> list[float]:
    times_s = rig.said_at_s(PING)
    return [after - before for before, after in itertools.pairwise(times_s)]


@pytest.mark.parametrize("gauge_s", [0.0, 30.0, 60.0])
def test_a_relay_that_hangs_up_to_its_limit_starves_it_not(
    tmp_path: Path, gauge_s: float
) -> None:
    """Each command is tried twice, and several are said one after the other; no read
    comes between. The longest limit of any relay or gauge of ours is a minute.
    """
    rig = ManagedRig(tmp_path)
    rig.table = {"poll": "2min"}
    rig.relay_facts = rig.gauge_facts = {"answers_within_s": 60.5}

    def prepare() -> None:
        for name in rig.relays:
            rig.relays[name].order("set", HANGS)
            rig.gauges[name].order("read", Mood(takes_s=gauge_s))

    rig.prepare = prepare

    async def life() -> None:
        async with rig.living():
            for soc_percent in (60.0, 66.0, 54.0, 60.0) * 3:
                rig.devices["lobby"].soc_percent = soc_percent
                await rig.live(1_200)

    lives(rig, life)
    longest_s = max(gaps_s(rig))
    (ready_s,) = rig.said_at_s(READY)
    rig.manager.close()
    assert longest_s <= 250, "systemd would kill it at 300"
    assert ready_s - START_MS / 1_000 <= 200, "systemd gives a start 300 s"


def test_a_ping_that_was_not_taken_is_said_with_the_next_cycle(rig: ManagedRig) -> None:
    """Of any station, not only after all of them had another."""
    rig.table = {"poll": "2min"}

    async def life() -> None:
        with rig.patched():
            await rig.begin()
            await rig.live(100)
            rig.manager.close()
            await rig.live(60)  # the cycles at 120 s tell nobody
            rig.listen_again()
            assert rig.service is not None
            before = len(rig.said_at_s(PING))
            rig.service.stations["hall"].gauge.read_at(rig.clock.boot_ms())
            await rig.live(1)
            assert len(rig.said_at_s(PING)) == before + 1
            await rig.end()

    lives(rig, life)


def test_whoever_is_waited_for_and_goes_out_holds_up_no_ping(rig: ManagedRig) -> None:
    rig.table = {"poll": "2min"}

    async def life() -> None:
        async with rig.living():
            await rig.live(60)
            assert rig.service is not None
            async with rig.service.stations["tower"].gauge._reading:
                await rig.live(70)  # hall and lobby have had theirs
                before = len(rig.said_at_s(PING))
                async with rig.service.turnover.out("tower", why="prove"):
                    assert len(rig.said_at_s(PING)) == before + 1

    lives(rig, life)


def test_a_station_that_is_out_is_exempt(rig: ManagedRig) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.live(60)
            assert rig.service is not None
            async with rig.service.turnover.out("tower", why="prove"):
                before = len(rig.said_at_s(PING))
                await rig.live(600)
                assert len(rig.said_at_s(PING)) >= before + 18
                told = rig.manager.status
            assert told == "3 stations: 2 in their window, tower is out for prove"
            await rig.live(60)
            assert rig.manager.status == "3 stations: 3 in their window"
            await _starved_by_tower(rig)

    lives(rig, life)


async def _starved_by_tower(rig: ManagedRig) -> None:
    """Once it is back it counts again."""
    assert rig.service is not None
    async with rig.service.stations["tower"].gauge._reading:
        await rig.live(45)
        before = len(rig.said_at_s(PING))
        await rig.live(120)
        assert len(rig.said_at_s(PING)) == before


@pytest.fixture
def alone(tmp_path: Path) -> Iterator[ManagedRig]:
    rig = ManagedRig(tmp_path)
    yield rig
    rig.manager.close()


def test_with_every_station_out_the_manager_waits_longer(alone: ManagedRig) -> None:
    rig = alone
    rig.table = {"settle": "30min"}
    # 20 rounds of off and on and four steps beside, each of twice `settle`, a minute for
    # a gauge that comes back and one for calls; the longest timer twice; a question; and
    # the end, in which the supply is seen to be on.
    longest_run_s = (2 * 20 + 4) * (2 * 1_800 + 60 + 60) + 2 * 3_600 + 400 + 2_400

    async def life() -> None:
        async with rig.living():
            await rig.live(60)
            assert rig.service is not None
            async with rig.service.turnover.out("lobby", why="prove"):
                rig.hear()
                longer = [line for line in rig.hear() if "WATCHDOG_USEC" in line]
                assert longer == [f"WATCHDOG_USEC={longest_run_s * 1_000_000}"]
                await rig.live(HOUR_S)
            assert f"WATCHDOG_USEC={WATCHDOG_US}" in rig.hear()

    lives(rig, life)


def test_a_manager_that_wants_no_pings_gets_none(alone: ManagedRig) -> None:
    rig = alone
    rig.watchdog_us = None

    async def life() -> None:
        async with rig.living():
            await rig.live(HOUR_S)
            assert rig.service is not None
            async with rig.service.turnover.out("lobby", why="prove"):
                await rig.live(10)

    lives(rig, life)
    assert READY in rig.hear()
    assert not [line for line in rig.hear() if line.startswith("WATCHDOG")]


def test_the_shorter_wait_is_said_again_where_it_was_lost(alone: ManagedRig) -> None:
    """Else a daemon that hangs a week later is killed hours too late."""
    rig = alone

    async def life() -> None:
        async with rig.living():
            await rig.live(60)
            assert rig.service is not None
            async with rig.service.turnover.out("lobby", why="prove"):
                await rig.live(60)
                rig.manager.close()
            await rig.live(5)
            rig.listen_again()
            await rig.live(60)
            assert rig.hear().count(f"WATCHDOG_USEC={WATCHDOG_US}") == 1

    lives(rig, life)


# --- status ---------------------------------------------------------------------------


def test_the_status_says_what_each_does_and_why(rig: ManagedRig) -> None:
    order_all(rig, hall=broken(Unavailable))

    async def life() -> None:
        async with rig.living():
            await rig.live(600)
            lost = "hall supply on because the gauge cannot be read"
            told = f"3 stations: 2 in their window, {lost}, 1 alarm"
            assert rig.manager.status == told
            rig.gauges["hall"].order("read", FINE)
            rig.devices["lobby"].soc_percent = 65.9
            await rig.live(120)
            high = "lobby supply off because the charge is at the high mark"
            told = f"3 stations: 2 in their window, {high}"
            assert rig.manager.status == told

    lives(rig, life)


def test_the_status_is_told_only_when_it_changes(rig: ManagedRig) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.live(10)
            before = rig.hear().count(f"STATUS={rig.manager.status}")
            await rig.live(200)
            assert rig.hear().count(f"STATUS={rig.manager.status}") == before

    lives(rig, life)


def test_it_is_told_of_a_stop_before_it_is_over(rig: ManagedRig) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.live(60)
            assert STOPPING not in rig.hear()

    lives(rig, life)
    lines = rig.hear()
    assert lines.count(STOPPING) == 1
    assert rig.manager.status == "stopping: the supply goes on everywhere"
    assert lines.index(STOPPING) > lines.index(READY)


def test_a_reload_is_told_with_its_time(rig: ManagedRig) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.live(60)
            assert rig.service is not None
            for told in rig.service.reloads:
                told("begins")
            lines = rig.hear()
            at = lines.index("RELOADING=1")
            assert lines[at + 1].startswith("MONOTONIC_USEC=")
            for told in rig.service.reloads:
                told("over")
            assert READY in rig.hear()[at:]

    lives(rig, life)


def test_the_end_of_a_reload_is_said_again_where_it_was_lost(rig: ManagedRig) -> None:
    """Else the unit counts as reloading, and takes no other, until it is timed out."""

    async def life() -> None:
        async with rig.living():
            await rig.live(60)
            assert rig.service is not None
            (told,) = rig.service.reloads
            told("begins")
            rig.manager.close()
            told("over")
            rig.listen_again()
            await rig.live(31)
            assert rig.hear().count(READY) == 1
            told("begins")
            rig.manager.close()
            told("over")
            rig.listen_again()
            told("begins")  # the next one: what is over is not this
            assert READY not in rig.hear()
            told("over")
            assert rig.hear().count(READY) == 1

    lives(rig, life)


# --- restarts -------------------------------------------------------------------------


def test_runs_that_were_not_closed_are_counted(rig: ManagedRig) -> None:
    async def life() -> None:
        with rig.patched():
            for crashes in range(4):
                await rig.begin()
                await rig.live(60)
                assert rig.service is not None
                counts = {"last_hour": crashes + 1, "unclosed": crashes}
                assert rig.service.restarts == counts
                if crashes < 3:
                    await rig.crash()
                    await asyncio.sleep(10)
            assert "restarted 3 times within the hour" in rig.manager.status
            await rig.live(HOUR_S - 100)
            assert "restarted once within the hour" in rig.manager.status
            await rig.live(200)
            assert rig.service.restarts == {"last_hour": 0, "unclosed": 0}
            assert "restarted" not in rig.manager.status
            await rig.end()
            await rig.begin()
            await rig.live(60)
            assert rig.service.restarts == {"last_hour": 1, "unclosed": 0}
            await rig.end()

    lives(rig, life)


def test_a_run_that_our_own_fault_ended_counts_though_it_was_closed(
    rig: ManagedRig,
) -> None:
    async def life() -> None:
        with rig.patched():
            await rig.begin()
            await rig.live(60)
            assert rig.service is not None
            rig.service._bug(None, {"message": "a slip"})
            assert rig.task is not None
            await asyncio.wait({rig.task})
            await rig.begin()
            await rig.live(60)
            assert rig.service.restarts == {"last_hour": 2, "unclosed": 1}
            await rig.end()

    lives(rig, life)
