"""Relay calls: one at a time, never cancelled, poisoned past their limit, bounded."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from support.shell_rig import HANGS, OFF, ON, Mood, Rig, lives
from tidegate.contract import Readback
from tidegate.cyclelog.rows import EventRow, IntentRow, OutcomeRow
from tidegate.errors import Malformed, Refused, Unavailable, Unsupported


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    return Rig(tmp_path)


def reads_back(rig: Rig) -> Rig:
    rig.relay_facts["readback"] = Readback.LATCH
    return rig


def error(kind: type[Exception]) -> Exception:
    if issubclass(kind, (Unavailable, Refused, Malformed, Unsupported)):
        return kind("fails by order", target="fake", remedy="None.")
    return kind("fails by order")


def test_a_call_past_its_limit_is_closed_opened_commanded_and_verified(
    rig: Rig,
) -> None:
    reads_back(rig)

    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            rig.relays["lobby"].order("set", HANGS, times=1)
            rig.devices["lobby"].soc_percent = 66.0
            await rig.until_told(OFF)
            began = len(rig.journal)
            await rig.live(30)
            after = [
                (n.what, n.more)
                for n in rig.journal[began:]
                if n.what.startswith(("relay", "told", "moved", "asked"))
            ]
            assert after[:5] == [
                ("relay close", None),
                ("relay open", None),
                ("told", OFF),
                ("moved", OFF),
                ("asked", None),
            ]
            assert rig.devices["lobby"].contact is OFF
            assert rig.relays["lobby"].cancelled == 0

    lives(rig, life)
    outcome = rig.rows(OutcomeRow)[1]
    assert outcome.succeeded
    assert 5_000 <= outcome.took_ms <= 6_000
    rig.sound()


def test_both_calls_hang_and_it_is_told_and_bounded(rig: Rig) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            relay = rig.relays["lobby"]
            relay.order("set", HANGS)
            rig.devices["lobby"].soc_percent = 66.0
            await rig.until_told(OFF)
            await rig.until(lambda: rig.alarmed("relay_failed"), 15, "the alarm")
            assert rig.state().drive.commanded is ON
            # Readings go on although the calls never came back.
            seen = len(rig.notes("read"))
            await rig.live(120)
            assert len(rig.notes("read")) - seen >= 3
            assert relay.cancelled == 0
            relay.standing.clear()
            await rig.until_told(OFF)
            await rig.until(lambda: not rig.alarmed("relay_failed"), 60, "it is over")

    lives(rig, life)
    assert rig.rows(OutcomeRow)[1].error == "unavailable"
    rig.sound()


def test_a_late_off_that_lands_after_an_on_is_noticed_and_on_is_said_again(
    rig: Rig,
) -> None:
    """The call outlives its link, which no honest one does; the contact is off then."""
    late = Mood(takes_s=40.0, outlives=True, survives_close=True)

    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            relay = rig.relays["lobby"]
            relay.order("set", late, times=1)
            relay.order("set", Mood(error=error(Unavailable)), times=1)
            rig.devices["lobby"].soc_percent = 66.0
            await rig.until_told(OFF)
            off_ms = rig.clock.boot_ms()
            await rig.until(lambda: rig.state().drive.commanded is ON, 15, "it failed")
            await rig.until(lambda: bool(rig.notes("moved")[1:]), 60, "the late off")
            assert rig.notes("moved")[1].more is OFF
            assert 39_000 <= rig.clock.boot_ms() - off_ms <= 41_000
            await rig.until(lambda: rig.devices["lobby"].contact is ON, 2, "on again")
            assert rig.alarm_rows("relay_external_change")[:1] == [True]
            # The wait in which a failed off is not tried again goes on.
            await rig.until_told(OFF)
            assert rig.clock.boot_ms() - off_ms >= 60_000

    lives(rig, life)
    rig.sound()


def test_a_late_call_that_says_what_is_commanded_disturbs_nothing(rig: Rig) -> None:
    late = Mood(takes_s=20.0, outlives=True, survives_close=True)

    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            rig.relays["lobby"].order("set", late, times=1)
            rig.devices["lobby"].soc_percent = 66.0
            await rig.until_told(OFF)
            await rig.live(240)
            assert [n.more for n in rig.notes("told")] == [ON, OFF, OFF]
            assert not rig.alarmed("relay_external_change")

    lives(rig, life)
    assert rig.said("a relay call came back late")


def test_a_late_call_that_lands_while_another_is_under_way_is_not_forgotten(
    rig: Rig,
) -> None:
    """It comes back in the middle of the on, whose outcome hides nothing."""
    late_off = Mood(takes_s=30.0, outlives=True, survives_close=True)

    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            relay, device = rig.relays["lobby"], rig.devices["lobby"]
            relay.order("set", late_off, times=1)
            device.soc_percent = 66.0
            await rig.until_told(OFF)
            off_ms = rig.clock.boot_ms()
            await rig.live(25)
            relay.order("set", Mood(takes_s=4.0, answer=False), times=1)
            device.soc_percent = 20.0
            await rig.until(lambda: rig.notes("told")[-1].more is ON, 40, "an on")
            on_ms = rig.notes("told")[-1].at_ms
            if not off_ms + 26_000 < on_ms < off_ms + 30_000:
                pytest.fail(f"the calls do not overlap: {off_ms} {on_ms}")
            await rig.until(lambda: len(rig.notes("told")) >= 5, 10, "on again")
            assert rig.notes("told")[-1].more is ON

    rig.table["poll"] = "2s"
    lives(rig, life)


def test_calls_are_serialised(rig: Rig) -> None:
    reads_back(rig)

    async def life() -> None:
        async with rig.living():
            relay, device = rig.relays["lobby"], rig.devices["lobby"]
            for call in ("set", "get"):
                relay.order(call, Mood(takes_s=3.0))
            for level in (66.0, 54.0) * 6:
                device.soc_percent = level
                await rig.live(200)
            assert relay.calls["set"] >= 10

    rig.table["poll"] = "1s"
    lives(rig, life)
    assert rig.relays["lobby"].most_at_once == 1
    inside = 0
    for note in rig.journal:
        if note.what == "told":
            inside += 1
            assert inside == 1
        elif note.what == "moved":
            inside -= 1
        elif note.what == "asked":
            assert inside == 0, "asked while a command is under way"


@pytest.mark.parametrize(
    ("kind", "word"),
    [
        (Unavailable, "unavailable"),
        (Refused, "refused"),
        (Malformed, "malformed"),
        (Unsupported, "unsupported"),
        (RuntimeError, "unforeseen"),
        (OSError, "unforeseen"),
    ],
)
@pytest.mark.parametrize("call", ["set", "open", "get", "close", "refresh"])
def test_no_error_of_any_call_ends_the_daemon(
    rig: Rig, call: str, kind: type[Exception], word: str
) -> None:
    reads_back(rig)
    rig.relay_facts["dead_man_s"] = 60.0

    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            relay = rig.relays["lobby"]
            await rig.settled_off()
            relay.order(call, Mood(error=error(kind)))
            if call in ("open", "close"):
                # Something must fail for it to be closed and opened again.
                relay.order("get", Mood(error=error(Unavailable)), times=1)
            await rig.live(120)
            rig.devices["lobby"].soc_percent = 54.0
            await rig.live(120)
            assert rig.cycles > 4
            if call in ("set", "open"):
                assert rig.state().drive.on_failed
                assert rig.rows(OutcomeRow)[-1].error == word
            relay.standing.clear()
            await rig.until(lambda: rig.now("lobby").contact is ON, 700, "on")
            await rig.until(lambda: not rig.alarmed("relay_failed"), 700, "it is over")

    lives(rig, life)
    if word == "unforeseen":
        traces = [line for line in rig.said() if "exception" in line]
        assert len(traces) == 1, "the traceback is written once"
    rig.sound()


def test_a_refusal_leaves_the_link_open(rig: Rig) -> None:
    """It is there and understood: opening it again could only move contacts."""

    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            rig.relays["lobby"].order("set", Mood(error=error(Refused)), times=1)
            rig.devices["lobby"].soc_percent = 66.0
            await rig.live(240)
            assert rig.relays["lobby"].opened == 1
            assert rig.devices["lobby"].contact is OFF

    lives(rig, life)


@pytest.mark.parametrize("is_deaf", [False, True])
@pytest.mark.parametrize("call", ["open", "get", "close", "refresh", "set"])
def test_a_hanging_call_of_any_kind_is_bounded(
    rig: Rig, call: str, is_deaf: bool
) -> None:
    """Even one that does not let itself be cancelled; on is said when it is over."""
    reads_back(rig)
    rig.relay_facts["dead_man_s"] = 60.0

    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            await rig.settled_off()
            relay = rig.relays["lobby"]
            relay.order(call, Mood(takes_s=1e6, is_deaf=is_deaf))
            if call in ("open", "close"):
                relay.order("get", Mood(error=error(Unavailable)), times=1)
            seen = len(rig.notes("read"))
            await rig.live(300)
            assert len(rig.notes("read")) - seen >= 5, "readings go on"
            relay.standing.clear()
            rig.devices["lobby"].soc_percent = 20.0
            await rig.until(lambda: rig.now("lobby").contact is ON, 60, "on")

    lives(rig, life)


def test_a_relay_that_is_absent_at_the_start_stops_nothing_and_comes_back(
    rig: Rig,
) -> None:
    absent = Mood(error=error(Unavailable))
    rig.prepare = lambda: [r.order("open", absent) for r in rig.relays.values()]  # type: ignore[assignment,return-value]

    async def life() -> None:
        async with rig.living():
            await rig.live(600)
            assert rig.alarmed("relay_failed")
            assert rig.cycles >= 20, "it goes on monitoring"
            rig.relays["lobby"].standing.clear()
            await rig.until(lambda: not rig.alarmed("relay_failed"), 31, "it is over")
            rig.devices["lobby"].soc_percent = 66.0
            await rig.until_told(OFF)

    lives(rig, life)
    rig.sound()


def test_a_relay_that_cannot_tell_and_comes_back_is_told_on_again(rig: Rig) -> None:
    """Without readback its return shows only in that it can be opened."""

    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            await rig.settled_off()
            relay, device = rig.relays["lobby"], rig.devices["lobby"]
            gone = Mood(error=error(Unavailable))
            relay.order("set", gone)
            relay.order("open", gone)
            device.soc_percent = 54.0
            await rig.until(lambda: rig.alarmed("relay_failed"), 300, "the alarm")
            assert rig.state().drive.commanded is ON
            relay.standing.clear()
            await rig.until(lambda: device.contact is ON, 45, "on again")
            await rig.until(lambda: not rig.alarmed("relay_failed"), 90, "it is over")

    lives(rig, life)
    rig.sound()


def test_the_trial_of_an_absent_supply_is_no_strangers_hand(rig: Rig) -> None:
    """Readback shows off while the core probes the wiring; that was we."""
    reads_back(rig)
    rig.devices["lobby"].mains = False

    async def life() -> None:
        async with rig.living():
            await rig.until(
                lambda: rig.state().drive.probe_until_ms is not None, 900, "the trial"
            )
            await rig.live(600)
            assert not rig.alarm_rows("relay_external_change")

    lives(rig, life)
    kinds = [row.kind for row in rig.rows(IntentRow)]
    assert "trial" in kinds


def test_a_strangers_hand_is_seen_by_readback_within_two_polls(rig: Rig) -> None:
    reads_back(rig)

    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            rig.now("lobby").contact = OFF
            await rig.until(lambda: rig.now("lobby").contact is ON, 65, "on again")
            assert rig.alarm_rows("relay_external_change")[:1] == [True]
            await rig.until(
                lambda: not rig.alarmed("relay_external_change"), 90, "it is over"
            )

    lives(rig, life)
    rig.sound()


def test_the_dead_man_timer_is_refreshed_only_while_off(rig: Rig) -> None:
    rig.relay_facts["dead_man_s"] = 90.0

    async def life() -> None:
        async with rig.living():
            await rig.live(300)
            assert not rig.notes("refreshed")
            await rig.settled_off()
            began_ms = rig.clock.boot_ms()
            await rig.live(600)
            at_ms = [began_ms, *(n.at_ms for n in rig.notes("refreshed"))]
            gaps = [b - a for a, b in itertools.pairwise(at_ms)]
            assert max(gaps) <= 31_000

    lives(rig, life)


def test_a_dead_channel_blocks_its_neighbour_for_one_call_at_most(
    tmp_path: Path,
) -> None:
    """One thread serves the board, as that of a real port does."""
    rig = Rig(tmp_path, names=("lobby", "stairs"))

    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            await rig.settled_off("stairs")
            await rig.live(200)
            rig.relays["lobby"].order("set", HANGS)
            rig.devices["lobby"].soc_percent = 66.0
            await rig.until_told(OFF, "lobby")
            rig.devices["stairs"].soc_percent = 20.0
            rig.gauges["stairs"].host.hint()
            hinted_ms = rig.clock.boot_ms()
            await rig.until_told(ON, "stairs")
            assert rig.clock.boot_ms() - hinted_ms <= 5_000

    lives(rig, life)


def test_neighbours_hear_of_a_call_and_only_those_on_the_link(tmp_path: Path) -> None:
    rig = Rig(tmp_path, names=("lobby", "stairs"), apart=("cellar",))

    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            before = len(heard(rig, "stairs")), len(heard(rig, "lobby"))
            rig.devices["lobby"].soc_percent = 66.0
            await rig.until_told(OFF, "lobby")
            await rig.live(120)
            assert len(heard(rig, "stairs")) == before[0] + 1
            assert len(heard(rig, "lobby")) == before[1], "not of its own"
            assert not heard(rig, "cellar"), "on a link of its own"
            # A call that lasts clouds what they see at its end as well.
            rig.relays["lobby"].order("set", Mood(takes_s=4.0))
            rig.devices["lobby"].soc_percent = 54.0
            await rig.until_told(ON, "lobby")
            await rig.live(120)
            assert len(heard(rig, "stairs")) == before[0] + 3

    lives(rig, life)


def heard(rig: Rig, name: str) -> list[Any]:
    return [r for r in rig.rows(EventRow, name) if r.kind == "neighbour_switched"]


def test_what_a_call_teaches_of_the_relay_counts_from_then_on(rig: Rig) -> None:
    """A unit that was silent at open takes its timer with the first off."""
    rig.relay_facts["fails_on"] = False
    rig.gauge_facts["host_is_device"] = False

    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            assert rig.alarmed("not_fail_on")
            relay = rig.relays["lobby"]
            relay.facts_now = replace(relay.facts, dead_man_s=120.0, fails_on=True)
            rig.devices["lobby"].soc_percent = 66.0
            await rig.until_told(OFF)
            await rig.live(1)
            assert not rig.alarmed("not_fail_on")
            assert rig.state().policy.fails_on

    lives(rig, life)
    rig.sound()
