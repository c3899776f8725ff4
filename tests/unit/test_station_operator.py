"""Orders of an operator and readings that somebody asked for, in virtual time.

The real service and stations between fakes. What may override what is the table of
rules; here it is whether an order reaches it, is written down, and outlives nothing.
"""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from typing import Any

import pytest

from support.shell_rig import HANGS, OFF, ON, Mood, Rig, lives
from tidegate.core.effects import Reason
from tidegate.core.policy import HOUR_MS, MINUTE_MS
from tidegate.core.state import State
from tidegate.cyclelog.rows import AlarmRow, LinkRow, OperatorRow, RunEndRow, StateRow
from tidegate.errors import Malformed, OrderRefused, Unavailable
from tidegate.service.asked.override import outranked_by
from tidegate.station.operator import place_override, release_override
from tidegate.station.shell import Station

BY = "uid 1000 (ana)"


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    return Rig(tmp_path)


def station(rig: Rig, name: str = "lobby") -> Station:
    assert rig.service is not None
    return rig.service.stations[name]


def order(rig: Rig, supply: Any, for_ms: int = HOUR_MS) -> None:
    place_override(station(rig), supply, for_ms=for_ms, because="inventory", by=BY)


def above(rig: Rig) -> str | None:
    state = rig.state()
    found = outranked_by(state, has_ended=state.override is None)
    return None if found is None else found["reason"]


def operator_rows(rig: Rig) -> list[tuple[str, str, str, dict[str, Any]]]:
    return [
        (row.action, row.by, row.because, json.loads(row.args))
        for row in rig.rows(OperatorRow)
    ]


# --- orders ---------------------------------------------------------------------------


def test_an_ordered_off_comes_with_the_next_reading_dwell_or_not(rig: Rig) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.live(40)  # dwell is 3 min, the next poll up to 30 s away
            order(rig, OFF)
            assert above(rig) is None
            began_ms = rig.clock.boot_ms()
            await rig.until(lambda: rig.now("lobby").contact is OFF, 5, "off")
            assert rig.clock.boot_ms() - began_ms < 2_000
            assert rig.state().reason is Reason.OVERRIDE

    lives(rig, life)
    assert operator_rows(rig) == [
        ("override", BY, "inventory", {"for_ms": HOUR_MS, "supply": "off"})
    ]
    rig.sound()


def test_an_ordered_on_is_told_at_once_and_ends_by_itself(rig: Rig) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            await rig.settled_off()
            order(rig, ON, 10 * MINUTE_MS)
            await rig.until(lambda: rig.now("lobby").contact is ON, 3, "on")
            assert rig.state().reason is Reason.OVERRIDE
            rig.devices["lobby"].soc_percent = 80.0
            await rig.live(570)
            assert rig.now("lobby").contact is ON
            await rig.until(lambda: rig.now("lobby").contact is OFF, 300, "off again")
            assert rig.state().override is None
            assert rig.state().reason is Reason.AT_HIGH_MARK

    lives(rig, life)
    rig.sound()


def test_an_act_is_durable_at_once(rig: Rig) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.live(40)
            began_ms = rig.clock.boot_ms()
            order(rig, ON)
            release_override(station(rig), because="all counted", by=BY)
            await rig.live(0.01)
            durable = rig.notes("durable OperatorRow")
            assert [note.more.action for note in durable] == ["override", "release"]
            assert all(note.at_ms - began_ms <= 10 for note in durable)

    lives(rig, life)
    rig.sound()


def test_a_new_order_replaces_the_last(rig: Rig) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.live(40)
            order(rig, OFF)
            order(rig, ON)
            held = rig.state().override
            assert held is not None
            assert held.supply is ON
            await rig.live(60)
            assert rig.now("lobby").contact is ON

    lives(rig, life)
    rig.sound()


def test_the_floor_ends_an_ordered_off_at_once_with_an_alarm(rig: Rig) -> None:
    async def life() -> None:
        rig.devices["lobby"].soc_percent = 24.0
        async with rig.living():
            await rig.live(60)
            order(rig, OFF)
            assert rig.state().override is None
            assert above(rig) == "below_floor"
            assert rig.alarmed("override_ended")
            await rig.live(120)
            assert rig.now("lobby").contact is ON

    lives(rig, life)
    assert any(row.code == "override_ended" for row in rig.rows(AlarmRow))
    rig.sound()


def test_heat_keeps_an_ordered_on_waiting(rig: Rig) -> None:
    async def life() -> None:
        rig.devices["lobby"].temperature_c = 50.0
        async with rig.living():
            await rig.until(lambda: rig.now("lobby").contact is OFF, 600, "off, hot")
            order(rig, ON)
            assert above(rig) == "battery_hot"
            assert rig.state().override is not None
            await rig.live(60)
            assert rig.now("lobby").contact is OFF

    lives(rig, life)
    rig.sound()


def test_a_relay_that_may_lock_itself_up_outranks_an_ordered_off(
    tmp_path: Path,
) -> None:
    rig = Rig(tmp_path, relay_facts={"fails_on": False})

    async def life() -> None:
        async with rig.living():
            await rig.live(60)
            order(rig, OFF)
            assert above(rig) == "dead_lock"
            await rig.live(120)
            assert rig.now("lobby").contact is ON

    lives(rig, life)
    rig.sound()


def test_what_cannot_be_ordered_is_refused_and_not_written(rig: Rig) -> None:
    async def life() -> None:
        def gauge_hangs() -> None:
            rig.gauges["lobby"].order("open", HANGS, 1)

        rig.prepare = gauge_hangs
        with rig.patched():
            await rig.begin()
            await asyncio.sleep(1)
            with pytest.raises(OrderRefused, match="only just starting"):
                order(rig, ON)
            await rig.until(
                lambda: station(rig).state is not None, 20, "the start is over"
            )
            with pytest.raises(OrderRefused, match="no override in force"):
                release_override(station(rig), because="", by=BY)
            stopped = station(rig)
            await rig.end()
            with pytest.raises(OrderRefused, match="is stopping"):
                place_override(stopped, ON, for_ms=HOUR_MS, because="", by=BY)
            with pytest.raises(OrderRefused, match="is stopping"):
                release_override(stopped, because="", by=BY)

    lives(rig, life)
    assert operator_rows(rig) == []
    left = [type(e.row) for e in rig.sound() if not isinstance(e.row, LinkRow)]
    assert left[-2:] == [StateRow, RunEndRow]


def test_a_station_that_only_measures_takes_no_orders(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.live(10)
            with monkeypatch.context() as patched:
                patched.setattr(station(rig), "relay", None)
                with pytest.raises(OrderRefused, match="only measures"):
                    order(rig, OFF)

    lives(rig, life)


def test_before_the_first_command_the_start_outranks(rig: Rig) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.live(10)
            fresh = State(policy=rig.state().policy)
            found = outranked_by(fresh, has_ended=False)
            assert found is not None
            assert (found["reason"], found["supply"]) == ("start", "on")

    lives(rig, life)


# --- readings on demand -----------------------------------------------------------------


def test_a_reading_on_demand_is_taken_now_and_is_like_any_other(rig: Rig) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.live(40)
            before, asked_ms = rig.cycles, rig.clock.boot_ms()
            rig.devices["lobby"].soc_percent = 62.0
            reading = await station(rig).gauge.read_now()
            assert reading.at_ms >= asked_ms
            assert rig.clock.boot_ms() - asked_ms <= 1_000
            assert reading.sample.soc_percent == 62.0
            assert rig.state().soc_percent == 62.0
            assert rig.cycles == before + 1

    lives(rig, life)
    rig.sound()


def test_those_who_ask_together_share_a_reading(rig: Rig) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.live(40)
            reads = rig.gauges["lobby"].calls["read"]
            asked = [station(rig).gauge.read_now() for _ in range(20)]
            readings = await asyncio.gather(*asked)
            assert len({id(reading) for reading in readings}) == 1
            assert rig.gauges["lobby"].calls["read"] == reads + 1

    lives(rig, life)


@pytest.mark.parametrize(
    ("mood", "kind"),
    [
        (Mood(error=Malformed("fails", target="fake", remedy="None.")), Malformed),
        (Mood(error=RuntimeError("a bug by order")), Unavailable),
        (HANGS, TimeoutError),
    ],
    ids=["refused", "bug", "hangs"],
)
def test_who_asks_is_told_what_the_read_came_to(
    rig: Rig, mood: Mood, kind: type[Exception]
) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.live(40)
            rig.gauges["lobby"].order("read", mood, 1)
            with pytest.raises(kind):
                await station(rig).gauge.read_now()
            assert (await station(rig).gauge.read_now()).trusted

    lives(rig, life)
    rig.sound()


def test_who_asks_while_the_station_stops_is_told_so(rig: Rig) -> None:
    async def life() -> None:
        with rig.patched():
            await rig.begin()
            await asyncio.sleep(40)
            asked_of = station(rig)
            rig.gauges["lobby"].order("read", HANGS)
            asking = asyncio.create_task(asked_of.gauge.read_now())
            await asyncio.sleep(1)
            await rig.end()
            with pytest.raises(Unavailable, match="stops"):
                await asking
            with pytest.raises(Unavailable, match="stops"):
                await asked_of.gauge.read_now()

    lives(rig, life)
    rig.sound()


def test_who_goes_away_while_waiting_leaves_nothing_behind(rig: Rig) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.live(40)
            gauge = station(rig).gauge
            rig.gauges["lobby"].order("read", Mood(takes_s=3), 1)
            gone = asyncio.create_task(gauge.read_now())
            stays = asyncio.create_task(gauge.read_now())
            await asyncio.sleep(1)
            gone.cancel()
            assert (await stays).trusted
            rig.gauges["lobby"].order("read", HANGS, 1)
            failing = asyncio.create_task(gauge.read_now())
            await asyncio.sleep(1)
            failing.cancel()
            await rig.live(60)
            assert gauge._waiting == []

    lives(rig, life)
    rig.sound()


def test_a_reading_across_a_switching_is_not_the_one_that_is_handed_out(
    rig: Rig,
) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            await rig.settled_off()
            # Longer than a switching waits for the gauge, so the contact moves in it.
            rig.gauges["lobby"].order("read", Mood(takes_s=3.5), 1)
            asking = asyncio.create_task(station(rig).gauge.read_now())
            await asyncio.sleep(0.6)
            order(rig, ON)
            reading = await asking
            assert rig.now("lobby").contact is ON
            moved_ms = rig.notes("moved")[-1].at_ms
            assert reading.at_ms > moved_ms
            assert reading.sample.external_power.value == "yes"

    lives(rig, life)
    rig.sound()
