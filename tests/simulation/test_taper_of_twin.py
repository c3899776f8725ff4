"""A taper is told from a real cycle log: the daemon's, over a twin and a recording.

The twin's charger gives constant current, then constant voltage; the recording is of an
invented device that tapers. Both go through the real service, in virtual time.
"""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from typing import Any

import pytest

from support.charges import Device, csv_text, rows
from support.prove_rig import installed
from tidegate.cli.main import run as run_command
from tidegate.history import opened
from tidegate.host import Machine, Workers
from tidegate.host.workers import InlineWorker
from tidegate.service import Service
from tidegate.settings import from_tables
from tidegate.taper.finding import Finding, find
from tidegate.virtual import VirtualClock, run

TAPERS = Device(
    taper="stepped", from_percent=52, last_fifth_h=6, most_h=40, gaps=2, seed=5
)


def logged(folder: Path, hours: float, **gauge: Any) -> Path:
    """Let the daemon measure one station for so long, and return its log."""
    path = folder / "cycles.db"
    clock = VirtualClock(boot_ms=600_000)

    async def life() -> None:
        machine = Machine(clock, workers=Workers(InlineWorker))
        with installed():
            settings = from_tables(
                {
                    "log": {"path": str(path)},
                    "control": {"enabled": False},
                    "station": {"hall": {"gauge": gauge, "poll": "60s"}},
                }
            )
            service = Service(settings, clock=clock, machine=machine, threaded=False)
            asyncio.get_running_loop().call_later(3600 * hours, service.end)
            await service.run()

    run(life(), clock=clock)
    return path


def said(path: Path) -> Finding:
    return find(opened(path, "hall"))


@pytest.mark.parametrize(
    ("hours", "charge_a", "quirks"),
    [
        pytest.param(5, 2.0, {}, id="whole percents"),
        pytest.param(
            14,
            3.0,
            {"step_percent": 0.1, "noise_percent": 0.2, "lag_s": 90.0},
            id="noise and lag",
            marks=pytest.mark.slow,
        ),
        pytest.param(
            8, 0.8, {"wrong_sign": True, "sign_trusted": False}, id="another sign"
        ),
    ],
)
def test_the_twin_does_not_taper(
    hours: float, charge_a: float, quirks: dict[str, Any], tmp_path: Path
) -> None:
    path = logged(
        tmp_path,
        hours,
        kind="twin",
        soc_percent=22.0,
        load_a=0.3,
        charger={"charge_a": charge_a, "supply_a": charge_a + 0.3},
        cell={"capacity_ah": 5.0},
        quirks=quirks,
    )

    found = said(path)

    assert found.verdict == "does_not_taper"
    assert found.confidence == "high"
    assert found.best is not None
    rate = 100 * charge_a / 5.0
    assert found.best.measured.rate_percent_h == pytest.approx(rate, rel=0.1)
    assert found.best.measured.curve.hours(40, 60) == pytest.approx(20 / rate, rel=0.08)


@pytest.mark.slow
def test_the_twin_in_the_heat_is_held_back_and_that_is_no_taper(tmp_path: Path) -> None:
    """Its charger goes to 4.0 V from 45 °C on, as JEITA's bands have it."""
    path = logged(
        tmp_path,
        14,
        kind="twin",
        soc_percent=22.0,
        load_a=0.3,
        around_c=46.0,
        cell={"capacity_ah": 5.0},
    )

    assert said(path).verdict == "unclear"


def test_a_taper_is_told_from_the_daemons_log(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    recording = tmp_path / "device.csv"
    recording.write_text(csv_text(rows(TAPERS)), encoding="utf-8")
    path = logged(tmp_path, 10, kind="replay", path=str(recording), gap="2h")
    capsys.readouterr()  # the daemon's own messages

    assert run_command(["taper", "hall", "--log", str(path), "--json"]) == 0

    document = json.loads(capsys.readouterr().out)
    assert (document["verdict"], document["confidence"]) == ("tapers", "high")
    (charge,) = document["charges"]
    assert charge["falls_at_percent"] in (50, 55)
    assert charge["hours_by_fifth"]["80-100"] == pytest.approx(6, rel=0.15)
