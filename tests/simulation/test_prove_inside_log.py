"""What a commissioning run within a daemon's run leaves in the log, and forged ones.

Devices, peers and numbers are invented.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from support.doctored import (
    Change,
    at,
    both,
    copied,
    is_event,
    is_operator,
    is_own,
    is_rules,
    moved,
    with_fields,
    without,
)
from support.prove_inside_rig import FakeTalk, InsideRig, ordered
from support.shell_rig import Mood, lives
from tidegate.audit.auditor import audit
from tidegate.core.events import SettingsChanged
from tidegate.core.policy import HOUR_MS, Policy
from tidegate.cyclelog.plain import from_plain
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.record import event_row, parsed
from tidegate.cyclelog.replay import replay
from tidegate.cyclelog.rows import (
    EffectRow,
    Entry,
    IntentRow,
    RunEndRow,
    RunRow,
    SettingsRow,
    StateRow,
)
from tidegate.cyclelog.verify import verify
from tidegate.report.story import story

STATION = "lobby"
LIFE_S = 3_600


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory) -> InsideRig:
    """A daemon of two stations; one of them is proven between two quiet stretches."""
    rig = InsideRig(tmp_path_factory.mktemp("told"), names=(STATION, "tower"))
    for device in rig.devices.values():
        device.load_percent_h = device.charge_percent_h = 60.0

    async def life() -> None:
        async with rig.living():
            await rig.live(LIFE_S)
            await ordered(rig, FakeTalk(), rounds=3)
            await rig.live(LIFE_S)

    lives(rig, life)
    return rig


@pytest.fixture(scope="module")
def told(rig: InsideRig) -> list[Entry]:
    """What nobody changes: a ``Change`` gives a list of its own."""
    return rig.sound(STATION)


def test_it_stands_in_the_one_run_of_the_daemon(
    rig: InsideRig, told: list[Entry]
) -> None:
    """Rows of the other station come between, and those of the run among themselves."""
    own = [each.id for each in told if is_own(each.row)]
    others = [each.id for each in rig.sound("tower")]
    assert any(own[0] < each < own[-1] for each in others)
    assert [type(e.row) for e in told if isinstance(e.row, RunRow | RunEndRow)] == [
        RunRow,
        RunEndRow,
    ]
    checked = verify(rig.log)
    assert checked.fault is None
    intents = [e.row for e in told if isinstance(e.row, IntentRow)]
    result = replay(told, STATION)
    assert (len(own), result.unproven) == (7, 0)
    assert result.switchings == len(intents) - len(own) > 3


def test_audit_and_report_tell_of_it(rig: InsideRig) -> None:
    switchings = audit(rig.log, STATION).switchings
    assert switchings.proving == 6
    (run,) = audit(rig.log, STATION).commissionings
    assert (run.verdict, run.by, run.switchings) == ("proven", "A. Fitter", 6)
    assert audit(rig.log, "tower").commissionings == ()
    told = story(rig.log, STATION)
    assert told.until_ms - told.from_ms < 5 * HOUR_MS
    assert told.effects[True] >= 6


def is_begin(row: Any) -> bool:
    return is_operator(row) and '"begin"' in row.args


def is_result(row: Any) -> bool:
    return is_operator(row) and '"result"' in row.args


def is_last_state(row: Any) -> bool:
    return isinstance(row, StateRow)


def another_relay(told: list[Entry]) -> list[Entry]:
    """Say in it that the relay is another: that would end rule 7 without a proof."""
    to = at(told, is_begin)
    begin = told[to].row
    settings = next(e.row for e in told if isinstance(e.row, SettingsRow))
    event = SettingsChanged(
        policy=from_plain(Policy, parsed(settings.policy)), relay_changed=True
    )
    row = event_row(
        event, station=STATION, boot_ms=begin.boot_ms, wall_ms=begin.wall_ms
    )
    return [*told[: to + 1], Entry(told[to].id + 1, row), *told[to + 1 :]]


FOUND: dict[str, tuple[Change, str]] = {
    "a begin while the daemon looks after it": (
        moved(is_begin, is_event("started")),
        "it was read while it was out",
    ),
    "a begin while it stops": (
        moved(is_begin, is_event("stopping")),
        "it was read while it was out",
    ),
    "all of it while the daemon looks after it": (
        without(is_event("stopping")),
        "",
    ),
    "a stop without its state": (
        without(is_last_state),
        "no commissioning run is under way",
    ),
    "its switching before the stop": (
        copied(is_own, is_event("started")),
        "no commissioning run is under way",
    ),
    "its switching after its end": (
        copied(is_own, is_event("proved")),
        "no commissioning run is under way",
    ),
    "its switching after the station came back": (
        copied(is_own, is_event("started"), after_which=1),
        "no commissioning run is under way",
    ),
    "its reason on a switching of the rules": (
        with_fields(is_rules, 2, reason="prove"),
        "no commissioning run is under way",
    ),
    "a switching of the rules in it": (
        with_fields(is_own, 2, reason="at_high_mark"),
        "reason is at_high_mark in a commissioning run",
    ),
    "no begin": (without(is_begin), "it was read while it was out"),
    "no result": (without(is_result), "no result of a commissioning run"),
    "no last word": (
        without(is_event("proved")),
        "the event started has no place in a commissioning run",
    ),
    "neither result nor last word": (
        both(without(is_result), without(is_event("proved"))),
        "the event started has no place in a commissioning run",
    ),
    "a start in the middle": (
        copied(is_event("started"), is_own, after_which=2),
        "starts as if it had not",
    ),
    "proved twice": (
        copied(is_event("proved"), is_event("proved")),
        "no result of a commissioning run",
    ),
    "proved while the daemon looks after it": (
        copied(is_event("proved"), is_event("started"), after_which=1),
        "no result of a commissioning run",
    ),
    "another relay in it": (
        another_relay,
        "the event settings_changed has no place in a commissioning run",
    ),
    "another last word": (
        with_fields(is_event("proved"), kind="not_proved", args='{"operations":6}'),
        "another than not_proved",
    ),
    "another verdict": (
        with_fields(is_result, args='{"step":"result","verdict":"not_proven"}'),
        "another than proved",
    ),
    "more movements of the relay": (
        with_fields(is_event("proved"), args='{"operations":0}'),
        "",
    ),
}


@pytest.mark.parametrize("name", FOUND)
def test_what_does_not_follow_is_named(name: str, told: list[Entry]) -> None:
    change, what = FOUND[name]
    result = replay(change(told), STATION)
    assert not result.ok
    assert result.first_mismatch is not None
    assert what in result.first_mismatch.what


@pytest.mark.parametrize("which", range(7))
def test_proved_needs_every_effect(which: int, told: list[Entry]) -> None:
    own = [each.id for each in told if is_own(each.row)]

    def is_effect(row: Any) -> bool:
        return isinstance(row, EffectRow) and row.intent == own[which]

    for change in (with_fields(is_effect, seen=False), without(is_effect)):
        result = replay(change(told), STATION)
        assert result.first_mismatch is not None
        assert "effect of every switching" in result.first_mismatch.what


def test_a_log_that_was_not_touched_says_so(told: list[Entry]) -> None:
    """What is found above is found for the change alone."""
    for change in (
        with_fields(is_result, by="Nobody"),
        with_fields(is_begin, because="a new relay"),
    ):
        assert replay(change(told), STATION).ok, "names are for the chain"


@pytest.mark.parametrize("after_s", [1.0, 17.0])
def test_the_turn_of_the_year_within_it(tmp_path: Path, after_s: float) -> None:
    """Between the stop and the state of it, and in the middle of the round; the new
    file follows by itself, too.
    """
    rig = InsideRig(tmp_path, names=(STATION, "tower"), table={"settle": "10s"})

    def slow() -> None:
        if STATION in rig.relays:
            rig.relays[STATION].order("set", Mood(takes_s=2.0))

    async def life() -> None:
        rig.prepare = slow
        async with rig.living():
            await rig.settled_off(STATION)
            new_year_ms = 1_798_761_600_000
            rig.clock.step_wall(new_year_ms - rig.clock.wall_ms() - int(after_s * 1e3))
            await ordered(rig, FakeTalk())
            await rig.live(60)

    lives(rig, life)
    assert rig.comebacks == 1
    with Reader(rig.log) as reader:
        assert reader.past
        whole = replay(reader.history(STATION), STATION)
        alone = replay(reader.rows(STATION), STATION)
    assert (whole.ok, whole.unproven) == (True, 0), whole.first_mismatch
    assert alone.ok, alone.first_mismatch
