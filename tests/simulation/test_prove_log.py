"""What a commissioning run leaves in the cycle log, and what the daemon makes of it.

The twin and all numbers are invented.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from support.doctored import (
    Change,
    copied,
    is_event,
    is_operator,
    is_own,
    is_rules,
    with_fields,
    without,
)
from support.prove_rig import FakeBetweenRelay, ProveRig
from tidegate.cli import log_replay
from tidegate.core.controller import told_aside
from tidegate.core.effects import Reason
from tidegate.core.events import Proved
from tidegate.core.policy import HOUR_MS
from tidegate.core.state import State, evidence
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.record import event_row
from tidegate.cyclelog.replay import rebuild, replay
from tidegate.cyclelog.rows import (
    EffectRow,
    Entry,
    EventRow,
    IntentRow,
    RunEndRow,
    RunRow,
)
from tidegate.prove import Finding, Verdict
from tidegate.report.story import story
from tidegate.restore import polarity_is_swapped

STATION = "guide"
NC, NO = "normally-closed", "normally-open"


def event(what: str, after_h: float, for_h: float) -> dict[str, Any]:
    return {"what": what, "after_h": after_h, "for_h": for_h}


def rebuilt(rig: ProveRig) -> State:
    with Reader(rig.log) as reader:
        state = rebuild(reader, STATION)
    assert state is not None
    return state


def swapped(rig: ProveRig) -> bool:
    settings = rig.settings.stations[STATION]
    with Reader(rig.log) as reader:
        return polarity_is_swapped(reader, STATION, settings)


def reboot(rig: ProveRig) -> None:
    """The host starts anew; the twin lives on by its own clock."""
    rig.clock.reboot("another boot", boot_ms=rig.clock.boot_ms() + 1_000)


# --- the daemon afterwards ----------------------------------------------------------------


@pytest.mark.parametrize("boots", [False, True])
def test_a_passed_run_ends_rule_7(tmp_path: Path, boots: bool) -> None:
    """A contact that stuck latches the rule; it is mended, and the station proven."""
    rig = ProveRig(tmp_path, gauge={"events": [event("relay_stuck", 0, 2)]})
    rig.live(2 * 3_600)
    before = rebuilt(rig)
    assert before.latches.relay is Reason.RELAY_NO_EFFECT
    if boots:
        reboot(rig)
    assert rig.prove().verdict is Verdict.PROVEN
    after = rebuilt(rig)
    assert after.latches.relay is None
    assert after.drive.trial_at_lived_ms is None
    assert after.drive.operations == before.drive.operations + 6
    if boots:
        rig.clock.reboot("a third boot", boot_ms=rig.clock.boot_ms() + 1_000)
    service = rig.live(6 * 3_600)
    station = service.stations[STATION].state
    assert station is not None
    assert "relay_no_effect" not in {alarm.value for alarm in station.alarms}
    assert station.drive.ever_proven
    assert evidence(rebuilt(rig)) == evidence(station)
    rig.sound()


def test_of_a_run_alone_replay_does_not_say_that_nothing_was_switched(
    tmp_path: Path,
) -> None:
    """Whoever ordered it decided: replay has nothing to hold its switchings against."""
    rig = ProveRig(tmp_path)
    assert rig.prove().verdict is Verdict.PROVEN
    assert sum(isinstance(entry.row, IntentRow) for entry in rig.entries()) > 2
    result = replay(rig.sound(), STATION)
    assert log_replay.as_text([result])[:2] == [
        "Nothing to prove: no rule switched anything.",
        f"  {STATION}: no rule switched anything",
    ]


def test_a_run_that_did_not_pass_ends_nothing(tmp_path: Path) -> None:
    rig = ProveRig(tmp_path, gauge={"events": [event("relay_stuck", 0, 30)]})
    rig.live(2 * 3_600)
    before = rebuilt(rig)
    assert rig.prove().verdict is Verdict.NOT_PROVEN
    after = rebuilt(rig)
    assert after.latches == before.latches
    assert after.drive.operations > before.drive.operations
    rig.live(3_600)
    rig.sound()


def test_a_passed_run_ends_rule_6(tmp_path: Path) -> None:
    """A host that died twice while off; a new pack was fitted, and it is proven."""
    rig = ProveRig(tmp_path, gauge={"host_is_device": True})
    rig.live(600)
    state = rebuilt(rig)
    locked = replace(
        state,
        latches=replace(state.latches, lockout=Reason.ONLY_SOURCE),
        drive=replace(state.drive, only_source_losses=1),
    )
    freed = told_aside(locked, Proved(operations=4))
    assert freed.latches.lockout is None
    assert freed.drive.only_source_losses == 0
    assert freed.drive.operations == state.drive.operations + 4


def test_a_reversed_relay_is_known_to_the_next_daemon(tmp_path: Path) -> None:
    """From the first command on: the twin is never without supply again."""
    rig = ProveRig(tmp_path, relay={"wired": NO})
    assert rig.prove().seen.is_reversed
    assert swapped(rig), "restore goes by it too"
    state = rebuilt(rig)
    assert state.drive.swapped
    assert state.latches.relay is Reason.RELAY_REVERSED
    dark: list[int] = []
    rig.device.observe(
        lambda truth: dark.append(truth.at_ms) if not truth.external_power else None
    )
    service = rig.live(1_800)
    assert dark == []
    station = service.stations[STATION].state
    assert station is not None
    assert "relay_reversed" in {alarm.value for alarm in station.alarms}
    rig.sound()


def test_the_right_setting_is_proven_afterwards(tmp_path: Path) -> None:
    """The wiring was found reversed; the settings are corrected, the rest is as ever."""
    rig = ProveRig(tmp_path, relay={"wired": NO})
    assert rig.prove().seen.is_reversed
    rig.relay["contact"] = NO
    assert not swapped(rig), "what was found out belongs to other settings"
    result = rig.prove()
    assert result.verdict is Verdict.PROVEN
    assert not result.seen.swapped
    assert result.wiring == NO
    state = rebuilt(rig)
    assert not state.drive.swapped
    assert state.latches.relay is None
    service = rig.live(1_800)
    station = service.stations[STATION].state
    assert station is not None
    assert not station.drive.swapped
    assert rig.device.external_power
    rig.sound()


def test_a_polarity_that_the_daemon_found_is_used(tmp_path: Path) -> None:
    rig = ProveRig(tmp_path, relay={"wired": NO})
    rig.live(2 * 3_600)
    assert rebuilt(rig).drive.swapped
    result = rig.prove()
    assert result.verdict is Verdict.PROVEN
    assert Finding.RELAY_SWAPPED in result.seen.findings
    assert Finding.NOT_FAIL_ON in result.seen.findings
    assert result.wiring == NO
    assert rebuilt(rig).drive.swapped
    assert rig.device.external_power
    rig.live(3_600)
    rig.sound()


def test_runs_of_other_stations_are_no_last_run_of_this_one(tmp_path: Path) -> None:
    """Whether the boot is the same, and the run was closed, is asked of its own run."""
    rig = ProveRig(tmp_path)
    rig.live(600)
    with Reader(rig.log) as reader:
        before = reader.last_run_of(STATION)
        assert reader.last_run_of("attic") is None
    rig.clock.reboot("another boot", boot_ms=rig.clock.boot_ms() + 1_000)
    rig.prove()
    with Reader(rig.log) as reader:
        last = reader.last_run()
        assert last is not None
        assert last.boot_id == "another boot"
        assert reader.last_run_of(STATION) == before
    assert before is not None
    assert before.closed
    rig.live(60)
    started = [
        e.row
        for e in rig.entries()
        if isinstance(e.row, EventRow) and e.row.kind == "started"
    ]
    assert '"same_boot":false' in started[-1].args
    with Reader(rig.log) as reader:
        again = reader.last_run_of(STATION)
    assert again is not None
    assert again.boot_id == "another boot"


def test_the_report_tells_of_it(tmp_path: Path) -> None:
    rig = ProveRig(tmp_path)
    rig.live(3 * 3_600)
    before = story(rig.log, STATION)
    rig.prove()
    told = story(rig.log, STATION)
    assert told.switchings == before.switchings + 6
    assert told.effects[True] == before.effects[True] + 7
    assert told.until_ms - told.from_ms < 4 * HOUR_MS


def test_the_turn_of_the_year_within_a_run(tmp_path: Path) -> None:
    rig = ProveRig(tmp_path)
    rig.live(60)
    # 2027 begins in the middle of the first round.
    rig.clock.step_wall(1_798_761_600_000 - rig.clock.wall_ms() - 14_000)
    assert rig.prove().verdict is Verdict.PROVEN
    with Reader(rig.log) as reader:
        assert reader.past
        result = replay(reader.history(STATION), STATION)
        alone = replay(reader.rows(STATION), STATION)
    assert (result.ok, result.unproven) == (True, 0), result.first_mismatch
    assert alone.ok, alone.first_mismatch


# --- doctored logs ------------------------------------------------------------------------


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> list[Entry]:
    """A daemon, a commissioning run, a daemon."""
    rig = ProveRig(tmp_path_factory.mktemp("told"))
    rig.live(3 * 3_600)
    rig.prove()
    rig.live(3 * 3_600)
    return rig.sound()


def test_its_switchings_are_neither_agreed_nor_unproven(told: list[Entry]) -> None:
    result = replay(told, STATION)
    intents = [e.row for e in told if isinstance(e.row, IntentRow)]
    own = [row for row in intents if row.reason == "prove"]
    assert len(own) == 7
    assert (result.ok, result.unproven) == (True, 0)
    assert result.switchings == len(intents) - len(own)


@pytest.mark.parametrize(
    ("change", "what"),
    [
        pytest.param(
            copied(is_own, is_event("started"), after_which=-1),
            "no commissioning run is under way",
            id="its switching in a daemon's run",
        ),
        pytest.param(
            copied(is_own, is_event("proved")),
            "no commissioning run is under way",
            id="its switching after its result",
        ),
        pytest.param(
            with_fields(is_own, 2, reason="at_high_mark"),
            "reason is at_high_mark in a commissioning run",
            id="another reason in it",
        ),
        pytest.param(
            with_fields(is_rules, 1, reason="prove"),
            "no commissioning run is under way",
            id="its reason on a daemon's switching",
        ),
        pytest.param(
            without(is_operator),
            "no commissioning run is under way",
            id="no beginning",
        ),
        pytest.param(
            without(is_operator, 1), "no result of a commissioning run", id="no result"
        ),
        pytest.param(
            copied(is_event("proved"), is_event("proved")),
            "no result of a commissioning run",
            id="proved twice",
        ),
        pytest.param(
            copied(is_event("proved"), is_event("started"), after_which=-1),
            "no result of a commissioning run",
            id="proved in a daemon's run",
        ),
        pytest.param(
            lambda told: copied(is_own, is_operator)(
                copied(is_operator, is_event("started"), after_which=0)(told)
            ),
            "no commissioning run is under way",
            id="a whole beginning in a daemon's run",
        ),
        pytest.param(
            copied(is_event("started"), is_operator),
            "has no place in a commissioning run",
            id="a daemon that starts in it",
        ),
        pytest.param(without(is_event("proved")), "state_digest", id="no last word"),
    ],
)
def test_what_does_not_follow_is_named(
    told: list[Entry], change: Change, what: str
) -> None:
    result = replay(change(told), STATION)
    assert not result.ok
    assert result.first_mismatch is not None
    assert what in result.first_mismatch.what


def test_the_last_word_is_that_of_the_result(tmp_path: Path) -> None:
    """All rounds were seen, the timer failed, and somebody wrote ``proved`` over it."""
    rig = ProveRig(
        tmp_path,
        between_relay=lambda relay, rig: FakeBetweenRelay(relay, rig, dead_man_s=60.0),
    )
    assert rig.prove().verdict is Verdict.NOT_PROVEN
    entries = rig.sound()
    change = with_fields(is_event("not_proved"), kind="proved", args="{}")
    result = replay(change(entries), STATION)
    assert result.first_mismatch is not None
    assert "another than proved" in result.first_mismatch.what


@pytest.mark.parametrize("which", range(7))
def test_proved_needs_every_effect(told: list[Entry], which: int) -> None:
    own = [e.id for e in told if is_own(e.row)]
    change = with_fields(
        lambda row: isinstance(row, EffectRow) and row.intent == own[which], seen=False
    )
    result = replay(change(told), STATION)
    assert result.first_mismatch is not None
    assert "effect of every switching" in result.first_mismatch.what


@pytest.mark.parametrize("at_line", range(9))
def test_a_killed_run_is_followed_by_a_sound_daemon(
    tmp_path: Path, at_line: int
) -> None:
    """Whatever it was about to do: the next start says on first."""
    rig = ProveRig(tmp_path)
    rig.live(600)
    assert rig.prove_killed(at_line), "a run says more lines than that"
    entries = rig.entries()
    left = entries[_at_last_run(entries) :]
    assert any(is_operator(each.row) for each in left)
    assert not any(isinstance(each.row, RunEndRow) for each in left)
    rig.live(600)
    assert rig.device.external_power
    entries = rig.sound()
    first = next(e.row for e in entries[_at_last_run(entries) :] if is_rules(e.row))
    assert (first.supply, first.reason) == ("on", "start")


def _at_last_run(entries: list[Entry]) -> int:
    return [i for i, e in enumerate(entries) if isinstance(e.row, RunRow)][-1]


def test_a_proved_that_nobody_ran_is_named(tmp_path: Path) -> None:
    rig = ProveRig(tmp_path)
    rig.live(600)
    entries = rig.sound()
    row = event_row(Proved(), station=STATION, boot_ms=10**9, wall_ms=0)
    result = replay([*entries, Entry(10**6, row)], STATION)
    assert result.first_mismatch is not None
    assert result.first_mismatch.row == 10**6
