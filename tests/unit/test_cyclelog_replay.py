"""Replay gives the logged switchings, or names the first that does not follow."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import fields, replace
from pathlib import Path
from random import Random

import pytest

from support import cyclelog_rows as make
from support.cyclelog_life import POLICY, Life
from tidegate.core.controller import RULES_VERSION
from tidegate.core.effects import SwitchSupply
from tidegate.core.events import (
    OverridePlaced,
    OverrideReleased,
    Resumed,
    SettingsChanged,
    TimePassed,
)
from tidegate.core.policy import Marks
from tidegate.core.reading import Supply
from tidegate.core.state import State, evidence
from tidegate.cyclelog.check import check
from tidegate.cyclelog.plain import canonical, to_plain
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.replay import rebuild, replay
from tidegate.cyclelog.rows import (
    EffectRow,
    Entry,
    EventRow,
    FailureRow,
    GapRow,
    IntentRow,
    LinkRow,
    ReadingRow,
    Row,
    RunRow,
    StateRow,
)

NEW_YEAR_MS = 1_798_761_600_000  # 2027-01-01 UTC
Change = Callable[[list[Entry]], list[Entry]]


def entries(path: Path) -> list[Entry]:
    with Reader(path) as reader:
        assert check(reader) is None
        return list(reader.history("lobby"))


def rebuilt(path: Path) -> State:
    with Reader(path) as reader:
        state = rebuild(reader, "lobby")
    assert state is not None
    return state


async def eventful(life: Life) -> None:
    """A day with what a day can bring: noise, jumps, silence, heat, an operator."""
    await life.live(180)
    await life.read(soc_percent=20.0)
    await life.live(20)
    await life.live(5, soc_percent=1536.0, raw="1536")
    await life.fail(2)
    await life.live(45)
    await life.fail(12)
    await life.live(45)
    await life.live(8, temperature_c=47.0)
    await life.live(60)
    until_ms = life.clock.boot_ms() + 3_600_000
    order = OverridePlaced(
        supply=Supply.ON, until_ms=until_ms, because="inventory", by="A. Fitter"
    )
    await life.feed(order)
    await life.live(30)
    await life.feed(OverrideReleased(by="A. Fitter"))
    await life.live(60)
    await life.feed(TimePassed())
    life.write_state()
    await life.live(120)


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> list[Entry]:
    """The rows of an eventful day."""
    path = tmp_path_factory.mktemp("day") / "cycles.db"
    commands = asyncio.run(_day(path))
    found = entries(path)
    assert commands == sum(isinstance(each.row, IntentRow) for each in found)
    return found


async def _day(path: Path) -> int:
    life = Life(path, make.clock())
    await life.start()
    await eventful(life)
    await life.stop()
    return life.commands


def test_a_day_replays(day: list[Entry]) -> None:
    result = replay(day, "lobby")
    assert result.first_mismatch is None
    assert result.ok
    assert result.unproven == 0
    assert result.switchings == sum(isinstance(each.row, IntentRow) for each in day)
    assert result.switchings >= 8
    # The day holds what it should: runs, jumps, rejections, failures.
    readings = [each.row for each in day if isinstance(each.row, ReadingRow)]
    assert sum(row.reads for row in readings) > 2 * len(readings)
    assert {row.why_not for row in readings} == {None, "jump", "out_of_range"}
    assert any(isinstance(each.row, FailureRow) for each in day)


def _first(day: list[Entry], kind: type, at: int = 0) -> int:
    return [i for i, each in enumerate(day) if isinstance(each.row, kind)][at]


def _with(day: list[Entry], at: int, **fields: object) -> list[Entry]:
    row = replace(day[at].row, **fields)  # type: ignore[arg-type]
    return [*day[:at], Entry(day[at].id, row), *day[at + 1 :]]


def _deciding(day: list[Entry], intent_at: int) -> int:
    """Return where the reading stands that decided this intent."""
    intent = day[_first(day, IntentRow, intent_at)].row
    assert isinstance(intent, IntentRow)
    (at,) = (i for i, each in enumerate(day) if each.id == intent.trigger)
    return at


@pytest.mark.parametrize(
    ("change", "what"),
    [
        (lambda day: _with(day, _first(day, IntentRow, 2), supply="off"), "supply"),
        (lambda day: _with(day, _first(day, IntentRow, 2), reason="stop"), "reason"),
        (lambda day: _with(day, _first(day, IntentRow, 2), kind="trial"), "kind"),
        (lambda day: _with(day, _first(day, IntentRow, 2), swapped=True), "swapped"),
        (lambda day: _with(day, _first(day, IntentRow, 2), trigger=1), "trigger"),
        (
            lambda day: _with(day, _first(day, IntentRow, 2), state_digest="0" * 64),
            "state_digest",
        ),
        (
            lambda day: [*day[: (at := _first(day, IntentRow, 2))], *day[at + 1 :]],
            "no intent follows",
        ),
        (
            lambda day: [
                *day[: (at := _first(day, IntentRow, 2))],
                *day[at:][:1],
                *day[at:],
            ],
            "no event before it",
        ),
        (
            lambda day: [*day[: (at := _deciding(day, 1))], *day[at + 1 :]],
            "no event before it",
        ),
        (
            lambda day: _with(day, _deciding(day, 1), soc_hundredths_percent=6000),
            "no event before it",
        ),
        (
            lambda day: _with(
                day, _first(day, StateRow), state=_floored(day[_first(day, StateRow)])
            ),
            "latches.floor",
        ),
    ],
)
def test_what_does_not_follow_is_named(
    day: list[Entry], change: Change, what: str
) -> None:
    result = replay(change(day), "lobby")
    assert not result.ok
    assert result.first_mismatch is not None
    assert what in result.first_mismatch.what
    assert result.first_mismatch.row in [each.id for each in day]


def _floored(entry: Entry) -> str:
    assert isinstance(entry.row, StateRow)
    text = entry.row.state.replace('"floor":false', '"floor":true')
    assert text != entry.row.state
    return text


def test_a_row_out_of_time_is_named(day: list[Entry]) -> None:
    at = _first(day, EventRow, -1)
    result = replay(_with(day, at, boot_ms=1), "lobby")
    assert result.first_mismatch is not None
    assert result.first_mismatch.row == day[at].id
    assert "lies before" in result.first_mismatch.what


@pytest.mark.parametrize("seed", range(4))
def test_whatever_was_edited_is_no_fault_of_ours(day: list[Entry], seed: int) -> None:
    """An edit is found, or nothing follows from it; it never ends in an error."""
    dice = Random(seed)
    for _ in range(3):
        at = dice.randrange(len(day))
        if isinstance(day[at].row, LinkRow):
            continue
        name = dice.choice([field.name for field in fields(day[at].row)])
        value = dice.choice([0, 1, -1, 2**62, "", "{}", "[]", "null", "x", None])
        result = replay(_with(day, at, **{name: value}), "lobby")
        assert result.ok is (result.first_mismatch is None)


def test_other_rules_are_unproven_not_wrong(day: list[Entry]) -> None:
    result = replay(
        _with(day, _first(day, RunRow), rules_version=RULES_VERSION + 1), "lobby"
    )
    assert result.ok
    # The state row of these rules is where proof can begin again.
    before = sum(
        isinstance(each.row, IntentRow) for each in day[: _first(day, StateRow)]
    )
    after = sum(
        isinstance(each.row, IntentRow) for each in day[_first(day, StateRow) :]
    )
    assert (result.unproven, result.switchings) == (before, after)
    assert before
    assert after


def test_lost_rows_leave_the_rest_unproven_until_the_next_state_row(
    day: list[Entry],
) -> None:
    at = _deciding(day, 1)
    gap = GapRow(
        boot_ms=0,
        wall_ms=0,
        station="lobby",
        why="overflow",
        since_boot_ms=0,
        since_wall_ms=0,
        dropped_rows=1,
    )
    result = replay([*day[:at], Entry(day[at].id, gap), *day[at + 1 :]], "lobby")
    assert result.ok
    assert result.unproven > 0
    assert result.switchings > 1
    total = sum(isinstance(each.row, IntentRow) for each in day)
    assert result.unproven + result.switchings == total
    # Lost rows of another station, or none at all, are no matter.
    for other in (replace(gap, station="hall"), replace(gap, dropped_rows=0)):
        result = replay([*day[:at], Entry(1, other), *day[at:]], "lobby")
        assert (result.ok, result.unproven) == (True, 0)


def test_a_file_whose_past_is_unseen_is_proven_from_its_state_row(
    day: list[Entry],
) -> None:
    result = replay(_with(day, _first(day, RunRow), prev_link="ab" * 32), "lobby")
    assert result.ok
    assert result.unproven > 0
    assert result.switchings > 0


def test_a_command_that_a_kill_cut_off_is_no_mismatch(day: list[Entry]) -> None:
    """Decided and not durable: nobody was told, and the next run begins afresh."""
    cut = day[: _first(day, IntentRow, 2)]
    last_id = cut[-1].id
    begun, ended = Entry(last_id + 1, make.run()), Entry(last_id + 2, make.run_end())
    assert replay([*cut, begun, ended], "lobby").ok
    result = replay([*cut, ended], "lobby")
    assert result.first_mismatch is not None
    assert "no intent follows" in result.first_mismatch.what


async def test_an_effect_after_a_restart_names_no_switching_of_the_run_before(
    tmp_path: Path,
) -> None:
    path = tmp_path / "cycles.db"
    clock, policy = make.clock(), replace(POLICY, can_read_back=True)
    life = Life(path, clock, policy=policy)
    await life.start()
    while life.contact is Supply.ON:
        await life.live(0.5)
    await life.writer.commit()
    life.die()
    clock.advance(5_000)
    again = Life(path, clock, policy=policy, state=rebuilt(path))
    # It sticks meanwhile, which shows as an effect of no switching of this run.
    again.contact, again.soc = Supply.ON, life.soc
    await again.start(same_boot=True, was_closed=False, relay=Supply.OFF)
    await again.live(20)
    await again.stop()
    found = entries(path)
    assert replay(found, "lobby").first_mismatch is None
    at = next(
        i
        for i, each in enumerate(found)
        if isinstance(each.row, EffectRow) and each.row.intent is None
    )
    first = next(each.id for each in found if isinstance(each.row, IntentRow))
    assert not replay(_with(found, at, intent=first), "lobby").ok


async def test_what_lies_on_the_way_is_no_mismatch(tmp_path: Path) -> None:
    """A suspend between settings and their event; time without one before a state."""
    path = tmp_path / "cycles.db"
    life = Life(path, make.clock())
    await life.start()
    await life.live(60)
    policy = replace(POLICY, floor_percent=22.0)
    text = canonical(to_plain(policy))
    life.append(replace(make.settings(policy=text), boot_ms=life.clock.boot_ms()))
    await life.feed(Resumed())
    await life.feed(SettingsChanged(policy=policy, relay_changed=False))
    await life.live(60)
    life.clock.advance(7_000)
    await life.feed(TimePassed())
    life.write_state()
    await life.live(60)
    await life.stop()
    result = replay(entries(path), "lobby")
    assert result.first_mismatch is None
    assert result.switchings == life.commands


# --- rebuilding ---------------------------------------------------------------------


async def test_a_stopped_station_is_rebuilt_exactly(tmp_path: Path) -> None:
    path = tmp_path / "cycles.db"
    life = Life(path, make.clock())
    await life.start()
    await eventful(life)
    await life.stop()
    assert rebuilt(path) == life.state


async def test_a_killed_station_is_rebuilt_from_what_was_durable(
    tmp_path: Path,
) -> None:
    path = tmp_path / "cycles.db"
    life = Life(path, make.clock())
    await life.start()
    await life.live(190)
    await life.writer.commit()
    life.die()
    found = rebuilt(path)
    assert evidence(found) == evidence(life.state)
    # The readings of the open run are lost, a quarter of an hour at most.
    assert life.state.quiet.now_ms - found.quiet.now_ms <= 15 * 60_000


@pytest.mark.parametrize("same_boot", [True, False])
@pytest.mark.parametrize("killed", [True, False])
async def test_several_runs_replay_as_one_life(
    tmp_path: Path, *, same_boot: bool, killed: bool
) -> None:
    path = tmp_path / "cycles.db"
    clock = make.clock()
    state = None
    for count in range(3):
        policy = replace(POLICY, floor_percent=20.0 + count)
        life = Life(path, clock, policy=policy, state=state)
        await life.start(same_boot=same_boot and count > 0, was_closed=not killed)
        await life.live(100)
        if killed:
            await life.writer.commit()
            life.die()
        else:
            await life.stop()
        state = rebuilt(path)
        clock.advance(5_000)
        if not same_boot:
            clock.reboot(f"boot-{count + 2}", down_ms=60_000, boot_ms=30_000)
    found = entries(path)
    result = replay(found, "lobby")
    assert result.first_mismatch is None
    assert (result.ok, result.unproven) == (True, 0)
    assert result.switchings == sum(isinstance(each.row, IntentRow) for each in found)


class Interrupted(Life):
    """A life whose state row falls between each intent and its outcome."""

    async def _switch(self, intent: int, effect: SwitchSupply) -> None:
        self.write_state()
        await super()._switch(intent, effect)


class Older(Life):
    """A life under rules 1, whose intents bear the time at which they were written."""

    def append(self, row: Row) -> int:
        if isinstance(row, RunRow | StateRow):
            row = replace(row, rules_version=1)
        elif isinstance(row, IntentRow):
            row = replace(row, boot_ms=row.boot_ms + 2)
        return super().append(row)


@pytest.mark.parametrize("has_state_row", [True, False])
async def test_outcomes_of_an_older_log_find_their_intents(
    tmp_path: Path, *, has_state_row: bool
) -> None:
    path = tmp_path / "cycles.db"
    life = Older(path, make.clock())
    await life.start()
    await life.live(120)
    if has_state_row:
        life.write_state()
    await life.live(120)
    await life.writer.commit()
    life.die()
    assert life.commands > 2
    assert evidence(rebuilt(path)) == evidence(life.state)


async def test_an_outcome_after_the_state_row_finds_its_intent(tmp_path: Path) -> None:
    path = tmp_path / "cycles.db"
    life = Interrupted(path, make.clock())
    await life.start()
    await life.live(1)
    await life.writer.commit()
    life.die()
    found = rebuilt(path)
    assert found.drive.pending is not None
    assert found.drive.pending.done_at_ms is not None
    assert evidence(found) == evidence(life.state)
    assert replay(entries(path), "lobby").ok


async def test_the_turn_of_the_year_does_not_break_a_replay(tmp_path: Path) -> None:
    path = tmp_path / "cycles.db"
    life = Life(path, make.clock(wall_ms=NEW_YEAR_MS - 2 * 3_600_000))
    await life.start()
    await life.live(600)
    await life.stop()
    assert (tmp_path / "cycles-2026.db").exists()
    with Reader(path) as reader:
        alone = replay(reader.rows("lobby"), "lobby")
        whole = replay(reader.history("lobby"), "lobby")
    assert (alone.ok, whole.ok, whole.unproven) == (True, True, 0)
    assert alone.unproven > 0
    assert whole.switchings == life.commands
    assert rebuilt(path) == life.state


async def test_settings_that_change_during_a_run_replay(tmp_path: Path) -> None:
    """Also in the year's new file, whose head looks like the beginning of a run."""
    path = tmp_path / "cycles.db"
    life = Life(path, make.clock(wall_ms=NEW_YEAR_MS - 3_600_000))
    await life.start()
    await life.live(120)
    assert life.contact is Supply.OFF
    policy = replace(POLICY, marks=Marks(low_percent=75.0, high_percent=85.0))
    text = canonical(to_plain(policy))
    life.append(replace(make.settings(policy=text), boot_ms=life.clock.boot_ms()))
    before = life.commands
    await life.feed(SettingsChanged(policy=policy, relay_changed=False))
    assert life.commands == before + 1
    await life.live(60)
    await life.stop()
    assert rebuilt(path) == life.state
    result = replay(entries(path), "lobby")
    assert result.first_mismatch is None
    assert result.unproven == 0


async def test_a_state_row_that_cannot_be_read_counts_as_none(tmp_path: Path) -> None:
    path = tmp_path / "cycles.db"
    life = Life(path, make.clock())
    await life.start()
    await life.live(60)
    life.append(make.state(text='{"of":"another version"}'))
    await life.writer.commit()
    life.die()
    with Reader(path) as reader:
        assert rebuild(reader, "lobby") is None
        assert rebuild(reader, "attic") is None
    life = Life(path, make.clock(boot_ms=10_000_000))
    await life.start()
    await life.live(60)
    await life.stop()
    assert rebuilt(path) == life.state
