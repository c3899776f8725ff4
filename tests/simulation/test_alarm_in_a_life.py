"""`[alarm]` in a daemon in virtual time, which runs the program inline: reloads, a stop."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from support.alarm_rig import AlarmRig, alarm_settings
from support.reload_rig import ReloadRig
from support.shell_rig import lives
from tidegate.service import Service
from tidegate.service.alarm_part import AlarmPart


class Alarmed(ReloadRig):
    """A daemon that tells ``tell`` of alarms, or one that began without."""

    tell: str | None = None

    def made(self) -> Service:
        service = super().made()
        if self.tell is not None:
            self.tables["alarm"] = {"run": [self.tell], "apart": "1min"}
            service.settings = self.loaded()
            service._parts = (AlarmPart(service.settings.alarm),)
        return service


@pytest.fixture
def rig(tmp_path: Path) -> Alarmed:
    return Alarmed(tmp_path, names=("lobby", "tower"))


@pytest.fixture
def programs(tmp_path: Path) -> AlarmRig:
    folder = tmp_path / "programs"
    folder.mkdir()
    return AlarmRig(folder)


def found(programs: AlarmRig) -> list[tuple[Any, ...]]:
    keys = ("station", "alarm", "raised")
    return [tuple(each[key] for key in keys) for each in programs.told]


def test_a_hot_evening_and_a_station_that_is_taken_away(
    rig: Alarmed, programs: AlarmRig
) -> None:
    rig.tell = programs.telling()

    async def life() -> None:
        async with rig.living():
            await rig.settled_off()
            rig.now("lobby").temperature_c = 70.0
            rig.now("tower").temperature_c = 70.0
            await rig.live(300)
            assert ("lobby", "battery_hot", True) in found(programs)
            rig.take("tower")
            done = await rig.reload()
            assert done.stations["tower"] == "removed"
            assert done.restart_for == ()
            rig.now("lobby").temperature_c = 20.0
            await rig.live(7_200)
            del rig.tables["alarm"]["run"]
            assert (await rig.reload()).restart_for == ()
            rig.now("lobby").temperature_c = 70.0
            await rig.live(300)

    lives(rig, life)
    rig.sound()
    hot = [each for each in found(programs) if each[1] == "battery_hot"]
    assert sorted(hot) == [
        ("lobby", "battery_hot", False),
        ("lobby", "battery_hot", True),
        ("tower", "battery_hot", True),
    ]


def test_switched_on_by_a_reload_it_needs_a_restart_and_that_is_said(
    rig: Alarmed, programs: AlarmRig
) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            rig.tables["alarm"] = {"run": [programs.telling()]}
            assert (await rig.reload()).restart_for == ("alarm",)
            assert rig.service is not None
            assert rig.service.settings.alarm == alarm_settings()
            rig.now("lobby").temperature_c = 70.0
            await rig.live(300)

    lives(rig, life)
    assert programs.told == []
    assert "restart the daemon for this table" in {m["message"] for m in rig.said()}


@pytest.mark.parametrize("cools", [False, True])
def test_a_restart_ends_no_alarm_that_goes_on(
    rig: Alarmed, programs: AlarmRig, *, cools: bool
) -> None:
    """A station that starts has seen nothing yet; that is not the end of a danger."""
    rig.tell = programs.telling()
    critical = ("lobby", "battery_critical_heat")

    def told() -> list[bool]:
        return [each[2] for each in found(programs) if each[:2] == critical]

    async def life() -> None:
        async with rig.living():
            await rig.settled_off()
            rig.now("lobby").temperature_c = 70.0
            await rig.live(300)
            assert told() == [True]
        if cools:
            rig.now("lobby").temperature_c = 20.0
        async with rig.living():
            await rig.live(300)
            # Once more, for nobody knows what the run before could still tell.
            assert told() == ([True] if cools else [True, True])
            await rig.live(600)
            assert told() == ([True, False] if cools else [True, True])
            rig.now("lobby").temperature_c = 20.0
            await rig.live(7_200)

    lives(rig, life)
    rig.sound()
    assert told() == ([True, False] if cools else [True, True, False])
