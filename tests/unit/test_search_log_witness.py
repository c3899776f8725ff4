"""The witness of the log accuses nobody wrongly, and lets nothing pass.

Rows are written by the real writer; what is broken is broken on purpose, by a forger, a
disk or a writer that leaves something out. All numbers are invented.
"""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from unittest import mock

import pytest

from support import cyclelog_rows as make
from support.cyclelog_faults import garble, garble_tables
from support.cyclelog_forger import Rows, forge
from support.cyclelog_life import Life
from support.search import log_witness
from support.search.log_witness import LogWitness
from support.shell_rig import broken_log
from tidegate.cyclelog.backlog import Backlog
from tidegate.cyclelog.rows import Row
from tidegate.cyclelog.writer import RETRY_MS, Writer
from tidegate.errors import LogError

LATE_IN_2026 = 1_798_761_590_000


class World:
    """A writer, and a witness who is told what the engine of the search tells."""

    def __init__(self, folder: Path, *, wall_ms: int = make.WALL_MS) -> None:
        self.log = folder / "cycles.db"
        self.clock = make.clock(wall_ms=wall_ms)
        self.witness = LogWitness(folder, self.log, ["lobby"])
        self.writer: Writer
        self.begin()

    def begin(self) -> None:
        self.writer = Writer.open(self.log, clock=self.clock, threaded=False)
        self.append(make.run(), make.settings())

    def append(self, *rows: Row) -> int:
        now = {"boot_ms": self.clock.boot_ms(), "wall_ms": self.clock.wall_ms()}
        return [self.writer.append(replace(row, **now)) for row in rows][-1]

    async def commit(self) -> None:
        """Commit a second later, as the engine's writer does."""
        self.clock.advance(1_000)
        try:
            await self.writer.commit()
        except LogError:
            self.witness.refused()
        else:
            self.witness.committed()

    def told(self, supply: str, *, by: str = "daemon") -> None:
        self.witness.moved("lobby", self.clock.boot_ms(), supply, by=by)

    async def switch(self, supply: str = "off", **fields: object) -> None:
        intent = self.append(replace(make.intent(supply=supply), **fields))
        await self.commit()
        self.told(supply)
        self.clock.advance(100)
        self.append(make.outcome(intent))
        await self.commit()

    async def goes_ahead(self, *, wait_ms: int = 2_000, **fields: object) -> None:
        """Tell the relay while the disk does not answer."""
        intent = self.append(replace(make.intent(supply="on"), **fields))
        self.clock.advance(wait_ms)
        self.told(str(fields.get("supply", "on")))
        self.append(make.outcome(intent))

    async def refuses(self, *supplies: str) -> None:
        """Switch while the log cannot be written, and again once it can."""
        mend = broken_log(self.log)
        for supply in supplies:
            await self.goes_ahead(supply=supply)
            await self.commit()
        self.append(make.alarm())
        await self.commit()
        mend()
        self.clock.advance(RETRY_MS)
        await self.commit()

    async def switch_in_vain(self) -> None:
        """Switch, and lose all of its rows with the process."""
        self.writer._file.close()
        early = self.log.read_bytes()
        await self.switch()
        self.writer._file.close()
        self.log.write_bytes(early)

    def die(self, *, is_torn: bool = False) -> list[str]:
        self.writer._file.close()
        self.witness.crashed(is_torn=is_torn)
        return self.witness.broken

    def forged(self, change: Callable[[Rows], object]) -> None:
        """Put a forged log, whose links hold, in the place of a closed one."""
        other = self.log.with_name("forged")
        forge(self.log, other, change)
        other.replace(self.log)

    async def stop(self, **fields: bool) -> list[str]:
        self.append(make.run_end())
        await self.writer.close()
        with mock.patch.object(log_witness, "replay_all", return_value=[]):
            self.witness.ended(**fields)
        return self.witness.broken


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    made = World(tmp_path)
    yield made
    made.writer._file.close()


def only(broken: list[str], promise: int, what: str) -> None:
    """There is this one complaint, and no other."""
    assert len(broken) == 1, broken
    assert broken[0].startswith(f"promise {promise}: "), broken
    assert what in broken[0]


# --- nobody is accused wrongly --------------------------------------------------------


async def test_a_sound_world_is_praised(world: World) -> None:
    await world.switch("off")
    world.told("on", by="dead-man timer")
    await world.switch("off", swapped=False)
    assert world.die() == []
    world.begin()
    await world.switch("on")
    assert await world.stop() == []
    assert world.witness.checks[4] > 2
    assert world.witness.checks[5] > 5


async def test_a_swapped_polarity_is_told_the_other_way(world: World) -> None:
    intent = world.append(make.intent(supply="off", swapped=True))
    await world.commit()
    world.told("on")
    world.append(make.outcome(intent))
    assert await world.stop() == []


async def test_a_call_that_hangs_is_repeated_once(world: World) -> None:
    intent = world.append(make.intent(supply="off"))
    await world.commit()
    for _ in range(2):
        world.told("off")
        world.clock.advance(5_000)
    world.append(make.outcome(intent, error="unavailable"))
    await world.commit()
    assert await world.stop() == []


@pytest.mark.parametrize("second", ["on", "off"])
async def test_commands_of_one_moment_are_told_apart(world: World, second: str) -> None:
    intents = [world.append(make.intent(supply=each)) for each in ("off", second)]
    await world.commit()
    for intent, supply in zip(intents, ("off", second), strict=True):
        world.told(supply)
        world.append(make.outcome(intent))
    await world.commit()
    assert await world.stop() == []


async def test_a_log_that_refuses_is_covered_by_a_gap(world: World) -> None:
    await world.switch("off")
    await world.refuses("on", "off")
    await world.switch("on")
    assert await world.stop() == []


async def test_a_slow_log_lets_an_on_go_after_two_seconds(world: World) -> None:
    await world.goes_ahead()
    await world.commit()
    await world.goes_ahead(wait_ms=10_000, supply="off", reason="battery_critical_heat")
    await world.commit()
    assert await world.stop() == []


async def test_what_was_never_committed_may_be_lost(world: World) -> None:
    await world.commit()
    await world.goes_ahead()
    assert world.die() == []


async def test_a_disk_that_refuses_to_the_end_loses_what_waited(world: World) -> None:
    await world.commit()
    mend = broken_log(world.log)
    await world.goes_ahead()
    assert await world.stop(log_works=False) == []
    mend()
    world.clock.advance(RETRY_MS)
    world.begin()
    await world.switch()
    assert await world.stop() == []


async def test_a_year_turns_and_nothing_is_lost(tmp_path: Path) -> None:
    world = World(tmp_path, wall_ms=LATE_IN_2026)
    await world.switch("off")
    world.clock.advance(10_000)
    await world.switch("on")
    past = tmp_path / "cycles-2026.db"
    assert past.exists()
    assert [each.path for each in world.witness.files.tied] == [past, world.log]
    assert world.die() == []
    with closing(sqlite3.connect(past)) as database, database:
        database.execute("DELETE FROM settings")
    world.begin()
    await world.commit()
    broken = world.die()
    assert "cycles-2026.db: row 2 (settings) was committed and is gone" in broken[0]
    assert "log verify finds a fault" in broken[1]


async def test_bytes_of_a_torn_commit_count_for_nothing(world: World) -> None:
    await world.switch()
    folder = world.log.parent / "kill"
    folder.mkdir()
    for path in world.log.parent.glob("cycles.db*"):
        shutil.copy(path, folder)
    world.writer._file.close()
    for path in folder.iterdir():
        path.replace(world.log.parent / path.name)
    with world.log.with_name("cycles.db-wal").open("ab") as wal:
        wal.write(b"\x5a" * 3_000)
    assert world.die() == []


# --- promise 4 ------------------------------------------------------------------------


async def test_a_switching_without_intent(world: World) -> None:
    world.told("off")
    await world.commit()
    only(world.witness.broken, 4, "off told at 100.000 s, and no intent is of it")


async def test_a_switching_of_another_intent(world: World) -> None:
    world.append(make.intent(supply="on"))
    await world.commit()
    world.told("off")
    world.append(make.alarm())
    await world.commit()
    only(world.witness.broken, 4, "no intent is of it")


async def test_a_switching_without_intent_at_the_end(world: World) -> None:
    world.append(make.run_end())
    await world.writer.close()
    world.told("off")
    with mock.patch.object(log_witness, "replay_all", return_value=[]):
        world.witness.ended()
    only(world.witness.broken, 4, "no outcome is of it")


async def test_an_intent_without_outcome(world: World) -> None:
    intent = world.append(make.intent(supply="off"))
    await world.commit()
    only(await world.stop(), 4, f"intent {intent} (off) has no outcome")


async def test_an_outcome_without_intent(world: World) -> None:
    world.append(make.outcome(99))
    await world.commit()
    only(world.witness.broken, 4, "of no intent that is open")


async def test_an_outcome_that_says_dropped_and_was_told(world: World) -> None:
    intent = world.append(make.intent(supply="off"))
    await world.commit()
    world.told("off")
    world.append(make.outcome(intent, error="dropped"))
    await world.commit()
    only(world.witness.broken, 4, "was dropped by its outcome, yet off told")


async def test_an_intent_that_is_told_three_times(world: World) -> None:
    intent = world.append(make.intent(supply="off"))
    await world.commit()
    for _ in range(3):
        world.told("off")
        world.clock.advance(5_000)
    world.append(make.outcome(intent, error="unavailable"))
    await world.commit()
    only(world.witness.broken, 4, "was told 3 times")


@pytest.mark.parametrize("counted", [0, 1])
async def test_a_gap_row_with_too_small_a_count(world: World, counted: int) -> None:
    await world.commit()
    few = {"lobby": counted} if counted else {}
    with (
        mock.patch.object(Backlog, "uncovered", return_value=few),
        mock.patch.object(Backlog, "cover"),
    ):
        await world.refuses("on", "off")
    what = f"2 switchings without a durable intent, gaps count {counted}"
    only(world.witness.broken, 4, what)


async def test_a_refusal_without_a_gap_row(world: World) -> None:
    await world.commit()
    with mock.patch.object(Writer, "_rows_to_add", return_value=[]):
        await world.refuses()
    only(world.witness.broken, 4, "no gap row says so")


async def test_an_off_that_goes_ahead_of_a_slow_log(world: World) -> None:
    await world.goes_ahead(wait_ms=10_000, supply="off")
    await world.commit()
    only(world.witness.broken, 4, "went ahead of a log that was only slow")


async def test_an_on_that_waits_too_little_for_the_log(world: World) -> None:
    await world.goes_ahead(wait_ms=1_500)
    await world.commit()
    only(world.witness.broken, 4, "waited only 1500 ms")


# --- promise 5 ------------------------------------------------------------------------


async def test_a_row_that_is_lost_after_its_commit(world: World) -> None:
    await world.commit()
    await world.switch_in_vain()
    only(world.die(), 5, "row 4 (intent) was committed and is gone")


async def test_an_altered_row_with_links_made_anew(world: World) -> None:
    await world.switch()
    world.writer._file.close()

    def change(rows: Rows) -> None:
        next(row for row in rows if row.table == "outcome")["took_ms"] = 13

    world.forged(change)
    only(world.die(), 5, "row 5 (outcome) is not as committed")


async def test_an_intent_taken_out_with_links_made_anew(world: World) -> None:
    await world.commit()
    await world.switch()
    world.writer._file.close()
    world.forged(lambda rows: rows.remove(next(r for r in rows if r.table == "intent")))
    only(world.die(), 5, "was committed and is gone")


async def test_an_altered_row_with_its_old_link(world: World) -> None:
    await world.switch()
    world.writer._file.close()
    with closing(sqlite3.connect(world.log)) as database, database:
        database.execute("UPDATE outcome SET took_ms = 13")
    ours, verified = world.die()
    assert "row 5 (outcome) is not as committed" in ours
    assert "log verify finds a fault" in verified


async def test_a_commit_with_a_wrong_link(world: World) -> None:
    with mock.patch("tidegate.cyclelog.chain.link", return_value="ab" * 32):
        await world.commit()
    only(world.witness.broken, 5, "link 3 is not that of its rows")


async def test_verify_that_finds_what_is_not_there(world: World) -> None:
    await world.switch()
    accused = SimpleNamespace(fault="row 3 is altered")
    with mock.patch.object(log_witness, "verify", return_value=accused):
        only(world.die(), 5, "log verify finds a fault: row 3 is altered")


async def test_a_file_that_vanishes(world: World) -> None:
    await world.switch()
    world.die()
    world.log.unlink()
    world.begin()
    await world.commit()
    only(world.witness.broken, 5, "the file with rows up to 6 is nowhere")


# --- a disk that is damaged, or lies --------------------------------------------------


async def damage(world: World) -> None:
    await world.switch()
    world.writer._file.close()
    garble_tables(world.log)


async def test_a_damaged_file_is_set_aside(world: World) -> None:
    await damage(world)
    world.witness.damaged()
    world.begin()
    await world.switch()
    assert await world.stop() == []
    assert [each.path for each in world.witness.files.tied] == [world.log]


async def test_noise_in_a_row_that_no_start_can_see(world: World) -> None:
    """SQLite finds nothing wrong with it, so the next daemon goes on in this file."""
    await world.commit()
    await world.switch()
    world.writer._file.close()
    with closing(sqlite3.connect(world.log)) as database, database:
        database.execute("UPDATE intent SET reason = 'nonsense'")
    assert world.die(is_torn=True) == []
    world.begin()
    await world.switch()
    assert world.die() == []
    world.begin()
    await world.switch()
    assert await world.stop() == []
    assert world.witness.files.is_doubtful


async def test_a_life_in_another_file_is_watched_again(world: World) -> None:
    await damage(world)
    world.witness.damaged()
    world.begin()
    await world.commit()
    world.told("off")
    world.append(make.alarm())
    await world.commit()
    only(world.witness.broken, 4, "no intent is of it")


async def test_a_damaged_file_that_is_deleted(world: World) -> None:
    await damage(world)
    world.witness.damaged()
    world.log.unlink()
    world.begin()
    await world.commit()
    only(world.witness.broken, 5, "deleted instead of set aside")


async def test_damage_that_nobody_ordered(world: World) -> None:
    await damage(world)
    broken = world.die()
    assert any("cannot be read" in each for each in broken)
    assert any("log verify finds a fault" in each for each in broken)


async def test_a_lying_disk_may_leave_a_beginning(world: World) -> None:
    await world.commit()
    await world.switch_in_vain()
    assert world.die(is_torn=True) == []
    world.begin()
    await world.switch()
    assert await world.stop() == []


async def test_a_lying_disk_may_leave_visible_damage(world: World) -> None:
    await damage(world)
    assert world.die(is_torn=True) == []
    world.begin()
    await world.switch()
    assert await world.stop() == []


async def test_a_lying_disk_must_not_leave_quiet_damage(world: World) -> None:
    await damage(world)
    blind = SimpleNamespace(fault=None)
    with mock.patch.object(log_witness, "verify", return_value=blind):
        only(world.die(is_torn=True), 5, "nothing wrong with a damaged log")


async def test_a_lying_disk_must_not_leave_another_log(world: World) -> None:
    await world.switch()
    world.writer._file.close()

    def change(rows: Rows) -> None:
        next(row for row in rows if row.table == "outcome")["took_ms"] = 13

    world.forged(change)
    only(world.die(is_torn=True), 5, "verifies and was never committed")


async def test_noise_in_a_wal_that_was_confirmed(world: World) -> None:
    await world.switch()
    await world.switch("on")
    kept = {
        path.name: path.read_bytes() for path in world.log.parent.glob("cycles.db*")
    }
    world.writer._file.close()
    for name, data in kept.items():
        (world.log.parent / name).write_bytes(data)
    wal = world.log.with_name("cycles.db-wal")
    garble(wal, at=wal.stat().st_size - 5_000)
    assert world.die(is_torn=True) == []
    assert world.witness.files.last_id < 10
    world.begin()
    await world.switch()
    assert await world.stop() == []


# --- promise 6 ------------------------------------------------------------------------


class Witnessed(Life):
    """The station that writes as the shell does, before a witness."""

    witness: LogWitness

    def watch(self, folder: Path) -> LogWitness:
        self.witness = LogWitness(folder, self.writer.path, ["lobby"])
        real = self.writer.commit

        async def commit() -> None:
            await real()
            self.witness.committed()

        self.writer.commit = commit  # type: ignore[assignment,method-assign]
        return self.witness

    async def _switch(self, intent: int, effect: object) -> None:
        supply = effect.supply.value  # type: ignore[attr-defined]
        self.witness.moved("lobby", self.clock.boot_ms(), supply, by="daemon")
        await super()._switch(intent, effect)  # type: ignore[arg-type]


async def lived(folder: Path) -> Witnessed:
    life = Witnessed(folder / "cycles.db", make.clock(), charge_percent_h=60.0)
    life.soc = 64.5
    life.watch(folder)
    await life.start()
    await life.live(10)
    await life.stop()
    return life


async def test_a_life_replays(tmp_path: Path) -> None:
    life = await lived(tmp_path)
    life.witness.ended()
    assert life.commands > 2
    assert life.witness.broken == []
    assert life.witness.checks[6] == 1


async def test_a_log_that_does_not_replay(tmp_path: Path) -> None:
    life = await lived(tmp_path)

    def change(rows: Rows) -> None:
        off = next(row for row in rows if row.cells.get("reason") == "at_high_mark")
        off["reason"] = "battery_hot"

    forged = forge(life.writer.path, tmp_path / "forged.db", change)
    witness = LogWitness(tmp_path, forged, ["lobby"])
    witness.ended()
    assert "reason is battery_hot, replay gives at_high_mark" in witness.broken[-1]
    assert witness.broken[-1].startswith("promise 6: ")


@pytest.mark.parametrize(
    ("judged", "unproven", "what"),
    [(0, 0, "replay judges 0 of"), (-1, 1, "1 unproven, and no row was lost")],
)
async def test_a_replay_that_leaves_switchings_out(
    tmp_path: Path, judged: int, unproven: int, what: str
) -> None:
    life = await lived(tmp_path)
    result = SimpleNamespace(
        station="lobby",
        ok=True,
        switchings=judged and life.commands + judged,
        unproven=unproven,
    )
    with mock.patch.object(log_witness, "replay_all", return_value=[result]):
        life.witness.ended()
    only(life.witness.broken, 6, what)


async def test_a_log_that_claims_a_switching(world: World) -> None:
    intent = world.append(make.intent(supply="off"))
    await world.commit()
    world.append(make.outcome(intent))
    await world.commit()
    only(world.witness.broken, 6, "succeeded by its outcome, and nothing was told")


async def test_a_log_that_cannot_be_replayed_at_all(tmp_path: Path) -> None:
    life = await lived(tmp_path)
    error = LogError("row 3 makes no sense", remedy="None.")
    with mock.patch.object(log_witness, "replay_all", side_effect=error):
        life.witness.ended()
    only(life.witness.broken, 6, "cannot be replayed: row 3 makes no sense")
