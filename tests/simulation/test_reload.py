"""New settings for the running daemon, in virtual time: nothing is ever left dark."""

from __future__ import annotations

import asyncio
import json
from dataclasses import replace
from pathlib import Path
from typing import Any, NoReturn
from unittest import mock

import pytest

from support.reload_rig import BY, ReloadRig
from support.shell_rig import HANGS, OFF, ON, Mood, lives
from tidegate.core.state import State
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.replay import rebuild, replay
from tidegate.cyclelog.rows import (
    Entry,
    EventRow,
    IntentRow,
    OperatorRow,
    RunRow,
    SettingsRow,
    StateRow,
)
from tidegate.errors import OrderRefused, SettingsError, Unsupported
from tidegate.service.asked import table
from tidegate.service.reload import Asked
from tidegate.station.shell import Station


@pytest.fixture
def rig(tmp_path: Path) -> ReloadRig:
    return ReloadRig(tmp_path, names=("lobby", "tower"))


def told(rig: ReloadRig, name: str = "lobby") -> list[Any]:
    return [note.more for note in rig.notes("told", name)]


def operator(rig: ReloadRig) -> list[OperatorRow]:
    return [e.row for e in rig.entries() if isinstance(e.row, OperatorRow)]


def kinds(rig: ReloadRig, name: str = "lobby") -> list[str]:
    return [row.kind for row in rig.rows(EventRow, name)]


def another(rig: ReloadRig) -> None:
    """Give the lobby another relay."""
    relay = rig.tables["station"]["lobby"]["relay"]
    rig.give("lobby", relay={**relay, "device": "another"})


async def began(rig: ReloadRig) -> None:
    await rig.live(200)


def test_a_wider_window_is_taken_without_any_switching_of_its_own(
    rig: ReloadRig,
) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.settled_off()
            before = told(rig), told(rig, "tower")
            gauge = rig.gauges["lobby"]
            rig.give("lobby", window={"low": 45, "high": 70}, poll="10s")
            done = await rig.reload()
            assert done.stations == {"lobby": "changed", "tower": "unchanged"}
            assert [each.document() for each in done.changed] == [
                {"key": "station.lobby.window.low", "from": "55", "to": "45"},
                {"key": "station.lobby.window.high", "from": "65", "to": "70"},
                {"key": "station.lobby.poll", "from": '"30s"', "to": '"10s"'},
            ]
            await rig.live(120)
            assert (told(rig), told(rig, "tower")) == before
            assert rig.gauges["lobby"] is gauge
            assert rig.state().policy.marks.low_percent == 45  # type: ignore[union-attr]
            rig.now("lobby").soc_percent = 52.0
            await rig.live(120)
            assert rig.now("lobby").contact is OFF, "52 is in the new window"
            rig.now("lobby").soc_percent = 44.0
            await rig.until_told(ON)

    lives(rig, life)
    rig.sound()
    rig.sound("tower")
    (row,) = operator(rig)
    assert (row.action, row.by) == ("reload", "uid 1000 (ana)")
    said = json.loads(row.args)
    assert said["stations"] == {"lobby": "changed"}
    assert [each["to"] for each in said["changed"]] == ["45", "70", '"10s"']
    assert len(rig.rows(SettingsRow)) == 2
    assert len(rig.rows(SettingsRow, "tower")) == 1


def test_wrong_settings_leave_the_old_ones_in_force(rig: ReloadRig) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.settled_off()
            before = told(rig)
            rig.tables["station"]["lobby"]["window"] = {"low": 70, "high": 65}
            with pytest.raises(SettingsError, match=r"station\.lobby\.window"):
                await rig.reload()
            assert rig.service is not None
            assert "station.lobby.window" in (rig.service.settings_error or "")
            await rig.live(300)
            assert told(rig) == before
            assert rig.state().policy.marks.high_percent == 65  # type: ignore[union-attr]
            rig.give("lobby", window={"low": 50, "high": 65})
            await rig.reload()
            assert rig.service.settings_error is None

    lives(rig, life)
    rig.sound()
    said = [m for m in rig.said() if "reload refused" in m["message"]]
    assert len(said) == 1
    refused, taken = operator(rig)
    assert "station.lobby.window" in json.loads(refused.args)["error"]
    assert json.loads(taken.args)["stations"] == {"lobby": "changed"}


def test_a_start_after_a_kill_knows_what_the_last_reload_brought(
    rig: ReloadRig,
) -> None:
    """What the log alone tells is what the station knew, in and out of it."""

    def rebuilt() -> State | None:
        with Reader(rig.log) as reader:
            return rebuild(reader, "lobby")

    async def life() -> None:
        async with rig.living():
            await rig.settled_off()
            table = dict(rig.tables["station"]["lobby"]["relay"])
            rig.give(
                "lobby",
                relay={**table, "device": "another"},
                window={"low": 40, "high": 60},
                stale_after="9min",
            )
            await rig.reload()
            await rig.settled_off()
            await rig.commit()
            assert rebuilt() == rig.state()
            assert rig.service is not None
            async with rig.service.turnover.out("lobby", why="a look") as out:
                await rig.service.commit()
                assert rebuilt() == out.past.state
            await rig.commit()
            assert rebuilt() == rig.state()

    lives(rig, life)
    rig.sound()


@pytest.mark.parametrize("part", ["gauge", "relay"])
def test_another_device_takes_its_station_out_and_in(rig: ReloadRig, part: str) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.settled_off()
            await rig.settled_off("tower")
            lives_before = rig.gauges["lobby"], rig.relays["lobby"]
            other = told(rig, "tower")
            table = dict(rig.tables["station"]["lobby"][part])
            rig.give("lobby", **{part: {**table, "device": "another"}})
            done = await rig.reload()
            assert done.stations == {"lobby": "restarted", "tower": "unchanged"}
            assert rig.gauges["lobby"] is not lives_before[0]
            assert rig.relays["lobby"] is not lives_before[1]
            assert rig.now("lobby").contact is ON
            assert told(rig, "tower") == other, "its neighbour goes on as it was"
            assert rig.service is not None
            assert list(rig.service.stations) == ["lobby", "tower"]
            await rig.until_told(OFF)

    lives(rig, life)
    entries = rig.sound()
    rig.sound("tower")
    assert len([e for e in entries if isinstance(e.row, RunRow)]) == 1
    happened = [k for k in kinds(rig) if k in ("started", "stopping")]
    assert happened == ["started", "stopping", "started", "stopping"]
    changed = [k for k in kinds(rig) if k == "settings_changed"]
    assert bool(changed) is (part == "relay"), "what was found out of it is another's"


def test_a_channel_changes_hands(rig: ReloadRig) -> None:
    """Both relays are locked by their target: taken before released would be Busy."""

    async def life() -> None:
        async with rig.living():
            await began(rig)
            tables = rig.tables["station"]
            lobby, tower = tables["lobby"]["relay"], tables["tower"]["relay"]
            rig.give("lobby", relay=tower)
            rig.give("tower", relay=lobby)
            done = await rig.reload()
            assert set(done.stations.values()) == {"restarted"}
            assert done.cannot == {}
            await rig.live(300)

    lives(rig, life)
    rig.sound()
    rig.sound("tower")
    assert not [m for m in rig.said() if m["level"] == "error"]


def test_a_station_that_is_renamed_gives_its_channel_on(rig: ReloadRig) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.settled_off()
            rig.give("hall", **rig.tables["station"]["lobby"])
            rig.take("lobby")
            done = await rig.reload()
            assert done.stations == {
                "lobby": "removed",
                "tower": "unchanged",
                "hall": "new",
            }
            assert rig.now("lobby").contact is ON
            await rig.until(lambda: ON in told(rig, "hall"), 60, "hall's first on")
            assert rig.service is not None
            assert list(rig.service.stations) == ["tower", "hall"]
            relay = rig.service.stations["hall"].relay
            assert relay is not None
            assert relay._line._lock is not None

    lives(rig, life)
    for name in ("lobby", "tower", "hall"):
        rig.sound(name)
    rows = [e.row for e in rig.entries() if getattr(e.row, "station", "") == "lobby"]
    assert isinstance(rows[-1], StateRow)


def test_one_that_comes_again_knows_what_it_knew(rig: ReloadRig) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.settled_off()
            operations = rig.state().drive.operations
            table = rig.tables["station"].pop("lobby")
            await rig.reload()
            await rig.live(3_600)
            rig.tables["station"]["lobby"] = table
            await rig.reload()
            assert rig.state().drive.operations >= operations
            assert rig.state().drive.ever_proven
            await rig.until_told(ON)

    lives(rig, life)
    rig.sound()


def test_a_station_that_only_measures_turns_to_control_and_back(
    rig: ReloadRig,
) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.settled_off()
            table = dict(rig.tables["station"]["lobby"])
            rig.tables["station"]["lobby"] = {"gauge": table["gauge"]}
            assert (await rig.reload()).stations["lobby"] == "restarted"
            assert rig.now("lobby").contact is ON
            await rig.live(120)
            rig.tables["station"]["lobby"] = table
            await rig.reload()
            await rig.until_told(ON)
            await rig.settled_off()

    lives(rig, life)
    rig.sound()


def test_a_table_that_needs_a_restart_is_named_and_stays(
    rig: ReloadRig, tmp_path: Path
) -> None:
    async def life() -> None:
        async with rig.living():
            await began(rig)
            rig.tables["log"] = {"path": str(tmp_path / "other.db")}
            done = await rig.reload()
            assert done.restart_for == ("log",)
            assert rig.service is not None
            assert rig.service.settings.log.path == rig.log
            assert (await rig.reload()).restart_for == ("log",)

    lives(rig, life)
    assert not (tmp_path / "other.db").exists()
    assert "restart the daemon for this table" in {m["message"] for m in rig.said()}


def cannot(rig: ReloadRig, *names: str) -> None:
    """Let the machine be unable to run these stations, as a missing extra makes it."""
    assert rig.service is not None
    known = rig.service.settings
    why = Unsupported("its library is missing", target="fake", remedy="Install it.")
    new = replace(
        known,
        stations={n: it for n, it in known.stations.items() if n not in names},
        unsupported=dict.fromkeys(names, why),
    )
    rig.service.reload._load = lambda: new


def test_settings_that_no_station_could_run_with_are_refused(rig: ReloadRig) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.settled_off()
            cannot(rig, *rig.names)
            with pytest.raises(Unsupported, match="no station could run"):
                await rig.reload()
            assert rig.now("lobby").contact is OFF
            assert rig.service is not None
            assert set(rig.service.stations) == set(rig.names)

    lives(rig, life)
    rig.sound()


def test_one_that_this_machine_cannot_run_any_more_ends_with_the_supply_on(
    rig: ReloadRig,
) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.settled_off()
            cannot(rig, "lobby")
            done = await rig.reload()
            assert done.stations == {"lobby": "removed", "tower": "unchanged"}
            assert "its library is missing" in done.cannot["lobby"]
            assert rig.now("lobby").contact is ON

    lives(rig, life)
    rig.sound()
    said = [m for m in rig.said("station cannot run") if m["station"] == "lobby"]
    assert len(said) == 1


def test_a_fault_of_ours_while_reading_them_changes_nothing(rig: ReloadRig) -> None:
    def fails() -> NoReturn:
        raise ZeroDivisionError("by order")

    async def life() -> None:
        async with rig.living():
            await began(rig)
            assert rig.service is not None
            rig.service.reload._load = fails
            with pytest.raises(OrderRefused, match="ZeroDivisionError"):
                await rig.reload()
            await rig.live(60)

    lives(rig, life)
    rig.sound()


@pytest.mark.parametrize("part", ["stop", "start"])
def test_a_station_that_fails_by_our_own_fault_ends_the_daemon_with_the_supply_on(
    rig: ReloadRig, part: str
) -> None:
    async def life() -> None:
        with rig.patched():
            await rig.begin()
            await began(rig)
            await rig.settled_off()
            known, calls = getattr(Station, part), []

            async def fails(station: Station) -> None:
                calls.append(station.name)
                if len(calls) == 1:
                    raise ZeroDivisionError("by order")
                await known(station)

            another(rig)
            with mock.patch.object(Station, part, fails):
                asking = asyncio.get_running_loop().create_task(rig.reload())
                await asyncio.wait({asking})
            assert rig.task is not None
            await asyncio.wait({rig.task})
            assert asking.exception() is None or part == "stop"
            assert rig.service is not None
            assert rig.service.broken

    lives(rig, life)
    assert rig.now("lobby").contact is ON
    assert rig.now("tower").contact is ON


def test_a_shorter_poll_counts_at_once(rig: ReloadRig) -> None:
    async def life() -> None:
        rig.table["poll"] = "2min"
        async with rig.living():
            rig.give("lobby", poll="2min")
            await rig.reload()
            await began(rig)
            rig.give("lobby", poll="10s")
            reads = len(rig.notes("read"))
            await rig.reload()
            await rig.live(21)
            assert len(rig.notes("read")) - reads >= 3

    lives(rig, life)
    rig.sound()


def test_files_that_hang_do_not_keep_a_reload_for_ever(rig: ReloadRig) -> None:
    async def hangs(work: object) -> NoReturn:
        await asyncio.sleep(1e6)
        raise AssertionError(work)

    async def life() -> None:
        async with rig.living():
            await began(rig)
            assert rig.service is not None
            with (
                mock.patch.object(rig.service.reload, "_aside", hangs),
                pytest.raises(OrderRefused, match="could not be read within 20 s"),
            ):
                await rig.reload()
            assert rig.service.settings_error is not None

    lives(rig, life)
    rig.sound()


# --- at awkward moments -------------------------------------------------------------------


def test_a_reload_waits_for_the_one_before(rig: ReloadRig) -> None:
    async def life() -> None:
        async with rig.living():
            await began(rig)
            rig.relays["lobby"].order("set", Mood(takes_s=2.0), times=1)
            another(rig)
            first = asyncio.get_running_loop().create_task(rig.reload())
            await rig.live(1)
            rig.give("lobby", window={"low": 50, "high": 60})
            second = await rig.reload()
            assert first.done()
            assert first.result().stations["lobby"] == "restarted"
            assert second.stations["lobby"] == "changed"

    lives(rig, life)
    rig.sound()


def test_a_station_that_is_out_refuses_a_reload_and_a_signal_waits(
    rig: ReloadRig,
) -> None:
    async def life() -> None:
        async with rig.living():
            await began(rig)
            assert rig.service is not None
            rig.give("tower", window={"low": 50, "high": 60})
            async with rig.service.turnover.out("lobby", why="commissioning"):
                with pytest.raises(OrderRefused, match="lobby is out for commissioni"):
                    await rig.reload()
                rig.service.reload.hang_up()
                await rig.live(600)
                assert rig.state("tower").policy.marks.low_percent == 55  # type: ignore[union-attr]
            await rig.live(1)
            assert rig.state("tower").policy.marks.low_percent == 50  # type: ignore[union-attr]

    lives(rig, life)
    assert [row.by for row in operator(rig)] == ["SIGHUP"]
    rig.sound()
    rig.sound("tower")


def test_signals_that_come_while_one_waits_are_one_reload(rig: ReloadRig) -> None:
    """What came last is read all the same; one after it has begun is another."""
    begun: list[str] = []

    async def life() -> None:
        async with rig.living():
            await began(rig)
            assert rig.service is not None
            reload = rig.service.reload
            rig.service.reloads.append(begun.append)
            async with rig.service.turnover.out("lobby", why="commissioning"):
                for low in (50, 51, 52):
                    rig.give("tower", window={"low": low, "high": 65})
                    reload.hang_up()
                    await rig.live(1)
            await rig.live(1)
            assert rig.state("tower").policy.marks.low_percent == 52  # type: ignore[union-attr]
            assert begun == ["begins", "over"]
            rig.give("tower", window={"low": 53, "high": 65})
            reload.hang_up()
            await rig.live(1)
            assert rig.state("tower").policy.marks.low_percent == 53  # type: ignore[union-attr]

    lives(rig, life)
    assert [row.by for row in operator(rig)] == ["SIGHUP", "SIGHUP"]
    rig.sound("tower")


@pytest.mark.parametrize("after_s", [0.0, 0.5, 1.0, 1.9, 2.1, 5.0])
@pytest.mark.parametrize("what", ["window", "relay"])
def test_in_the_middle_of_a_switching(
    rig: ReloadRig, after_s: float, what: str
) -> None:
    async def life() -> None:
        async with rig.living():
            await began(rig)
            rig.relays["lobby"].order("set", Mood(takes_s=2.0, outlives=True), times=1)
            rig.now("lobby").soc_percent = 66.0
            await rig.until_told(OFF)
            await rig.live(after_s)
            table = dict(rig.tables["station"]["lobby"]["relay"])
            new = {
                "window": {"low": 60, "high": 70},
                "relay": {**table, "device": "another"},
            }
            rig.give("lobby", **{what: new[what]})
            await rig.reload()
            if what == "relay":
                assert rig.now("lobby").contact is ON
            await rig.live(900)

    lives(rig, life)
    rig.sound()


def test_a_caller_who_leaves_does_not_stop_it(rig: ReloadRig) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.settled_off()
            rig.relays["lobby"].order("set", Mood(takes_s=2.0), times=1)
            another(rig)
            asking = asyncio.get_running_loop().create_task(rig.reload())
            await rig.live(1)
            asking.cancel()
            await rig.live(10)
            assert rig.state().drive.commanded is ON
            assert rig.now("lobby").contact is ON
            assert len([k for k in kinds(rig) if k == "started"]) == 2

    lives(rig, life)
    rig.sound()


@pytest.mark.parametrize("after_s", [0.0, 1.0, 2.5, 12.5])
def test_a_caller_of_out_who_is_cancelled_leaves_no_station_half_way(
    rig: ReloadRig, after_s: float
) -> None:
    """In the stop (2 s), in its own work (10 s), in the start (2 s)."""

    async def life() -> None:
        async with rig.living():
            await rig.settled_off()
            rig.relays["lobby"].order("set", Mood(takes_s=2.0), times=1)
            assert rig.service is not None
            turnover = rig.service.turnover

            async def work() -> None:
                async with turnover.out("lobby", why="a look"):
                    rig.prepare = slow_start
                    await asyncio.sleep(10)

            def slow_start() -> None:
                if "lobby" in rig.gauges:
                    rig.gauges["lobby"].order("open", Mood(takes_s=2.0), times=1)

            working = asyncio.get_running_loop().create_task(work())
            await rig.live(0.001)
            await rig.live(after_s)
            working.cancel()
            await asyncio.wait({working})
            assert working.cancelled()
            assert turnover.names == {}
            await rig.live(20)
            assert rig.state().drive.commanded is ON
            assert rig.now("lobby").contact is ON
            await rig.settled_off()

    lives(rig, life)
    rig.sound()
    assert kinds(rig).count("started") == 2


def test_the_others_stop_at_once_while_one_is_out(rig: ReloadRig) -> None:
    async def life() -> None:
        with rig.patched():
            await rig.begin()
            await began(rig)
            await rig.settled_off("tower")
            assert rig.service is not None
            async with rig.service.turnover.out("lobby", why="a look"):
                rig.service.end()
                await asyncio.sleep(0.1)
                assert rig.now("tower").contact is ON
                assert not rig.notes("gauge open")[1:], "it does not come back"
            assert rig.task is not None
            await asyncio.wait({rig.task})
            rig.task.result()

    lives(rig, life)
    assert rig.now("lobby").contact is ON
    assert kinds(rig).count("started") == 1
    rig.sound()


@pytest.mark.parametrize("after_s", [0.0, 0.01, 1.0, 3.0, 6.0])
def test_an_end_during_a_reload_leaves_the_supply_on(
    rig: ReloadRig, after_s: float
) -> None:
    async def life() -> None:
        with rig.patched():
            await rig.begin()
            await began(rig)
            await rig.settled_off()
            await rig.settled_off("tower")
            rig.relays["lobby"].order("set", Mood(takes_s=2.0), times=1)
            rig.prepare = lambda: rig.gauges["lobby"].order("open", HANGS, times=1)
            another(rig)
            rig.give("hall")
            asking = asyncio.get_running_loop().create_task(rig.reload())
            await asyncio.sleep(after_s)
            began_ms = rig.clock.boot_ms()
            assert rig.service is not None
            rig.service.end()
            await rig.until_told(ON, "tower") if not after_s else None
            await asyncio.wait({rig.task, asking})  # type: ignore[type-var]
            assert rig.clock.boot_ms() - began_ms < 12_000
            if not asking.cancelled():
                asking.exception()
            assert rig.task is not None
            rig.task.result()

    lives(rig, life)
    assert rig.now("lobby").contact is ON
    assert rig.now("tower").contact is ON
    rig.sound()
    rig.sound("tower")


def test_a_prove_that_is_asked_for_meanwhile_is_refused(rig: ReloadRig) -> None:
    async def life() -> None:
        async with rig.living():
            await began(rig)
            rig.relays["lobby"].order("set", Mood(takes_s=2.0), times=1)
            another(rig)
            asking = asyncio.get_running_loop().create_task(rig.reload())
            await rig.live(1)
            assert rig.service is not None
            with pytest.raises(OrderRefused, match="out for new settings"):
                async with rig.service.turnover.out("lobby", why="commissioning"):
                    raise AssertionError("it was out already")
            await asking

    lives(rig, life)


def test_a_file_that_the_daemon_does_not_read_is_said(rig: ReloadRig) -> None:
    async def life() -> None:
        async with rig.living():
            await began(rig)
            rig.give("lobby", window={"low": 50, "high": 60})
            asked = Asked(by="uid 0 (root)", keys=("lobby.window",), file="/nowhere")
            with pytest.raises(OrderRefused, match="does not read /nowhere"):
                await rig.reload(asked)
            assert rig.state().policy.marks.low_percent == 55  # type: ignore[union-attr]
            await rig.reload(Asked(by="uid 0 (root)", keys=("lobby.window",)))

    lives(rig, life)
    (row,) = operator(rig)
    assert (row.action, row.by) == ("set", "uid 0 (root)")
    assert json.loads(row.args)["keys"] == ["lobby.window"]
    assert BY.keys == ()
    assert next(row.reason for row in rig.rows(IntentRow)) == "start"


# --- what the log shows -------------------------------------------------------------------


def test_a_start_that_no_stop_came_before_does_not_follow(rig: ReloadRig) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.settled_off()
            another(rig)
            await rig.reload()
            await rig.live(300)

    lives(rig, life)
    entries = rig.sound()
    stops = [
        n
        for n, e in enumerate(entries)
        if isinstance(e.row, EventRow) and e.row.kind == "stopping"
    ]
    again = next(e for e in entries[stops[0] :] if _is_start(e))
    forged = [*entries[: stops[0]], again, *entries[stops[0] :]]
    result = replay(forged, "lobby")
    assert result.first_mismatch is not None
    assert "has not stopped" in result.first_mismatch.what


def _is_start(entry: Entry) -> bool:
    return isinstance(entry.row, EventRow) and entry.row.kind == "started"


def test_only_an_operator_may_reload(rig: ReloadRig) -> None:
    assert table(rig.made())["reload"].orders


def test_the_life_of_a_relay_is_no_other_relay(rig: ReloadRig) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.settled_off()
            relay = rig.tables["station"]["lobby"]["relay"]
            rig.give("lobby", relay={**relay, "life": 5_000})
            done = await rig.reload()
            assert done.stations["lobby"] == "changed"
            assert rig.now("lobby").contact is OFF

    lives(rig, life)
    rig.sound()
    assert json.loads(rig.rows(SettingsRow)[-1].given)["relay"]["life"] == 5_000
