"""New settings at moments and with relays that nobody would choose, in virtual time.

What is checked is what the fake devices show and what replay makes of the log; the
sentences are our own.
"""

from __future__ import annotations

import asyncio
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from support.reload_rig import ReloadRig
from support.shell_rig import OFF, ON, Mood, lives
from tidegate.cli.status import code as status_code
from tidegate.cyclelog.replay import replay
from tidegate.cyclelog.rows import (
    Entry,
    EventRow,
    ReadingRow,
    RunRow,
    SettingsRow,
)
from tidegate.errors import OrderRefused, SettingsError, Unavailable, Unsupported
from tidegate.service.asked import status
from tidegate.service.reload import Asked

GONE = Mood(error=Unavailable("unplugged", target="board", remedy="Plug it in."))
SET = Asked(by="uid 0 (root)", keys=("lobby.poll",))


@pytest.fixture
def rig(tmp_path: Path) -> ReloadRig:
    rig = ReloadRig(tmp_path, names=("lobby", "tower"))
    for device in rig.devices.values():
        device.soc_percent = 65.0  # an off is due at once
    return rig


def another(rig: ReloadRig, name: str = "lobby", part: str = "relay") -> None:
    table = rig.tables["station"][name][part]
    rig.give(name, **{part: {**table, "device": "another"}})


# --- races --------------------------------------------------------------------------------


@pytest.mark.parametrize("after_s", [0.01, 1.0])
def test_a_station_that_only_gets_other_numbers_cannot_be_taken_out_meanwhile(
    rig: ReloadRig, after_s: float
) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.settled_off()
            rig.relays["lobby"].order("set", Mood(takes_s=2.0), times=1)
            another(rig)
            rig.give("tower", window={"low": 50, "high": 60})
            asking = asyncio.get_running_loop().create_task(rig.reload())
            await asyncio.sleep(after_s)
            assert rig.service is not None
            with pytest.raises(OrderRefused, match="settings"):
                async with rig.service.turnover.out("tower", why="commissioning"):
                    raise AssertionError("its new settings were on their way")
            done = await asking
            assert done.stations == {"lobby": "restarted", "tower": "changed"}
            async with rig.service.turnover.out("tower", why="commissioning"):
                await rig.live(1)
            marks = rig.state("tower").policy.marks
            assert marks is not None
            assert marks.low_percent == 50

    lives(rig, life)
    rig.sound("tower")


def test_a_station_that_has_stopped_with_the_daemon_gets_no_new_numbers(
    rig: ReloadRig,
) -> None:
    async def life() -> None:
        with rig.patched():
            await rig.begin()
            await rig.live(200)
            rig.relays["lobby"].order("set", Mood(takes_s=3.0), times=1)
            another(rig)
            rig.give("tower", window={"low": 50, "high": 60})
            asking = asyncio.get_running_loop().create_task(rig.reload())
            await asyncio.sleep(0.5)
            assert rig.service is not None
            assert rig.task is not None
            rig.service.end()
            await asyncio.wait({rig.task, asking})
            rig.task.result()

    lives(rig, life)
    rig.sound("tower")
    events = [row.kind for row in rig.rows(EventRow, "tower")]
    assert "settings_changed" not in events
    assert len(rig.rows(SettingsRow, "tower")) == 1


# --- relays -------------------------------------------------------------------------------


@pytest.mark.parametrize("becomes", ["removed", "moved", "measuring"])
def test_a_relay_that_is_left_behind_with_the_supply_off_is_said(
    rig: ReloadRig, becomes: str
) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.settled_off()
            rig.relays["lobby"].order("set", GONE)
            if becomes == "removed":
                rig.take("lobby")
            elif becomes == "moved":
                another(rig)
            else:
                gauge = rig.tables["station"]["lobby"]["gauge"]
                rig.tables["station"]["lobby"] = {"gauge": gauge}
            assert rig.now("lobby").contact is OFF
            done = await rig.reload()
            assert set(done.left_behind) == {"lobby"}
            assert "may be off" in done.left_behind["lobby"]
            assert done.document()["left_behind"] == done.left_behind

    lives(rig, life)
    rig.sound()
    (said,) = rig.said("a relay is left behind")
    assert (said["level"], said["station"]) == ("error", "lobby")


@pytest.mark.parametrize("answers", [True, False])
def test_a_relay_that_somebody_still_has_is_not_left_behind(
    rig: ReloadRig, *, answers: bool
) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.settled_off()
            if not answers:
                rig.relays["lobby"].order("set", GONE)
            another(rig, part="gauge")
            assert (await rig.reload()).left_behind == {}
            await rig.until(lambda: rig.now("lobby").contact is ON, 60, "on again")

    lives(rig, life)
    rig.sound()


def test_the_polarity_that_was_found_outlives_another_life_of_the_relay(
    rig: ReloadRig,
) -> None:
    """``life`` is a number of the maker's; the wires are as they were."""

    async def life() -> None:
        async with rig.living():
            await rig.settled_off()
            assert rig.service is not None
            station = rig.service.stations["lobby"]
            assert station.state is not None
            assert station.state.drive.ever_proven
            another(rig, part="gauge")
            relay = rig.tables["station"]["lobby"]["relay"]
            rig.give("lobby", relay={**relay, "life": 5_000})
            assert (await rig.reload()).stations["lobby"] == "restarted"
            assert rig.state().drive.ever_proven
        # The daemon is stopped, the number is changed back, and it starts again.
        async with rig.living():
            assert rig.state().drive.ever_proven

    lives(rig, life)
    rig.sound()
    assert "settings_changed" not in [row.kind for row in rig.rows(EventRow)]


@pytest.mark.parametrize("other", [False, True])
def test_one_that_comes_again_before_a_slow_log_knows_that_it_went(
    rig: ReloadRig, *, other: bool
) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.settled_off()
            table = rig.tables["station"].pop("lobby")
            rig.disk_takes_s = 30.0
            await rig.reload()
            rig.tables["station"]["lobby"] = table
            if other:
                another(rig)
            await rig.reload()
            assert rig.state().drive.ever_proven is not other
            await rig.live(60)
            rig.disk_takes_s = 0.0
            await rig.live(300)

    lives(rig, life)
    rig.sound()


# --- what is said -------------------------------------------------------------------------


def test_what_whoever_asks_will_put_back_is_not_what_the_files_say(
    rig: ReloadRig,
) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.live(60)
            rig.error = SettingsError("line 3 is wrong")
            with pytest.raises(SettingsError):
                await rig.reload(SET)
            assert rig.service is not None
            assert rig.service.settings_error is None
            with pytest.raises(SettingsError):
                await rig.reload()
            assert rig.service.settings_error is not None

    lives(rig, life)


def test_nothing_is_claimed_of_the_supply_of_a_station_that_is_out(
    rig: ReloadRig,
) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.live(60)
            assert rig.service is not None
            asks = status.asks(rig.service)
            nobody: Any = None
            async with rig.service.turnover.out("lobby", why="commissioning"):
                told = await asks["status"].handler({"station": "lobby"}, nobody)
                (lobby,) = told["stations"]
                assert (lobby["out"], lobby["supply"]) == ("commissioning", None)
                assert "supply is on" not in lobby["text"], "a run switches it"

    lives(rig, life)


def test_a_station_that_this_machine_turned_out_not_to_run_is_said(
    rig: ReloadRig,
) -> None:
    why = Unsupported("the kernel has no such file", target="lobby", remedy="Load it.")

    async def life() -> None:
        rig.prepare = lambda: rig.gauges["lobby"].order("open", Mood(error=why))
        async with rig.living():
            await rig.live(60)
            assert rig.service is not None
            asks = status.asks(rig.service)
            nobody: Any = None
            told = await asks["status"].handler({}, nobody)
            lobby, tower = told["stations"]
            assert (lobby["unsupported"], tower["unsupported"]) == (True, False)
            assert "the kernel has no such file" in lobby["text"]
            assert status_code(told) == 1
            rig.gauges["lobby"].order("open", Mood())
            await rig.live(120)
            told = await asks["status"].handler({"station": "lobby"}, nobody)
            assert told["stations"][0]["unsupported"] is False, "it was loaded since"

    lives(rig, life)


class FakePart:
    """A part with a fault of ours in it."""

    name = "a part"
    tables = ("metrics",)

    async def begin(self, service: object) -> None:
        pass

    async def end(self) -> None:
        raise ZeroDivisionError("by order")

    def settings_changed(self, service: object) -> None:
        raise ZeroDivisionError("by order")


class FakeStillborn(FakePart):
    """One that does not even begin."""

    async def begin(self, service: object) -> None:
        raise ZeroDivisionError("by order")


def test_a_part_with_a_fault_never_stops_control(rig: ReloadRig) -> None:
    async def life() -> None:
        with rig.patched():
            service = rig.made()
            rig.service = service
            service._parts = (FakePart(), FakeStillborn())
            rig.task = asyncio.get_running_loop().create_task(service.run())
            await rig.live(60)
            rig.give("lobby", window={"low": 50, "high": 60})
            assert (await rig.reload()).stations["lobby"] == "changed"
            await rig.live(60)
            await rig.end()

    lives(rig, life)
    rig.sound()
    said = [m for m in rig.said() if "by order" in str(m.get("exception", ""))]
    assert [m["message"] for m in said] == [
        "cannot begin",
        "cannot take the new settings",
        "did not end well",
    ]


# --- forgeries of a stop and a start within one run ---------------------------------------


@pytest.fixture
def out_and_in(rig: ReloadRig) -> list[Entry]:
    """The log of a station that was out for two minutes of an hour of its life."""

    async def life() -> None:
        async with rig.living():
            await rig.settled_off()
            assert rig.service is not None
            async with rig.service.turnover.out("lobby", why="a look"):
                await rig.live(120)
            await rig.live(900)

    lives(rig, life)
    entries = rig.sound()
    assert len([e for e in entries if isinstance(e.row, RunRow)]) == 1
    return entries


def place(entries: list[Entry], kind: str, number: int = 0) -> int:
    return [
        n
        for n, e in enumerate(entries)
        if isinstance(e.row, EventRow)
        and (e.row.kind, e.row.station) == (kind, "lobby")
    ][number]


def found(entries: list[Entry]) -> str:
    result = replay(entries, "lobby")
    assert result.first_mismatch is not None
    return result.first_mismatch.what


@pytest.mark.parametrize("column", ["same_boot", "was_closed"])
def test_a_start_within_a_run_that_denies_its_stop_is_found(
    out_and_in: list[Entry], column: str
) -> None:
    """A start of another boot forgets orders; one after a crash counts losses."""
    at = place(out_and_in, "started", 1)
    row = out_and_in[at].row
    assert isinstance(row, EventRow)
    denied = row.args.replace(f'"{column}":true', f'"{column}":false')
    assert denied != row.args
    out_and_in[at] = replace(out_and_in[at], row=replace(row, args=denied))
    assert "stopped in this run, and starts" in found(out_and_in)


def test_a_reading_of_a_station_that_was_out_is_found(out_and_in: list[Entry]) -> None:
    again = place(out_and_in, "started", 1)
    stop = place(out_and_in, "stopping")
    reading = next(
        e
        for e in reversed(out_and_in[:stop])
        if isinstance(e.row, ReadingRow) and e.row.station == "lobby"
    )
    between = out_and_in[again].row.boot_ms - 1_000
    forged = replace(reading, row=replace(reading.row, boot_ms=between))
    assert "while it was out" in found(
        [*out_and_in[:again], forged, *out_and_in[again:]]
    )


def test_other_settings_at_the_start_within_a_run_are_found(
    out_and_in: list[Entry],
) -> None:
    """The row of a reload: marks that would have asked for a switching."""
    stop = place(out_and_in, "stopping")
    at = next(
        n
        for n, e in enumerate(out_and_in)
        if n > stop and isinstance(e.row, SettingsRow) and e.row.station == "lobby"
    )
    row = out_and_in[at].row
    assert isinstance(row, SettingsRow)
    policy = row.policy.replace('"high_percent":65000', '"high_percent":99000')
    assert policy != row.policy
    forged = replace(out_and_in[at], row=replace(row, policy=policy))
    found([*out_and_in[:at], forged, *out_and_in[at + 1 :]])


def test_a_reload_that_is_taken_out_of_the_log_is_found(rig: ReloadRig) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.settled_off()
            rig.give("lobby", window={"low": 63, "high": 65})
            await rig.reload()
            await rig.until(lambda: rig.now("lobby").contact is ON, 1_800, "on at 63")

    lives(rig, life)
    entries = rig.sound()
    at = place(entries, "settings_changed")
    assert isinstance(entries[at - 1].row, SettingsRow)
    found([*entries[: at - 1], *entries[at + 1 :]])
