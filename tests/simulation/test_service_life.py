"""Stop, start, suspend, clock and crash of the whole service, in virtual time."""

from __future__ import annotations

import asyncio
import gc
import itertools
from pathlib import Path
from typing import Any

import pytest

from support.shell_rig import HANGS, OFF, ON, Mood, Rig, lives
from tidegate.contract import Readback, Target
from tidegate.core.policy import DAY_MS, HOUR_MS, MINUTE_MS
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.rows import (
    Entry,
    EventRow,
    GapRow,
    IntentRow,
    LinkRow,
    OutcomeRow,
    ReadingRow,
    RunEndRow,
    RunRow,
    StateRow,
)
from tidegate.errors import Busy, Unavailable, Unsupported
from tidegate.host.locks import lock_target
from tidegate.service import Service
from tidegate.service.lock_part import LockPart

STOP_BOUND_S = 12.0


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    return Rig(tmp_path)


def error(kind: type[Any]) -> Exception:
    return kind("fails by order", target="fake", remedy="None.")


def ends_with_its_state(entries: list[Entry]) -> bool:
    """Whether nothing that could change the state follows its last row."""
    rows = [e.row for e in entries if not isinstance(e.row, LinkRow)]
    return [type(row) for row in rows[-2:]] == [StateRow, RunEndRow]


async def stopped(rig: Rig) -> float:
    """Stop; return how many seconds it took."""
    began_ms = rig.clock.boot_ms()
    await rig.end()
    return (rig.clock.boot_ms() - began_ms) / 1_000


# --- stop -----------------------------------------------------------------------------


def test_a_stop_sets_the_supply_on_at_once_and_closes_the_log(rig: Rig) -> None:
    async def life() -> None:
        with rig.patched():
            await rig.begin()
            await rig.live(200)
            await rig.settled_off()
            assert await stopped(rig) <= 0.1

    lives(rig, life)
    assert rig.now("lobby").contact is ON
    assert [row.why for row in rig.rows(RunEndRow)] == ["stopped"]
    assert rig.rows(IntentRow)[-1].reason == "stop"
    assert rig.rows(OutcomeRow)[-1].succeeded
    assert ends_with_its_state(rig.sound())
    with Reader(rig.log) as reader:
        assert reader.last_run_was_closed()


@pytest.mark.parametrize("is_deaf", [False, True])
@pytest.mark.parametrize(
    "hangs",
    [
        {"read"},
        {"set"},
        {"close"},
        {"disk"},
        {"read", "close"},
        {"set", "close"},
        {"set", "close", "disk"},
        {"read", "set", "close", "disk"},
    ],
    ids=lambda names: "+".join(sorted(names)),
)
def test_a_stop_is_bounded_whatever_hangs(
    rig: Rig, hangs: set[str], is_deaf: bool
) -> None:
    async def life() -> None:
        with rig.patched():
            await rig.begin()
            await rig.live(200)
            await rig.settled_off()
            mood = Mood(takes_s=1e6, is_deaf=is_deaf)
            for call in hangs - {"disk"}:
                rig.gauges["lobby"].order(call, mood)
                rig.relays["lobby"].order(call, mood)
            if "disk" in hangs:
                rig.disk_takes_s = 1e6
            await rig.live(31)
            assert await stopped(rig) < STOP_BOUND_S
            assert rig.now("lobby").contact is (OFF if "set" in hangs else ON)
            for each in (rig.gauges["lobby"], rig.relays["lobby"]):
                each.standing.clear()

    lives(rig, life)
    entries = rig.entries()
    if "disk" not in hangs:
        entries = rig.sound()
        asked = {e.id for e in entries if isinstance(e.row, IntentRow)}
        answered = {e.row.intent for e in entries if isinstance(e.row, OutcomeRow)}
        assert asked == answered, "every intent has its outcome"
        assert ends_with_its_state(entries)


@pytest.mark.parametrize("part", ["gauge", "relay"])
def test_a_stop_while_the_backends_still_open_says_on(rig: Rig, part: str) -> None:
    """A run before left it off; this one is stopped before it has begun."""
    rig.devices["lobby"].contact = OFF

    def prepare() -> None:
        made = rig.gauges if part == "gauge" else rig.relays
        if "lobby" in made:
            made["lobby"].order("open", HANGS, times=1)

    rig.prepare = prepare

    async def life() -> None:
        with rig.patched():
            await rig.begin()
            await asyncio.sleep(1)
            assert not rig.notes("told")
            assert await stopped(rig) < STOP_BOUND_S

    lives(rig, life)
    assert rig.now("lobby").contact is ON
    rig.sound()


def test_one_station_that_cannot_stop_keeps_no_other_from_it(tmp_path: Path) -> None:
    rig = Rig(tmp_path, names=("lobby", "stairs"))

    async def life() -> None:
        with rig.patched():
            await rig.begin()
            await rig.live(200)
            for name in rig.names:
                await rig.settled_off(name)
            rig.relays["lobby"].order("set", Mood(takes_s=1e6, is_deaf=True))
            rig.relays["lobby"].order("close", Mood(error=RuntimeError("odd")))
            assert await stopped(rig) < STOP_BOUND_S
            rig.relays["lobby"].standing.clear()

    lives(rig, life)
    assert rig.now("stairs").contact is ON
    assert [row.why for row in rig.rows(RunEndRow)] == ["stopped"]


# --- start ----------------------------------------------------------------------------


def started_again(rig: Rig, *, after_s: float, reboot: bool = False) -> None:
    """One run that ends killed while off; the next one begins ``after_s`` later."""

    async def life() -> None:
        with rig.patched():
            await rig.begin()
            await rig.live(200)
            await rig.settled_off()
            await rig.live(60)
            await rig.crash()
            if reboot:
                rig.clock.reboot("another boot", down_ms=1_000, boot_ms=30_000)
                rig.devices["lobby"].at_ms = 30_000
            await asyncio.sleep(after_s)
            rig.journal.clear()
            await rig.begin()
            await rig.live(100)
            await rig.end()

    lives(rig, life)
    rig.sound()


@pytest.mark.parametrize(
    ("readback", "after_s", "reboot", "is_kept"),
    [
        (Readback.LATCH, 1.0, False, True),
        (Readback.SENSED, 100.0, False, True),
        (Readback.LATCH, 200.0, False, False),  # the reading is too old
        (Readback.ECHO, 1.0, False, False),  # nobody can say where the contact is
        (Readback.LATCH, 1.0, True, False),  # the reading is of another boot
    ],
)
def test_a_start_keeps_off_only_with_a_fresh_log_and_readback(
    rig: Rig, readback: Readback, after_s: float, reboot: bool, is_kept: bool
) -> None:
    rig.relay_facts["readback"] = readback
    started_again(rig, after_s=after_s, reboot=reboot)
    told = [n.more for n in rig.notes("told")]
    # The last on is that of the stop.
    assert told == ([ON] if is_kept else [ON, ON])


def test_a_reversed_relay_reports_in_terms_of_the_supply_at_a_start(rig: Rig) -> None:
    """Wired the other way round: its latch says on while the supply is off."""
    rig.relay_facts["readback"] = Readback.LATCH

    async def life() -> None:
        with rig.patched():
            await rig.begin()
            await rig.live(200)
            station = rig.service.stations["lobby"]  # type: ignore[union-attr]
            assert rig.now("lobby").contact is ON
            said = await station.relay.open_at_start(swapped=True)  # type: ignore[union-attr]
            assert said is OFF
            await rig.end()

    lives(rig, life)


def test_first_reading_or_five_seconds_then_on(rig: Rig) -> None:
    def prepare() -> None:
        if "lobby" in rig.gauges:
            rig.gauges["lobby"].order("read", Mood(takes_s=30.0, is_deaf=True))

    rig.prepare = prepare

    async def life() -> None:
        async with rig.living():
            began_ms = rig.clock.boot_ms()
            await rig.until_told(ON)
            assert rig.notes("told")[0].at_ms - began_ms <= 5_600

    lives(rig, life)


# --- what a restart keeps -----------------------------------------------------------------


def test_budget_override_and_wait_for_the_off_survive_as_the_design_says(
    rig: Rig,
) -> None:
    from tidegate.core.events import OverridePlaced

    async def life() -> None:
        with rig.patched():
            await rig.begin()
            await rig.live(200)
            for level in (66.0, 54.0, 66.0, 54.0):
                rig.devices["lobby"].soc_percent = level
                await rig.live(300)
            until_ms = rig.clock.boot_ms() + HOUR_MS
            station = rig.service.stations["lobby"]  # type: ignore[union-attr]
            station.feed(
                OverridePlaced(supply=ON, until_ms=until_ms, because="x", by="y")
            )
            await rig.end()
            before = rig.state()
            await rig.begin()
            await rig.live(60)
            after = rig.state()
            assert after.drive.spent_lived_ms == before.drive.spent_lived_ms
            assert len(after.drive.spent_lived_ms) == 4
            assert after.override == before.override, "the same boot"
            assert after.drive.operations >= before.drive.operations
            await rig.end()
            rig.clock.reboot("another boot", down_ms=5_000, boot_ms=20_000)
            rig.devices["lobby"].at_ms = 20_000
            await rig.begin()
            await rig.live(60)
            assert rig.state().override is None, "overrides never cross a reboot"
            assert rig.state().drive.spent_lived_ms == before.drive.spent_lived_ms
            await rig.end()

    lives(rig, life)
    rig.sound()


def test_a_relay_in_other_settings_forgets_the_old_one(rig: Rig) -> None:
    rig.relay_facts["readback"] = Readback.LATCH

    async def life() -> None:
        with rig.patched():
            await rig.begin()
            await rig.live(200)
            await rig.settled_off()
            assert rig.state().drive.ever_proven
            await rig.crash()
            rig.names = ()
            rig.apart = ("lobby",)
            await rig.begin()
            await rig.live(3)
            assert not rig.state().drive.ever_proven
            assert rig.now("lobby").contact is ON, "an unknown contact is not kept off"
            await rig.end()

    lives(rig, life)
    rig.sound()


def test_a_crash_at_any_instant_loses_nothing_and_contradicts_nothing(
    tmp_path: Path,
) -> None:
    """Killed at odd instants around switchings; each time the log goes on."""
    rig = Rig(tmp_path)
    rig.relay_facts["readback"] = Readback.LATCH

    async def life() -> None:
        with rig.patched():
            for round_ in range(24):
                await rig.begin()
                await asyncio.sleep(0.001)
                rig.relays["lobby"].order("set", Mood(takes_s=0.4))
                rig.disk_takes_s = (0.0, 0.3)[round_ % 2]
                rig.devices["lobby"].soc_percent = (66.0, 54.0)[round_ % 2]
                await rig.live(30.0 * (round_ % 7) + 0.13 * round_)
                rig.disk_takes_s = 0.0
                durable = len(rig.entries())
                await rig.crash()
                await asyncio.sleep((round_ * 53) % 211)
                assert len(rig.entries()) >= durable
            await rig.begin()
            await rig.live(400)
            await rig.end()

    lives(rig, life)
    rig.sound()
    assert rig.now("lobby").contact is ON


# --- suspend and clocks -------------------------------------------------------------------


def test_after_a_suspend_it_reads_at_once_and_nothing_is_stale_before_three_misses(
    rig: Rig,
) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            await rig.settled_off()
            gauge = rig.gauges["lobby"]
            gauge.order("read", Mood(error=error(Unavailable)), times=2)
            rig.clock.suspend(6 * HOUR_MS)
            rig.devices["lobby"].at_ms = rig.clock.boot_ms()
            woke_ms = rig.clock.boot_ms()
            await rig.live(70)
            await rig.commit()
            events = [r for r in rig.rows(EventRow) if r.kind == "resumed"]
            assert len(events) == 1
            assert events[0].boot_ms - woke_ms <= 31_000, "at the next timer"
            reads = [n.at_ms for n in rig.notes("read") if n.at_ms >= woke_ms]
            assert reads[1] - events[0].boot_ms <= 500, "and once more at once"
            assert rig.now("lobby").contact is OFF
            assert rig.state().latches.gauge is None
            # Three misses later it is lost, at once: the last reading is hours old.
            rig.clock.suspend(6 * HOUR_MS)
            gauge.order("read", Mood(error=error(Unavailable)))
            await rig.until(lambda: rig.now("lobby").contact is ON, 120, "on")
            assert rig.state().watch.bad_reads >= 3

    lives(rig, life)
    rig.sound()


def test_a_hint_after_a_suspend_notices_it_at_once(rig: Rig) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            rig.clock.suspend(HOUR_MS)
            rig.devices["lobby"].at_ms = woke_ms = rig.clock.boot_ms()
            rig.gauges["lobby"].host.hint()
            await rig.live(1)
            await rig.commit()
            events = [r for r in rig.rows(EventRow) if r.kind == "resumed"]
            assert events[0].boot_ms - woke_ms <= 100

    lives(rig, life)


def twins(tmp_path: Path, *, step_ms: int) -> list[tuple[int, str, str]]:
    """Run half a day; return the switchings by boot clock."""
    tmp_path.mkdir()
    rig = Rig(tmp_path)

    async def life() -> None:
        async with rig.living():
            await rig.live(3 * 3_600)
            rig.clock.step_wall(step_ms)
            await rig.live(9 * 3_600)

    rig.devices["lobby"].charge_percent_h = 20.0
    lives(rig, life)
    rig.sound()
    kept = rig.rows(ReadingRow)
    assert all(b.boot_ms >= a.boot_ms for a, b in itertools.pairwise(kept))
    if step_ms:
        walls = [row.wall_ms - row.boot_ms for row in kept]
        assert min(walls) <= max(walls) + step_ms, "both clocks are in the rows"
    return [(r.boot_ms, r.supply, r.reason) for r in rig.rows(IntentRow)]


def test_a_wall_clock_set_back_300_days_changes_no_decision(tmp_path: Path) -> None:
    plain = twins(tmp_path / "plain", step_ms=0)
    back = twins(tmp_path / "back", step_ms=-300 * DAY_MS)
    ahead = twins(tmp_path / "ahead", step_ms=30 * MINUTE_MS)
    assert len(plain) >= 8
    assert plain == back == ahead


# --- who may run at all -----------------------------------------------------------------


def ended(rig: Rig) -> BaseException | None:
    """Run until the service ends by itself; return its error."""
    errors: list[BaseException | None] = []

    async def life() -> None:
        with rig.patched():
            await rig.begin()
            assert rig.task is not None
            await asyncio.wait({rig.task}, timeout=60)
            if not rig.task.done():
                await rig.end()
                errors.append(None)
            else:
                errors.append(rig.task.exception())

    lives(rig, life)
    return errors[0]


def the_lock(rig: Rig) -> Target:
    return next(iter(rig.made().settings.stations.values())).relay.target()  # type: ignore[union-attr]


def test_a_relay_that_another_daemon_holds_is_busy(rig: Rig) -> None:
    with lock_target(the_lock(rig), folder=rig.folder / "locks"):
        found = ended(rig)
    assert isinstance(found, Busy)
    assert "process" in str(found)
    assert not rig.notes("told")
    assert not rig.rows(RunRow), "it never ran"
    assert ended(rig) is None


def test_one_relay_held_elsewhere_keeps_no_other_station_from_running(
    tmp_path: Path,
) -> None:
    rig = Rig(tmp_path, names=("lobby", "stairs"))

    async def life() -> None:
        held = lock_target(the_lock(rig), folder=rig.folder / "locks")
        async with rig.living():
            await rig.live(200)
            rig.devices["stairs"].soc_percent = 66.0
            await rig.until_told(OFF, "stairs")
            assert not rig.notes("told", "lobby")
            held.release()
            await rig.until_told(ON, "lobby")

    lives(rig, life)


@pytest.mark.parametrize("part", ["gauge", "relay"])
def test_only_backends_that_this_machine_cannot_run_end_it(rig: Rig, part: str) -> None:
    def prepare() -> None:
        made = rig.gauges if part == "gauge" else rig.relays
        if "lobby" in made:
            made["lobby"].order("open", Mood(error=error(Unsupported)))

    rig.prepare = prepare
    found = ended(rig)
    assert isinstance(found, Unavailable)
    assert "no station can run" in str(found)
    assert "fails by order" in str(found), "it says why"


def test_one_of_two_that_can_run_is_enough(tmp_path: Path) -> None:
    rig = Rig(tmp_path, names=("lobby", "stairs"))

    def prepare() -> None:
        if "lobby" in rig.gauges:
            rig.gauges["lobby"].order("open", Mood(error=error(Unsupported)))

    rig.prepare = prepare
    assert ended(rig) is None


def test_a_bug_of_ours_stops_in_good_order_and_says_so(rig: Rig) -> None:
    async def life() -> None:
        with rig.patched():
            await rig.begin()
            await rig.live(200)
            await rig.settled_off()
            asyncio.get_running_loop().call_exception_handler(
                {"message": "a test", "exception": ValueError("bug")}
            )
            await rig.end()
            assert isinstance(rig.service, Service)
            assert rig.service.broken

    lives(rig, life)
    assert rig.now("lobby").contact is ON
    assert [row.why for row in rig.rows(RunEndRow)] == ["bug"]


def test_a_connection_that_a_library_left_behind_ends_nothing(rig: Rig) -> None:
    """A bus that dies while one connects to it leaves an error that nobody asked for."""

    async def life() -> None:
        async with rig.living():
            left = asyncio.get_running_loop().create_future()
            left.set_exception(ConnectionResetError("the bus died"))
            del left
            gc.collect()
            await rig.live(60)
            assert isinstance(rig.service, Service)
            assert not rig.service.broken

    lives(rig, life)
    assert [row.why for row in rig.rows(RunEndRow)] == ["stopped"]


def test_samples_are_kept_in_runs_and_the_log_stays_small(rig: Rig) -> None:
    """A day on a resting device: one row in fifteen minutes, not one a poll."""
    rig.devices["lobby"].charge_percent_h = 0.0

    async def life() -> None:
        async with rig.living():
            await rig.live(24 * 3_600)

    lives(rig, life)
    assert len(rig.rows(ReadingRow)) <= 24 * 4 + 10


# --- onlookers ------------------------------------------------------------------------


def test_an_onlooker_that_fails_is_dropped_and_control_goes_on(rig: Rig) -> None:
    seen: list[str] = []

    def fails(station: Any, event: Any, effects: Any) -> None:
        seen.append(type(event).__name__)
        raise RuntimeError("a fault of an onlooker")

    def looks(station: Any, event: Any, effects: Any) -> None:
        seen.append("looked")

    async def life() -> None:
        async with rig.living():
            rig.service.onlookers += [fails, looks]
            await rig.settled_off()
            assert rig.service.onlookers == [looks]
            assert not rig.service.broken

    lives(rig, life)
    assert len(seen) - seen.count("looked") == 1
    assert seen.count("looked") > 10
    rig.sound()


def test_a_lock_that_was_taken_away_is_taken_anew(rig: Rig) -> None:
    """A cleaner of the run folder; the second time another master comes in between."""
    folder = Path(rig.folder) / "locks"

    def taken_away() -> Path:
        (file,) = folder.glob("*.lock")
        file.unlink()
        return file

    async def life() -> None:
        async with rig.living():
            await LockPart().begin(rig.service)
            await rig.settled_off()
            file = taken_away()
            await rig.live(120)
            assert file.exists()
            target = rig.service.stations["lobby"].plan.target
            assert target is not None
            with pytest.raises(Busy):
                lock_target(target, folder=folder)

            taken_away()
            with lock_target(target, folder=folder):
                await rig.live(9 * 60)
                said = len(rig.said("a relay is not locked"))
            assert said == 1, "once, and not each minute"
            await rig.live(120)
            with pytest.raises(Busy):
                lock_target(target, folder=folder)
            assert len(rig.said("over: a relay is not locked")) == 1

            file = taken_away()
            with lock_target(target, folder=folder):
                await rig.live(120)
            assert len(rig.said("a relay is not locked")) == 2, "it is news again"
            file.unlink()
            file.mkdir()
            await rig.live(120)
            assert len(rig.said("a relay is not locked")) == 3, "for another reason"
            assert len(rig.said("over: a relay is not locked")) == 1

    lives(rig, life)
    rig.sound()


# --- a slow log -----------------------------------------------------------------------


@pytest.mark.parametrize("relay_s", [0.02, 4.0], ids=["before", "after"])
def test_an_on_ahead_of_the_log_is_counted_whenever_the_relay_answers(
    rig: Rig, relay_s: float
) -> None:
    """The log takes 5 s and an on waits 2 s for it; the relay answers before or after
    the log has caught up.
    """

    async def life() -> None:
        async with rig.living():
            await rig.settled_off()
            await rig.live(300)
            rig.disk_takes_s = 5.0
            rig.relays["lobby"].order("set", Mood(takes_s=relay_s), 1)
            rig.devices["lobby"].soc_percent = 54.0
            await rig.until_told(ON)
            told_at_ms = rig.notes("told")[-1].at_ms
            await rig.live(60)
            rig.disk_takes_s = 0.0
            await rig.live(60)
            durable = [
                note.at_ms
                for note in rig.journal
                if note.what == "durable IntentRow" and note.more.supply is ON
            ]
            assert durable[-1] > told_at_ms, "it went ahead"

    lives(rig, life)
    rig.sound()
    assert [(row.why, row.switchings) for row in rig.rows(GapRow)] == [("slow", 1)]
