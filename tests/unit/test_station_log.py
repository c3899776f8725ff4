"""Durable before acting: what the log holds before, while and after a relay is told."""

from __future__ import annotations

from pathlib import Path

import pytest

from support.shell_rig import FINE, OFF, ON, Mood, Note, Rig, broken_log, lives
from tidegate.core.reading import Supply
from tidegate.cyclelog.rows import (
    DROPPED,
    EffectRow,
    GapRow,
    IntentRow,
    OutcomeRow,
    ReadingRow,
)


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    return Rig(tmp_path)


def intents_of(rig: Rig) -> list[Note]:
    return rig.notes("durable IntentRow")


def place(rig: Rig, note: Note) -> int:
    return rig.journal.index(note)


def test_intent_is_durable_before_the_relay_is_told_outcome_and_effect_after(
    rig: Rig,
) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.live(1)
            for level, supply in ((66.0, OFF), (54.0, ON), (66.0, OFF)):
                rig.devices["lobby"].soc_percent = level
                await rig.until_told(supply)
                await rig.live(240)

    lives(rig, life)
    told = rig.notes("told")
    intents = intents_of(rig)
    outcomes = rig.notes("durable OutcomeRow")
    assert [n.more.supply for n in intents] == [n.more for n in told]
    assert [n.more for n in told] == [ON, OFF, ON, OFF, ON]
    for intent, call, outcome in zip(intents, told, outcomes, strict=True):
        assert place(rig, intent) < place(rig, call) < place(rig, outcome)
        assert outcome.more.succeeded
    effects = rig.notes("durable EffectRow")
    # The last on is that of the stop, which waits for no verdict.
    assert [(n.more.supply, n.more.seen) for n in effects] == [
        (ON, True),
        (OFF, True),
        (ON, True),
        (OFF, True),
    ]
    for effect, outcome in zip(effects, outcomes, strict=False):
        assert place(rig, effect) > place(rig, outcome)
    rig.sound()


def test_a_reading_just_before_and_one_soon_after_each_ordinary_switching(
    rig: Rig,
) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            await rig.settled_off()
            await rig.live(240)
            rig.devices["lobby"].soc_percent = 54.0
            await rig.until_told(ON)
            await rig.live(10)

    lives(rig, life)
    told = rig.notes("told")
    reads = rig.notes("read")
    for call in told[1:3]:
        before = [n for n in reads if place(rig, n) < place(rig, call)][-1]
        after = next(n for n in reads if place(rig, n) > place(rig, call))
        assert call.at_ms - before.at_ms <= 2_000
        assert 1_000 <= after.at_ms - call.at_ms <= 2_000
    # Both are evidence, so both are in the log.
    kept = {row.boot_ms for row in rig.rows(ReadingRow)}
    ends = {row.boot_ms + row.span_ms for row in rig.rows(ReadingRow)}
    assert {n.at_ms + 1_500 for n in told[1:3]} <= kept | ends


@pytest.mark.parametrize("soc_percent", [54.0, 20.0])
def test_only_an_urgent_on_goes_without_the_reading_before_it(
    rig: Rig, soc_percent: float
) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            await rig.settled_off()
            await rig.live(240)
            rig.devices["lobby"].soc_percent = 57.0
            await rig.live(60)
            gauge = rig.gauges["lobby"]
            gauge.order("read", FINE, times=1)
            gauge.order("read", Mood(takes_s=60), times=1)
            rig.devices["lobby"].soc_percent = soc_percent
            seen = len(rig.notes("told"))
            await rig.until(lambda: len(rig.notes("told")) > seen, 40, "an on")
            told = rig.notes("told")[-1]
            assert told.more is ON
            took_ms = told.at_ms - rig.state().drive.commanded_at_ms
            if soc_percent < 25:
                assert took_ms == 0
            else:
                assert 1_900 <= took_ms <= 2_600

    lives(rig, life)


def test_an_on_waits_two_seconds_for_a_slow_log_and_a_gap_row_says_so(
    rig: Rig,
) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            await rig.settled_off()
            await rig.live(240)
            rig.devices["lobby"].soc_percent = 54.0
            rig.disk_takes_s = 30.0
            seen = len(rig.notes("told"))
            await rig.until(lambda: len(rig.notes("told")) > seen, 40, "an on")
            told = rig.notes("told")[-1]
            assert told.more is ON
            decided_ms = rig.state().drive.commanded_at_ms
            assert 1_900 <= told.at_ms - decided_ms <= 2_600
            assert not any(n.more.supply is ON for n in intents_of(rig)[2:])
            await rig.live(60)
            rig.disk_takes_s = 0.0
            await rig.live(60)

    lives(rig, life)
    gaps = rig.rows(GapRow)
    assert [gap.switchings for gap in gaps if gap.station == "lobby"] == [1]
    assert gaps[0].why == "slow"
    rig.sound()


def test_an_off_waits_ten_seconds_and_is_dropped_and_tried_again(rig: Rig) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            rig.disk_takes_s = 60.0
            rig.devices["lobby"].soc_percent = 66.0
            await rig.until(
                lambda: rig.state().drive.commanded is OFF, 60, "the decision"
            )
            decided_ms = rig.state().drive.commanded_at_ms
            await rig.until(lambda: rig.state().drive.commanded is ON, 20, "the drop")
            assert 10_000 <= rig.clock.boot_ms() - decided_ms <= 12_000
            assert OFF not in {n.more for n in rig.notes("told")}
            rig.disk_takes_s = 0.0
            await rig.until_told(OFF)

    lives(rig, life)
    dropped = [row for row in rig.rows(OutcomeRow) if row.error == DROPPED]
    assert len(dropped) == 1
    rig.sound()


def test_the_off_of_critical_heat_acts_on_a_slow_log(rig: Rig) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            rig.disk_takes_s = 60.0
            rig.devices["lobby"].temperature_c = 61.0
            await rig.until_told(OFF)
            decided_ms = rig.state().drive.commanded_at_ms
            assert rig.notes("told")[-1].at_ms - decided_ms <= 12_100
            assert rig.state().reason == "battery_critical_heat"
            rig.disk_takes_s = 0.0
            await rig.live(60)

    lives(rig, life)
    assert sum(gap.switchings for gap in rig.rows(GapRow)) >= 1
    rig.sound()


def test_an_on_does_not_wait_behind_an_off_that_waits_for_the_log(rig: Rig) -> None:
    """The off is given up as soon as another command comes; here that of a stop."""

    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            rig.disk_takes_s = 60.0
            rig.devices["lobby"].soc_percent = 66.0
            await rig.until(
                lambda: rig.state().drive.commanded is OFF, 60, "the decision"
            )
        assert OFF not in {n.more for n in rig.notes("told")}

    lives(rig, life)
    stop = rig.state().reason_since_ms
    assert rig.state().reason == "stop"
    assert 0 <= rig.notes("told")[-1].at_ms - stop <= 2_100


def test_with_the_log_broken_offs_go_on_and_the_alarm_comes_and_goes(
    rig: Rig,
) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            mend = broken_log(rig.log)
            rig.devices["lobby"].soc_percent = 66.0
            await rig.until_told(OFF)
            decided_ms = rig.state().drive.commanded_at_ms
            assert rig.notes("told")[-1].at_ms - decided_ms <= 100, "no wait"
            assert rig.alarmed("log_lost")
            await rig.live(240)
            rig.devices["lobby"].soc_percent = 54.0
            await rig.until_told(ON)
            mend()
            # The next poll finds out, although nothing new need be written.
            await rig.until(lambda: not rig.alarmed("log_lost"), 45, "the log is back")
            await rig.live(60)

    lives(rig, life)
    assert rig.alarm_rows("log_lost") == [True, False]
    gaps = [gap for gap in rig.rows(GapRow) if gap.station == "lobby"]
    assert sum(gap.switchings for gap in gaps) == 2
    entries = rig.sound()
    intents = [e.id for e in entries if isinstance(e.row, IntentRow)]
    outcomes = [e.row.intent for e in entries if isinstance(e.row, OutcomeRow)]
    assert intents == outcomes
    assert any(isinstance(e.row, EffectRow) for e in entries)


def test_no_log_at_all_at_the_start_stops_nothing(rig: Rig) -> None:
    rig.log.mkdir()

    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            assert rig.alarmed("log_lost")
            rig.devices["lobby"].soc_percent = 66.0
            await rig.until_told(OFF)

    lives(rig, life)
    assert rig.notes("told")[-1].more is Supply.ON
