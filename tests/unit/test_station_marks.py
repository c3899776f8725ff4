"""The shell's promises where no other test told a sound shell from a wrong one."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest

from support.shell_rig import HANGS, OFF, ON, Mood, Rig, broken_log, lives
from tidegate.core.effects import Kind, Reason, SwitchSupply
from tidegate.core.reading import Supply
from tidegate.cyclelog.rows import StateRow
from tidegate.station.relay_side import Command


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    return Rig(tmp_path)


@pytest.mark.parametrize(("level", "supply"), [(66.0, OFF), (20.0, ON)])
def test_the_relay_is_told_only_once_a_slow_log_holds_the_intent(
    rig: Rig, level: float, supply: Supply
) -> None:
    # Durable before acting: a disk that takes a second holds up an off and an on.
    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            if supply is ON:
                await rig.settled_off()
                await rig.live(240)
            rig.disk_takes_s = 1.0
            rig.devices["lobby"].soc_percent = level
            await rig.until_told(supply)
            rig.disk_takes_s = 0.0

    lives(rig, life)
    call = [note for note in rig.notes("told") if note.more is supply][-1]
    if supply is ON:
        call = rig.notes("told")[-2]  # the last one is that of the stop
    at = rig.journal.index(call)
    intents = [note for note in rig.journal[:at] if note.what == "durable IntentRow"]
    assert intents[-1].more.supply == supply
    assert call.at_ms - intents[-1].more.boot_ms >= 1_000


def test_the_on_of_a_stop_is_told_although_an_off_waits_for_the_log(rig: Rig) -> None:
    # An on waits at most 2 s for the log, whatever stands before it.
    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            rig.disk_takes_s = 60.0
            rig.devices["lobby"].soc_percent = 66.0
            await rig.until(
                lambda: rig.state().drive.commanded is OFF, 60, "the decision"
            )

    lives(rig, life)
    stop_ms = rig.state().reason_since_ms
    last = rig.notes("told")[-1]
    assert last.more is ON
    assert 0 <= last.at_ms - stop_ms <= 2_100


def test_a_second_call_past_its_limit_poisons_the_link_too(rig: Rig) -> None:
    # Close, reopen: nothing that still hangs may act after the next command.
    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            relay = rig.relays["lobby"]
            opened = relay.opened
            relay.order("set", HANGS)
            rig.devices["lobby"].soc_percent = 66.0
            await rig.until(lambda: rig.alarmed("relay_failed"), 120, "the alarm")
            relay.standing.clear()
            await rig.until_told(OFF)
            # Once between the two calls, once before the next command.
            assert relay.opened == opened + 2

    lives(rig, life)


def test_who_shares_a_poisoned_link_opens_it_again(tmp_path: Path) -> None:
    # The link was closed under the neighbour; its next call opens it anew.
    rig = Rig(tmp_path, names=("lobby", "stairs"))

    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            await rig.settled_off("stairs")
            await rig.live(200)
            opened = rig.relays["stairs"].opened
            rig.relays["lobby"].order("set", HANGS, times=1)
            rig.devices["lobby"].soc_percent = 66.0
            await rig.until_told(OFF, "lobby")
            await rig.live(30)
            rig.devices["stairs"].soc_percent = 20.0
            await rig.until_told(ON, "stairs")
            assert rig.relays["stairs"].opened == opened + 1

    lives(rig, life)


def _said(rig: Rig, supply: Supply, *, swapped: bool = False) -> None:
    """Let the station tell its relay, as if the core had ordered it just now."""
    assert rig.service is not None
    station = rig.service.stations["lobby"]
    assert station.relay is not None
    effect = SwitchSupply(
        supply=supply,
        reason=Reason.RELAY_REVERSED,
        kind=Kind.REPEAT,
        swapped=swapped,
        urgent=True,
    )
    now_ms = rig.clock.boot_ms()
    station.relay.tell(Command(effect=effect, told_at_ms=now_ms, intent=1))


def test_under_a_swapped_polarity_the_relay_is_told_the_other_supply(rig: Rig) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.live(10)
            _said(rig, ON, swapped=True)
            await rig.live(1)
            assert rig.notes("told")[-1].more is OFF

    lives(rig, life)


def test_a_command_waits_until_the_one_before_has_come_back(rig: Rig) -> None:
    # Relay calls are serialised: two ons at once, each of which takes 3 s.
    async def life() -> None:
        async with rig.living():
            await rig.live(10)
            rig.relays["lobby"].order("set", Mood(takes_s=3.0), times=2)
            _said(rig, ON)
            _said(rig, ON)
            await rig.live(10)
            first, second = rig.notes("told")[-2:]
            assert second.at_ms - first.at_ms == 3_000

    lives(rig, life)


def test_an_off_of_critical_heat_is_not_dropped_for_a_slow_log(rig: Rig) -> None:
    # It acts after the 10 s that any off waits.
    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            rig.disk_takes_s = 60.0
            rig.devices["lobby"].temperature_c = 61.0
            await rig.live(80)
            assert OFF in {note.more for note in rig.notes("told")}
            rig.disk_takes_s = 0.0

    lives(rig, life)


def test_with_a_broken_log_an_off_is_told_at_once(rig: Rig) -> None:
    # One that is slow drops an off; one that is broken must not end control.
    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            mend = broken_log(rig.log)
            rig.devices["lobby"].soc_percent = 66.0
            await rig.live(40)
            assert OFF in {note.more for note in rig.notes("told")}
            mend()

    lives(rig, life)


def test_the_timer_of_a_relay_is_refreshed_at_every_poll_while_off(rig: Rig) -> None:
    rig.relay_facts["dead_man_s"] = 90.0

    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            await rig.settled_off()
            before = len(rig.notes("refreshed"))
            await rig.live(300)
            assert len(rig.notes("refreshed")) - before >= 9

    lives(rig, life)


def test_a_timer_wakes_the_core_on_time(rig: Rig) -> None:
    # An absent supply: on again after settle, then 10, 20 s later, between two polls.
    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            rig.devices["lobby"].mains = False
            await rig.live(150)

    lives(rig, life)
    ons = [note.at_ms for note in rig.notes("told") if note.more is ON][1:-1]
    apart = [later - earlier for earlier, later in pairwise(ons)]
    assert apart[:2] == [10_000, 20_000]


def test_a_log_that_is_back_holds_the_state_to_go_on_from(rig: Rig) -> None:
    # What was dropped meanwhile cannot be replayed: the next start begins here.
    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            mend = broken_log(rig.log)
            rig.devices["lobby"].soc_percent = 66.0
            await rig.until_told(OFF)
            mend()
            await rig.until(lambda: not rig.alarmed("log_lost"), 45, "the log is back")
            await rig.live(60)

    lives(rig, life)
    # That one, and that of the stop.
    assert len(rig.rows(StateRow)) == 2
