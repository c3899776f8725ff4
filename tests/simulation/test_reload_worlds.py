"""Reloads of every kind at random moments: the promises hold and replay agrees.

Each world is one seed. Windows are drawn so that a mark moves past the level now and
then; devices, channels and stations come, go and change hands.
"""

from __future__ import annotations

import copy
from pathlib import Path
from random import Random
from typing import Any, Final

import pytest

from support.reload_rig import ReloadRig, station
from support.shell_rig import OFF, ON, Mood, lives
from tidegate.core.policy import MINUTE_MS
from tidegate.cyclelog.rows import Entry, EventRow, IntentRow, RunRow, SettingsRow
from tidegate.errors import SettingsError

NAMES: Final = ("lobby", "tower", "cellar")
FLOOR_PERCENT: Final = 25
# The shortest dwell that any of these settings has.
DWELL_MS: Final = 2 * MINUTE_MS
POLL_S: Final = 30
# Those that wait for the dwell.
PATIENT: Final = ("at_low_mark", "at_high_mark")


def changed(rig: ReloadRig, random: Random) -> None:
    """Change one thing of the files."""
    tables: dict[str, Any] = rig.tables["station"]
    name = random.choice(NAMES)
    if name not in tables:
        tables[name] = station(name)
        return
    low = random.choice([30, 40, 50, 60])
    match random.randrange(8):
        case 0 | 1:
            rig.give(name, window={"low": low, "high": low + random.choice([8, 15])})
        case 2:
            rig.give(name, dwell={"on": random.choice(["2min", "5min"]), "off": "2min"})
        case 3:
            rig.give(name, poll=random.choice(["10s", "30s"]), stale_after="2min")
        case 4:
            relay = {**tables[name]["relay"], "device": f"board {random.randrange(9)}"}
            rig.give(name, relay=relay, window={"low": 45, "high": 60})
        case 5:
            gauge = {**tables[name]["gauge"], "device": f"gauge {random.randrange(9)}"}
            rig.give(name, gauge=gauge)
        case 6 if len(tables) > 1:
            rig.take(name)
        case _:
            other = random.choice(list(tables))
            mine, its = tables[name]["relay"], tables[other]["relay"]
            tables[name]["relay"], tables[other]["relay"] = its, mine


async def never_dark(rig: ReloadRig, for_s: float) -> None:
    """Let time pass; the supply is on soon after a level at the floor, and where no
    station looks after a device.
    """
    low_s = dict.fromkeys(NAMES, 0.0)
    for _ in range(int(for_s // 5)):
        await rig.live(5)
        assert rig.service is not None
        for name in NAMES:
            device = rig.now(name)
            unsafe = device.soc_percent < FLOOR_PERCENT
            unsafe = unsafe or name not in rig.service.stations
            dark = unsafe and device.contact is OFF
            low_s[name] = low_s[name] + 5 if dark else 0.0
            assert low_s[name] <= POLL_S + 10, f"{name} is dark"


def apart(entries: list[Entry]) -> None:
    """Check that what waits for the dwell came no sooner after the command before."""
    before_ms: int | None = None
    supply = ""
    for entry in entries:
        row = entry.row
        if not isinstance(row, IntentRow) or row.kind == "repeat":
            continue
        if row.supply != supply and row.reason in PATIENT and before_ms is not None:
            assert row.boot_ms - before_ms >= DWELL_MS, f"row {entry.id}"
        if row.supply != supply:
            supply, before_ms = row.supply, row.boot_ms


def world(folder: Path, seed: int, reloads: int) -> None:
    random = Random(seed)
    rig = ReloadRig(folder, names=NAMES)
    for device in rig.devices.values():
        device.soc_percent = random.uniform(26, 70)
        device.load_percent_h = random.uniform(20, 60)
        device.charge_percent_h = random.uniform(20, 60)

    async def life() -> None:
        async with rig.living():
            await rig.live(60)
            for _ in range(reloads):
                await never_dark(rig, random.choice([1, 5, 20, 120, 900, 2_400]))
                if random.random() < 0.3:
                    for relay in rig.relays.values():
                        relay.order("set", Mood(takes_s=1.5, outlives=True), times=1)
                before = copy.deepcopy(rig.tables)
                for _ in range(random.randrange(1, 4)):
                    changed(rig, random)
                try:
                    await rig.reload()
                except SettingsError:
                    rig.tables = before  # a channel twice
            await never_dark(rig, 1_800)

    lives(rig, life)
    for name in NAMES:
        assert rig.now(name).contact is ON, f"seed {seed}: {name} after the stop"
        entries = rig.sound(name)
        apart(entries)
        runs = [e for e in entries if isinstance(e.row, RunRow)]
        assert len(runs) == 1
        events = [e.row.kind for e in entries if isinstance(e.row, EventRow)]
        starts = [each for each in events if each in ("started", "stopping")]
        assert starts == ["started", "stopping"] * (len(starts) // 2)
        settings = [e for e in entries if isinstance(e.row, SettingsRow)]
        assert len(settings) >= len(starts) // 2
    errors = [m for m in rig.said() if m["level"] == "error"]
    assert {m["message"] for m in errors} <= {
        "reload refused, the settings before stay"
    }, errors


@pytest.mark.parametrize("seed", range(1))
def test_reloads_at_random_moments(seed: int, tmp_path: Path) -> None:
    world(tmp_path, seed, reloads=8)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(100, 140))
def test_many_reloads_at_random_moments(seed: int, tmp_path: Path) -> None:
    world(tmp_path, seed, reloads=60)
